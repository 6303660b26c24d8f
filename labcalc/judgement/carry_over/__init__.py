"""What does the sample before do to a result?"""
