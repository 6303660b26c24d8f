"""Published formulas: numbers in, numbers out, NumPy only.

Each takes scalars, lists, arrays of any shape and series, and broadcasts them. Scalars give a ``numpy.float64``, all
else an array; NaN in gives NaN out; outside its range a formula raises ``labcalc.errors.OutOfRangeError``.
"""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
