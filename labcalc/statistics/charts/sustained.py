"""Has a process moved and stayed away? Means of the last results, long and short, against the centre."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, stdtr

from labcalc.statistics.series import Array

WINDOWS = (1, 2, 3, 5, 8, 13, 21)
"""Numbers of last results that are averaged, [-]: each some 1.6 times the one before, up to a month of working days."""


@dataclass(frozen=True, eq=False)
class SustainedShift:
    """For each result how rare the most telling mean of the last results is, over how many, and how far off it lies."""

    chance: Array
    """Probability, [-], that the mean of that many results of an unchanged process lies as far from the centre."""
    window: NDArray[np.int64]  # results in that mean, [-]
    mean: Array  # that mean less the centre, [unit of sigma]


def sustained_shift(
    away: ArrayLike,
    sigma: float,
    number: ArrayLike,
    degrees_of_freedom: float,
    *,
    fewest: int = 1,
    starts: ArrayLike = (),
) -> SustainedShift:
    r"""Look for a lasting shift in results that follow a baseline.

    .. math:: t_m = \bar d_m / (s \sqrt{1/m + 1/n}), \qquad m = 1, 2, 3, 5, 8, 13, 21

    away : Results less the centre in the order of measurement, those of the baseline left out, [any unit], one
        dimension.
    sigma : Standard deviation by the baseline, [unit of the results], above 0.
    number : Results that set the centre, [-]; one for all or one for each; infinite for a known one.
    degrees_of_freedom : Of sigma, [-].
    fewest : Results that a mean rests on at the least, [-].
    starts : Places of results before which nothing counts any more, such as the first after a repair, [-].
    Returns : ``chance``, [-], holds for each single mean; the smallest of seven at each result is seen oftener: a limit
        for it is set by simulation (``labcalc.judgement.control.watch``).
    Source : Student's t of two means with one sigma; looking back over several lengths is a generalised likelihood
        ratio for a step: Siegmund, D., Venkatraman, E. S.: Ann. Statist. 23 (1995) 255.

    >>> found = sustained_shift([0.1, 2.0, 1.8, 2.2, 1.9], 1.0, 20.0, 19.0)
    >>> int(found.window[-1]), round(float(found.mean[-1]), 3), bool(found.chance[-1] < 0.005)
    (5, 1.6, True)
    """
    away = np.asarray(away, dtype=float)
    of_centre = 1.0 / np.broadcast_to(np.asarray(number, dtype=float), away.shape)
    place, cuts = np.arange(away.size), np.asarray([0, *np.asarray(starts, np.int64)])
    since = place - cuts[np.searchsorted(cuts, place, side="right") - 1] + 1
    total = np.concatenate([[0.0], np.cumsum(away)])
    chance, window, mean = np.ones(away.size), np.zeros(away.size, np.int64), np.zeros(away.size)
    for m in (one for one in WINDOWS if fewest <= one <= away.size):
        means = (total[m:] - total[:-m]) / m
        t = np.abs(means) / (sigma * np.sqrt(1.0 / m + of_centre[m - 1 :]))
        found = 2.0 * (ndtr(-t) if np.isinf(degrees_of_freedom) else stdtr(degrees_of_freedom, -t))
        rarer = np.flatnonzero((found < chance[m - 1 :]) & (since[m - 1 :] >= m))
        chance[rarer + m - 1], window[rarer + m - 1], mean[rarer + m - 1] = found[rarer], m, means[rarer]
    return SustainedShift(chance, window, mean)
