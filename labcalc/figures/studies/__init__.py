"""Rounds, comparisons and studies of precision in pictures and tables."""
