"""Critical value of Grubbs' test of a pair: no closed form and no table, but an integral."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from labcalc.statistics.series import Array

_LARGEST_PAIR = 200  # up to here the limits are right to 1e-5 on the grid
_ANGLES = 20_001  # grid of the integral; eight times as many change a limit by less than 5e-6


def grubbs_pair_limit(values: int, significance: float = 0.05, *, two_sided: bool = True) -> float:
    r"""Return the critical value of Grubbs' test for the two largest or the two smallest values.

    The ratio is called odd where it lies *below* the limit. It is computed, not simulated: where p normal values are
    put in order, the angle by which the largest sticks out depends on the one before it alone (Hawkins), so that one
    integral follows from the other up to p, and

    .. math:: P(g) = \int p f_p(w) [F_{p-1}(b_p(w)) - F_{p-1}(\sqrt{1 - g/(1 - w^2)})]_+ \, dw

    with :math:`b_p(w) = \sqrt{p/(p-2)}\, w/\sqrt{1 - w^2}`.

    Parameters
    ----------
    values : Number of values p, [-], 4 to 200.
    significance : Chance that normal values are called odd, [-].
    two_sided : Whether the pair might have been odd at either end; interlaboratory standards print these limits.

    Returns
    -------
    Critical value of the ratio of sums of squares, without the two over with them, [-], right to 1e-5.

    Raises
    ------
    ValueError : Not 4 to 200 values, or a significance that isn't between 0 and 1.

    References
    ----------
    .. [1] F. E. Grubbs and G. Beck, Technometrics 14 (1972), 847; ISO 5725-2:2019, Grubbs' test for two outlying
       observations. D. M. Hawkins, Identification of Outliers (1980), chapter 3 (recursion).
    """
    if not 0.0 < significance < 1.0:
        raise ValueError(f"significance {significance}: more than 0 and less than 1 was expected")
    if not 4 <= values <= _LARGEST_PAIR:
        raise ValueError(f"{values} values: a test of a pair is given for 4 to {_LARGEST_PAIR}")
    return _pair_quantile(int(values), significance / (2.0 if two_sided else 1.0))


@lru_cache(maxsize=256)
def _pair_quantile(values: int, tail: float) -> float:
    from scipy.optimize import brentq

    angle = np.linspace(0.0, np.pi / 2.0, _ANGLES)
    before = _largest_deviate_distribution(values - 1, angle)
    density, reached = _deviate_density(values, angle), np.interp(_reach(values, angle), angle, before)
    left = np.maximum(np.cos(angle) ** 2, np.finfo(float).tiny)

    def excess(ratio: float) -> float:
        from_here = np.arccos(np.sqrt(np.minimum(ratio / left, 1.0)))
        inside = np.maximum(reached - np.interp(from_here, angle, before), 0.0)
        return float(np.trapezoid(density * inside, angle)) - tail

    return float(brentq(excess, 0.0, 1.0, xtol=1e-12))


def _largest_deviate_distribution(values: int, angle: Array) -> Array:
    """Return the chance that the largest of some values sticks out by no more than an angle.

    The sine of the angle is the distance to the mean over √(sum of squares), times √(p/(p − 1)).
    """
    chance = np.clip(3.0 / np.pi * (angle - np.pi / 6.0), 0.0, 1.0)
    for number in range(4, values + 1):
        rate = _deviate_density(number, angle) * np.interp(_reach(number, angle), angle, chance)
        steps = (rate[1:] + rate[:-1]) / 2.0 * np.diff(angle)
        chance = np.concatenate(([0.0], np.cumsum(steps)))
        chance /= chance[-1]  # one value is the largest: what is missing is the grid's error
    return chance


def _deviate_density(values: int, angle: Array) -> Array:
    scale = values * math.exp(math.lgamma((values - 1) / 2) - math.lgamma((values - 2) / 2)) / math.sqrt(math.pi)
    return np.asarray(scale * np.cos(angle) ** (values - 3))


def _reach(values: int, angle: Array) -> Array:
    """Return the largest angle of the value before that keeps the order."""
    return np.arcsin(np.minimum(math.sqrt(values / (values - 2)) * np.tan(angle), 1.0))
