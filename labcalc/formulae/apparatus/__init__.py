"""Capillary, oscillating tube, and what they are adjusted with."""
