"""Published formulas: numbers in, numbers out, NumPy only.

Each takes scalars, lists, arrays of any shape and series, and broadcasts them. Scalars give a ``numpy.float64``, a
series a series with its index, all else an array; NaN and masked values give NaN; outside the range that stands with
each parameter a formula raises ``labcalc.errors.OutOfRangeError``, for too few points or a viscosity that doesn't fall
with temperature too, and ValueError for a name that it doesn't know. Nothing is rounded before the comparison.
"""

from inspect import isfunction
from typing import Any

from lazy_loader import attach_stub

_loaded, __dir__, __all__ = attach_stub(__name__, __file__)


def __getattr__(name: str) -> Any:
    thing = _loaded(name)
    if isfunction(thing):
        from labcalc.formulae._series import keeps_index

        thing = keeps_index(thing)
        thing.__module__ = __name__  # where it can be found again, by pickle too
        globals()[name] = thing
    return thing
