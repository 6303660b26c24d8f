"""How a formula refuses what lies outside its range."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import OutOfRangeError

_DUST = 1e-9
"""Share of a limit below which a difference is dust of binary arithmetic: 2.1e-6 × 1e6 is not quite 2.1."""


def refuse_outside(
    values: NDArray[np.float64],
    quantity: str,
    unit: str,
    *,
    lowest: float | None = None,
    highest: float | None = None,
    above: float | None = None,
    reason: str,
) -> None:
    """Raise OutOfRangeError for the first value outside; infinity is outside every range, NaN passes.

    ``lowest`` and ``highest`` belong to the range, ``above`` doesn't.
    """
    outside = np.isinf(values)
    if above is not None:
        lowest = above
        outside |= values <= above
    if lowest is not None:
        outside |= values < lowest - _DUST * abs(lowest)
    if highest is not None:
        outside |= values > highest + _DUST * abs(highest)
    if outside.any():
        first = float(values[outside][0]) if values.ndim else float(values)
        raise OutOfRangeError(quantity, first, unit, lowest=lowest, highest=highest, reason=reason)


def positive(values: ArrayLike, quantity: str, unit: str) -> NDArray[np.float64]:
    """Return the values as an array; refuse zero and less."""
    array = np.asarray(values, dtype=float)
    refuse_outside(array, quantity, unit, above=0.0, reason=f"a {quantity} is more than zero")
    return array
