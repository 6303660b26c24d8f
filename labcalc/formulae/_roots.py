"""Roots of many equations at once."""

from collections.abc import Callable

import numpy as np

from labcalc.formulae._refusals import Array

_MOST_STEPS = 200
_SETTLED = 1e-14  # relative width of the interval that ends the search


def bracketed_root(function: Callable[[Array], Array], low: Array, high: Array) -> Array:
    """Return where the function is zero between two arrays of ends; NaN where it has one sign at both.

    Two steps of false position, the end that stays behind weighted half each time (Illinois) and no step too short to
    cross the root, then one that halves the interval, so that it always comes to an end. The function is called with
    arrays of the full shape.
    """
    a, b = np.array(low, dtype=float), np.array(high, dtype=float)
    fa, fb = function(a), function(b)
    enclosed = fa * fb <= 0.0
    for step in range(_MOST_STEPS):
        open_yet = enclosed & (fb != 0.0) & (np.abs(b - a) > _SETTLED * np.abs(b))
        if not open_yet.any():
            break
        c = np.where(open_yet, 0.5 * (a + b) if step % 3 == 2 else _false_position(a, b, fa, fb), b)
        fc = function(c)
        crossed = fc * fb < 0.0
        a, fa = np.where(crossed, b, a), np.where(crossed, fb, 0.5 * fa)
        b, fb = c, fc
    return np.where(enclosed, np.where(np.abs(fa) < np.abs(fb), a, b), np.nan)


def _false_position(a: Array, b: Array, fa: Array, fb: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        step = fb * (a - b) / (fb - fa)
    return b + np.copysign(np.maximum(np.abs(step), 0.5 * _SETTLED * np.abs(b)), a - b)
