"""How well do results repeat?"""
