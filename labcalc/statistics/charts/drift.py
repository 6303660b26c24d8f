"""Does a process drift? A straight line through monthly means, each lot with its own level."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Drift:
    """A slope with its interval."""

    slope: float  # [unit of the results a unit of time]
    interval: tuple[float, float]
    degrees_of_freedom: int
    p_value: float  # Two-sided, [-]
    means: int  # means that the line goes through, [-]


def drift_of(times: ArrayLike, results: ArrayLike, blocks: ArrayLike, levels: ArrayLike) -> Drift | None:
    r"""Fit a common slope to results of several levels, by least squares through the means of their blocks.

    Results of neighbouring days resemble each other, and a line through all of them is surer of itself than it may be;
    means of a month hardly do: their own scatter about the line gives the interval, by Student's t.

    times : When each was measured, [any unit of time].
    results : Results, [any unit].
    blocks, levels : Which block and which level each belongs to, such as its month and its lot, [-].
    Returns : The slope, [unit of the results a unit of time]; None of fewer than three degrees of freedom: means less
        levels less one.
    Source : Weighted least squares, the weights the numbers of results; NIST/SEMATECH e-Handbook, 4.4.5.2.

    >>> found = drift_of([0.5, 1.5, 2.5, 3.5, 4.5], [1.0, 2.0, 3.0, 4.0, 5.5], [0, 1, 2, 3, 4], [0] * 5)
    >>> round(found.slope, 2), found.degrees_of_freedom
    (1.1, 3)
    """
    from scipy.special import stdtr, stdtrit

    t, y, level = np.asarray(times, float), np.asarray(results, float), np.asarray(levels)
    pairs, place = np.unique(np.column_stack([level, np.asarray(blocks)]), axis=0, return_inverse=True)
    weight = np.bincount(place.ravel()).astype(float)
    t, y = (np.bincount(place.ravel(), one) / weight for one in (t, y))
    _, of = np.unique(pairs[:, 0], return_inverse=True)
    t, y = (one - (np.bincount(of, weight * one) / np.bincount(of, weight))[of] for one in (t, y))
    degrees, spread = len(pairs) - int(of.max()) - 2, float(np.sum(weight * t**2))
    if degrees < 3 or not spread > 0.0:
        return None
    slope = float(np.sum(weight * t * y)) / spread
    uncertainty = math.sqrt(float(np.sum(weight * (y - slope * t) ** 2)) / degrees / spread)
    reach = float(stdtrit(degrees, 0.975)) * uncertainty
    p = 2.0 * float(stdtr(degrees, -abs(slope) / uncertainty)) if uncertainty > 0.0 else float(slope == 0.0)
    return Drift(slope, (slope - reach, slope + reach), degrees, p, len(pairs))
