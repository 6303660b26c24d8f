"""A chart from its third result on: each one against those before it, until a baseline is there."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtr

from labcalc.statistics.series import Array, finite_series

_FAR, _REFERENCE, _DECISION = 3.0, 0.5, 5.0
"""Limit of a single statistic, and reference value and decision interval of their CUSUM (ISO 7870-4 [memory])."""


def self_starting(results: ArrayLike, sigma: float = 0.0, degrees_of_freedom: float = 0.0) -> Array:
    r"""Return how unusual each result is beside those before it.

    .. math:: T_r = \sqrt{(r - 1)/r} \, (x_r - \bar x_{r-1}) / s_{r-1}, \qquad
        Q_r = \Phi^{-1}(F_t(T_r; \nu_{r-1}))

    results : from the first on, [any unit].
    sigma : standard deviation by an earlier lot, [unit of the results]; pooled with that of the results.
    degrees_of_freedom : of sigma, [-]; 0 without one, infinite for a known one.
    Returns : Q, [-]: independent and standard normal while nothing changes; NaN where nothing is known yet: for two
        results, or for one with a sigma.
    Raises ValueError : a result is not finite.
    Source : Quesenberry, C. P.: J. Qual. Technol. 23 (1991) 213, mean unknown, variance unknown or known.
    """
    series = finite_series(results, 1, "a chart")
    q = np.full(series.size, np.nan)
    r = np.arange(2, series.size + 1)
    before = np.cumsum(series)[:-1] / (r - 1.0)
    away = np.sqrt((r - 1.0) / r) * (series[1:] - before)
    # squares of results 1 to r - 1 about their mean: each one adds the square of its own distance from those before
    squares = np.concatenate([[0.0], np.cumsum(away**2)[:-1]]) if r.size else away
    with np.errstate(invalid="ignore", divide="ignore"):
        if np.isinf(degrees_of_freedom):
            q[1:] = away / sigma
        else:
            freedom = degrees_of_freedom + r - 2.0
            t = away / np.sqrt((degrees_of_freedom * sigma**2 + squares) / freedom)
            q[1:] = np.where(freedom > 0.0, -np.sign(t) * ndtri(stdtr(np.maximum(freedom, 1.0), -np.abs(t))), np.nan)
    return q


def early_signals(q: ArrayLike) -> np.ndarray:
    """Tell where a self-starting chart signals, [-]: |Q| beyond 3, or its CUSUM (0.5, 5), which starts anew then.

    q : as ``self_starting`` returns them, [-].
    Source : Hawkins, D. M.: The Statistician 36 (1987) 61, the self-starting CUSUM [memory].
    """
    found, high, low = np.zeros(np.size(q), dtype=bool), 0.0, 0.0
    for place, one in enumerate(np.nan_to_num(np.asarray(q, dtype=float)).tolist()):
        high, low = max(0.0, high + one - _REFERENCE), max(0.0, low - one - _REFERENCE)
        if abs(one) > _FAR or max(high, low) > _DECISION:
            found[place], high, low = True, 0.0, 0.0
    return found
