"""Use of r and R at a limit (ISO 4259): derived from the definitions r = 1.96 √2 s_r and R = 1.96 √2 s_R."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array

_TWO_SIDED, _ONE_SIDED = 1.9599639845400545, 1.6448536269514722  # normal quantiles of 97.5 % and of 95 %

ONE_SIDED_FACTOR = _ONE_SIDED / (_TWO_SIDED * math.sqrt(2.0))
"""From the reproducibility to what one result must be inside a limit for 95 %: 0.5934; ISO 4259 prints 0.59."""


def one_sided_margin(reproducibility: ArrayLike, *, repeatability: ArrayLike = 0.0, results: ArrayLike = 1) -> Array:
    r"""Return how far inside a limit a result must be for 95 % certainty that the true value is inside.

    .. math:: \frac{1.645}{1.96\sqrt 2} \sqrt{R^2 - r^2 (1 - 1/k)}

    Parameters
    ----------
    reproducibility : Reproducibility R, [unit of the result].
    repeatability : Repeatability r, [unit of the result]; of no effect with one result.
    results : Number of results k behind the laboratory's average, [-], 1 or more.

    Returns
    -------
    Margin, [unit of the result]: 0.5934 R for one result. The standard prints 0.59, which is 0.6 % less.

    Raises
    ------
    ValueError : R is below r, or a number of results below 1.

    References
    ----------
    .. [1] ISO 4259:2006 (0.59 R seen in a public document that quotes it; k results: derivation).
    """
    r, big_r, k = (np.asarray(one, dtype=float) for one in (repeatability, reproducibility, results))
    if np.any(r > big_r):
        raise ValueError("a repeatability above the reproducibility: r is at most R")
    if np.any(k < 1.0):
        raise ValueError(f"{float(k[k < 1.0].flat[0]):g} results: 1 or more are needed")
    return np.asarray(ONE_SIDED_FACTOR * np.sqrt(big_r**2 - r**2 * (1.0 - 1.0 / k)))


def limits_leave_room(lowest: ArrayLike, highest: ArrayLike, reproducibility: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether specification limits are wide enough, [-], for the method.

    Two limits are to be 4 R apart at least, a single one 2 R above zero. Narrower ones can't be kept to by any
    product: the method doesn't see it.

    Parameters
    ----------
    lowest : Lower limit A₂, [any unit]; NaN where that side is open.
    highest : Upper limit A₁, [unit of the lower one]; NaN where that side is open.
    reproducibility : Reproducibility R at the limits, [unit of the limits].

    References
    ----------
    .. [1] ISO 4259 as quoted in public notes on reference fuels (seen): 4 R between two limits, 2 R above zero.
    """
    low, high, big_r = (np.asarray(one, dtype=float) for one in (lowest, highest, reproducibility))
    single = np.where(np.isnan(low), high, low)
    two = ~np.isnan(low) & ~np.isnan(high)
    room, least = np.where(two, high - low, single), np.where(two, 4.0, 2.0) * big_r
    return np.asarray(room >= least - 1e-12 * np.abs(np.where(two, high, single)))
