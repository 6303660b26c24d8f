"""The laboratory's own record: lab.toml, names and lots, precision statements, earlier exports."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
