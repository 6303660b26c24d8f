"""labcalc: from a viscosity and density run export to a result that can be signed."""

from lazy_loader import attach_stub

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
