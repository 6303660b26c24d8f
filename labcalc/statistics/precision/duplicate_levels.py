"""Does the scatter of duplicates grow with the level, and by which power of it?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array, paired_series

LEAST_PAIRS_FOR_A_POWER_LAW = 30
"""Pairs below which no power law is fitted, [-]: squares of differences scatter by 140 % each."""

_GAMMA_SCALE = 2.0  # variance over squared mean of d²/2, a chi-square with one degree of freedom
_STEPS = 100  # more than convex Newton steps take


@dataclass(frozen=True)
class LevelDependence:
    """Two tests of whether differences grow or fall with the level."""

    number: int
    rank_correlation: float  # of the differences' size with the pairs' means, by ranks; NaN where all are alike
    rank_p_value: float
    lagrange_multiplier: float  # of the squared differences on the means
    multiplier_p_value: float


@dataclass(frozen=True)
class PowerLaw:
    """s = a xᵇ: ``exponent`` b, 0 for a scatter that is the same everywhere and 1 for one in proportion."""

    number: int
    factor: float
    exponent: float
    exponent_error: float  # standard error of b
    confidence: float

    @property
    def exponent_interval(self) -> tuple[float, float]:
        """Interval of b, [-], by t with n - 2 degrees of freedom: the normal one covers 93.5 % with 30 pairs."""
        from scipy.special import stdtrit

        reach = float(stdtrit(self.number - 2, (1.0 + self.confidence) / 2.0)) * self.exponent_error
        return self.exponent - reach, self.exponent + reach

    def deviation_at(self, level: ArrayLike) -> Array:
        """Return the standard deviation at a level, [unit of the results].

        Parameters
        ----------
        level : Level, [unit of the results], above 0.
        """
        return np.asarray(self.factor * np.asarray(level, dtype=float) ** self.exponent)


def level_dependence(first: ArrayLike, second: ArrayLike) -> LevelDependence:
    r"""Test whether the differences of pairs depend on the level: correlation, multiplier and p-values, [-].

    Spearman's rank correlation of \|d\| with the mean finds any steady growth; the multiplier of Breusch and Pagan
    (n R² of d² on the mean, in Koenker's form) a linear one of the variance. The mean of the differences is taken as 0.

    Parameters
    ----------
    first : First result of each pair, [any unit], four pairs or more.
    second : Second results, [unit of the first].

    Raises
    ------
    ValueError : Fewer than four pairs, two numbers of results, or one that is not finite.

    References
    ----------
    .. [1] C. Spearman, American Journal of Psychology 15 (1904) 72; p-value by t with n - 2 degrees of freedom.
    .. [2] T. S. Breusch and A. R. Pagan, Econometrica 47 (1979) 1287; R. Koenker, J. Econometrics 17 (1981) 107.
    """
    from scipy.special import gammaincc

    one, other = paired_series(first, second, 4, "a dependence on the level")
    difference, level = one - other, one + other  # twice the level, which correlations don't tell from it
    correlation, p_value = _rank_correlation(np.abs(difference), level)
    multiplier = one.size * _correlation(difference**2, level) ** 2
    return LevelDependence(one.size, correlation, p_value, multiplier, float(gammaincc(0.5, multiplier / 2.0)))


def _rank_correlation(x: Array, y: Array) -> tuple[float, float]:
    from scipy.special import stdtr

    rho, degrees = _correlation(_ranks(x), _ranks(y)), x.size - 2
    if math.isnan(rho):
        return rho, math.nan
    t = math.inf if abs(rho) >= 1.0 else abs(rho) * math.sqrt(degrees / (1.0 - rho**2))
    return rho, 2.0 * float(stdtr(degrees, -t))


def _ranks(values: Array) -> Array:
    """Return the ranks, the mean of theirs for equal values."""
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((last - (counts - 1) / 2.0)[place])


def _correlation(x: Array, y: Array) -> float:
    x, y = x - x.mean(), y - y.mean()
    scale = math.sqrt(float(x @ x) * float(y @ y))
    return float(np.clip(x @ y / scale, -1.0, 1.0)) if scale > 0.0 else math.nan


def fit_power_law(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> PowerLaw:
    r"""Fit how the standard deviation of single results grows with the level.

    .. math:: s = a x^b, \quad d^2 / 2 \sim \Gamma, \quad E(d^2 / 2) = a^2 x^{2b}

    A generalised linear model of d²/2 on ln x with logarithmic link; the scale is fixed at 2, as that of a chi-square
    with one degree of freedom. Pairs without a difference count as they are.

    Parameters
    ----------
    first : First result of each pair, [any unit], above 0, 30 pairs or more.
    second : Second results, [unit of the first].
    confidence : Confidence of the intervals, [-].

    Returns
    -------
    Exponent b and its standard error, [-]; factor a, [unit of the results to the power 1 - b].

    Raises
    ------
    ValueError : Fewer than 30 pairs, a level that is not above 0, all on one level, or no difference other than 0 on
        one side.

    References
    ----------
    .. [1] P. McCullagh and J. A. Nelder, Generalized Linear Models, 2nd edition (1989), 8.3.

    Examples
    --------
    >>> level = np.geomspace(2.0, 200.0, 40)
    >>> found = fit_power_law(level * 1.001, level * 0.999)
    >>> round(found.exponent, 6), round(100.0 * found.factor, 3)
    (1.0, 0.141)
    """
    one, other = paired_series(first, second, LEAST_PAIRS_FOR_A_POWER_LAW, "a power law")
    level, half_square = (one + other) / 2.0, (one - other) ** 2 / 2.0
    if level.min() <= 0.0:
        raise ValueError(f"level {level.min():g}: a power law needs levels above 0")
    centre = float(np.log(level).mean())
    x = np.log(level) - centre
    spread = float(x @ x)
    if spread <= 1e-12 * level.size:
        raise ValueError(f"all {level.size} pairs lie on one level: a power law needs several")
    intercept, slope = _gamma_regression(x, half_square)
    exponent = slope / 2.0
    factor, error = math.exp(intercept / 2.0 - exponent * centre), math.sqrt(_GAMMA_SCALE / spread) / 2.0
    return PowerLaw(level.size, factor, exponent, error, confidence)


def _gamma_regression(x: Array, y: Array) -> tuple[float, float]:
    """Return intercept and slope of ln E(y) on centred x by reweighted least squares, steps halved if they overshoot.

    The observed weights y/E(y) make them Newton's steps: the expected ones, all 1, may step to and fro for ever.
    """
    differing = x[y > 0.0]
    if differing.size == 0:
        raise ValueError("every pair agrees to the last digit: there is no scatter that a power law could fit")
    if not differing.min() < 0.0 < differing.max():
        raise ValueError("only pairs at one end of the levels differ at all: no power law fits them")
    design = np.stack([np.ones_like(x), x])
    beta, mean = np.array([math.log(float(y.mean())), 0.0]), np.full(x.size, float(y.mean()))
    for _ in range(_STEPS):
        weights = y / mean
        step = np.linalg.solve((design * weights) @ design.T, design @ (weights - 1.0))
        while _deviance(design, y, beta + step) > _deviance(design, y, beta) + 1e-9:
            step /= 2.0
        beta = beta + step
        mean = np.exp(beta @ design)
        if np.abs(step).max() < 1e-10:
            break
    return float(beta[0]), float(beta[1])


def _deviance(design: Array, y: Array, beta: Array) -> float:
    eta = beta @ design
    with np.errstate(over="ignore"):
        return float(np.sum(eta + y * np.exp(-eta)))
