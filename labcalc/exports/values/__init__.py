"""Texts → values: numbers by their decimal sign, moments by the order of day and month, column by column."""
