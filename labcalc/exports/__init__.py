"""Run exports in: bytes → text → table → tidy rows, or refusals: file, line, column, value, what was expected."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
