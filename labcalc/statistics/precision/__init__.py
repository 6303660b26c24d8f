"""Precision: repeats, duplicates, components of variance, studies between laboratories."""
