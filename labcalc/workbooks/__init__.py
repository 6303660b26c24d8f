"""Workbooks: parameters checked, notebook run, page written; one or thousands."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
