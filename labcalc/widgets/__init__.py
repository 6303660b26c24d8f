"""The interactive pages of the workbooks; their state is plain and needs no Jupyter."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
