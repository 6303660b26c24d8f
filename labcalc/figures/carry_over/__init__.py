"""Carry-over in pictures and tables."""
