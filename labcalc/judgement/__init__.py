"""What the laboratory decides: is this run valid, is the instrument right, does the product comply."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
