"""How sure is a result?"""
