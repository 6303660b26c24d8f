"""Uncertainty budgets as tables."""
