"""Limits of Grubbs' test for a pair by integration, as the shipped table was computed.

Where p normal values are put in order, the angle by which the largest sticks out depends on the one before it alone
(D. M. Hawkins, Identification of Outliers, 1980, chapter 3), so that one integral follows from the other up to p, and
P(g) = ∫ p f_p(w) [F_(p-1)(b_p(w)) - F_(p-1)(√(1 - g/(1 - w²)))]₊ dw, with b_p(w) = √(p/(p-2)) w/√(1 - w²).
"""

import math

import numpy as np

from labcalc.statistics.series import Array

_ANGLES = 20_001  # grid of the integral; eight times as many change a limit by less than 5e-6


def pair_limit(values: int, tail: float) -> float:
    """Return the ratio below which a pair lies with a chance, at one end."""
    from scipy.optimize import brentq

    angle = np.linspace(0.0, np.pi / 2.0, _ANGLES)
    before = largest_deviate_distribution(values - 1, angle)
    density, reached = _deviate_density(values, angle), np.interp(_reach(values, angle), angle, before)
    left = np.maximum(np.cos(angle) ** 2, np.finfo(float).tiny)

    def excess(ratio: float) -> float:
        from_here = np.arccos(np.sqrt(np.minimum(ratio / left, 1.0)))
        inside = np.maximum(reached - np.interp(from_here, angle, before), 0.0)
        return float(np.trapezoid(density * inside, angle)) - tail

    return float(brentq(excess, 0.0, 1.0, xtol=1e-12))


def largest_deviate_distribution(values: int, angle: Array) -> Array:
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
