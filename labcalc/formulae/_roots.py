"""Roots of many equations at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["bracketed_root"]

_MOST_STEPS = 100
_SETTLED = 4.0 * np.finfo(float).eps


def bracketed_root(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return where the function is zero between two arrays of ends; NaN where it has one sign at both.

    The rule of false position, the end that stays behind weighted half each time (Illinois). The function is called
    with arrays of the full shape.
    """
    a, b = np.array(low, dtype=float), np.array(high, dtype=float)
    fa, fb = function(a), function(b)
    enclosed = fa * fb <= 0.0
    for _ in range(_MOST_STEPS):
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(fb == 0.0, 0.0, fb * (b - a) / (fb - fa))
        c = b - step
        fc = function(c)
        crossed = fc * fb < 0.0
        a, fa = np.where(crossed, b, a), np.where(crossed, fb, 0.5 * fa)
        b, fb = c, fc
        if not np.any(enclosed & (np.abs(step) > _SETTLED * np.abs(c))):
            break
    return np.where(enclosed, b, np.nan)
