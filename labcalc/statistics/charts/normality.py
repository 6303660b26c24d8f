"""Is a baseline fit to set limits? Normality, resolution, dependence of neighbours."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv, log_ndtr

from labcalc.statistics.series import Array, finite_series

_FIRST, _SECOND, NORMALITY_LIMIT = 0.75, 2.25, 0.752
"""Small-sample factor 1 + first/n + second/n² of the Anderson-Darling statistic, and its limit of 5 %: D'Agostino and
Stephens 1986 (memory), that of petroleum testing."""


@dataclass(frozen=True)
class NormalityTest:
    """Anderson-Darling test."""

    number: int
    statistic: float
    adjusted: float
    p_value: float

    @property
    def departs(self) -> bool:
        """The adjusted statistic is above its limit of 5 %."""
        return self.adjusted > NORMALITY_LIMIT


@dataclass(frozen=True)
class Resolution:
    """Rounding step of the results against their spread; too coarse, and tests of normality reject good results."""

    step: float
    sigma: float
    ratio: float
    coarse: bool


@dataclass(frozen=True)
class SerialDependence:
    """Do neighbours resemble each other? ``p_value`` is that of so small a ratio among independent results."""

    number: int
    von_neumann: float
    lower_limit: float
    p_value: float

    @property
    def dependent(self) -> bool:
        """Neighbours lie closer together than chance allows: drift, steps, lots."""
        return self.von_neumann < self.lower_limit


def anderson_darling(results: ArrayLike) -> NormalityTest:
    r"""Test whether results are normal: A2, A2* and its p-value, [-].

    .. math:: A^2 = -n - \frac{1}{n} \sum_i (2i - 1) [\ln F(z_i) + \ln(1 - F(z_{n+1-i}))]

    results : Results, [any unit], 5 or more.
    Source : D'Agostino, R. B., Stephens, M. A.: Goodness-of-Fit Techniques, 1986, table 4.7 and its p-values (memory).
    """
    series = np.sort(finite_series(results, 5, "a test of normality"))
    spread = float(np.std(series, ddof=1))
    _refuse_equal(series, spread)
    z, n = (series - np.mean(series)) / spread, series.size
    weights = 2.0 * np.arange(1, n + 1) - 1.0
    statistic = -n - float(np.sum(weights * (log_ndtr(z) + log_ndtr(-z[::-1])))) / n
    adjusted = statistic * (1.0 + _FIRST / n + _SECOND / n**2)
    return NormalityTest(n, statistic, adjusted, _p_value(adjusted))


def _p_value(adjusted: float) -> float:
    """D'Agostino and Stephens 1986, table 4.9 (memory)."""
    if adjusted >= 0.6:
        # The parabola turns up far beyond its range: from 10 on (p below 1e-23) its value at 10 stands.
        far = min(adjusted, 10.0)
        return math.exp(1.2937 - 5.709 * far + 0.0186 * far**2)
    if adjusted >= 0.34:
        return math.exp(0.9177 - 4.279 * adjusted - 1.38 * adjusted**2)
    if adjusted >= 0.2:
        return 1.0 - math.exp(-8.318 + 42.796 * adjusted - 59.938 * adjusted**2)
    return 1.0 - math.exp(-13.436 + 101.14 * adjusted - 223.73 * adjusted**2)


_HIGHEST_RATIO = 0.3
"""Rounding step over standard deviation above which results are too coarse, [-]; at 0.5 the test of normality rejects
every fifth good baseline of 20 results, at 1 nine of ten."""


def resolution(results: ArrayLike) -> Resolution:
    """Compare the rounding of results with their spread.

    results : Results, [any unit], 2 or more.
    Returns : Step, standard deviation, [unit of the results], and their ratio, [-]; infinite where all results are
        equal.
    """
    series = finite_series(results, 2, "a check of the resolution")
    step = rounding_step(series)
    spread = float(np.std(series, ddof=1))
    ratio = step / spread if spread > 0.0 else math.inf
    return Resolution(step, spread, ratio, ratio > _HIGHEST_RATIO)


_LARGEST_WHOLE = 2.0**53  # beyond it a double can't hold every whole number
_MOST_DECIMALS = 9  # beyond them nothing is a digit of a result


def rounding_step(results: ArrayLike) -> float:
    """Return the largest step, [unit of the results], of which all differences are multiples; NaN if all are equal.

    results : Results, [any unit].
    """
    series = finite_series(results, 1, "a rounding step")
    for decimals in range(_MOST_DECIMALS + 1):
        units = series * 10.0**decimals
        whole_enough = np.all(np.abs(units - np.round(units)) <= 1e-6 + 4e-16 * np.abs(units))
        if whole_enough or np.max(np.abs(units)) > _LARGEST_WHOLE / 10.0:
            break
    whole = np.round(units - np.round(units[0])).astype(np.int64)
    step = int(np.gcd.reduce(whole))
    return step / 10.0**decimals if step else math.nan


def serial_dependence(results: ArrayLike) -> SerialDependence:
    """Test whether neighbouring results are alike.

    results : Results in the order of measurement, [any unit], 8 or more.
    Returns : Von Neumann ratio (2 for independent results), its lower limit (one-sided, 95 %) and p-value, [-].
    Source : von Neumann, J.: Ann. Math. Stat. 12 (1941) 367; its distribution here by a beta of the exact variance 4 (n
        − 2)/(n² − 1), limits within 0.005 of simulated ones from n = 8.
    """
    series = finite_series(results, 8, "a test of neighbours")
    _refuse_equal(series, float(np.std(series, ddof=1)))
    deviations = series - np.mean(series)
    squares = float(np.sum(deviations**2))
    ratio = float(np.sum(np.diff(series) ** 2)) / squares
    n = series.size
    shape = ((n**2 - 1.0) / (n - 2.0) - 1.0) / 2.0
    limit = 4.0 * float(betaincinv(shape, shape, 0.05))
    return SerialDependence(n, ratio, limit, float(betainc(shape, shape, ratio / 4.0)))


def _refuse_equal(series: Array, spread: float) -> None:
    if not spread > 0.0 or np.ptp(series) == 0.0:
        raise ValueError(f"{series.size} results that are all {series[0]:g}: a test needs results that differ")
