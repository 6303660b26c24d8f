"""A year in pictures and tables."""
