"""Statistics of the laboratory: NumPy in, NumPy out; no files, no frames.

ValueError refuses, with the number, what lies outside the range that stands with its parameter: numbers that aren't
finite, too few of them, series whose lengths don't fit, results that don't vary where they must.
"""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
