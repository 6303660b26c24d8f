"""Repeats in pictures and tables."""
