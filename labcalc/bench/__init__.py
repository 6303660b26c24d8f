"""Calculations at the bench: what is typed, with its units, and what the formulae make of it; needs no Jupyter."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
