"""What does a month say, and what is to be done?"""
