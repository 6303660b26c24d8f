"""Workbooks: parameters checked, notebook run, page written; one or thousands."""

from lazy_loader import attach_stub

from labcalc.workbooks.lean import keep_imports_short

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)

keep_imports_short()
