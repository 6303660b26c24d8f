"""What is the spread of repeated measurements made of?"""
