"""Is a baseline fit to set limits? Normality, resolution, dependence of neighbours."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import finite_series


@dataclass(frozen=True)
class NormalityFactor:
    """Small-sample factor 1 + a/n + b/n² of the Anderson-Darling statistic, with the limits that belong to it."""

    name: str
    first: float
    second: float
    critical_5_percent: float
    critical_1_percent: float

    def at(self, number: int) -> float:
        """Return the factor for a number of results.

        number : Number of results n, [-].
        Returns : Factor, [-].
        """
        return 1.0 + self.first / number + self.second / number**2


ANDERSON_DARLING_FACTORS: Mapping[str, NormalityFactor] = MappingProxyType(
    {
        f.name: f
        for f in (
            NormalityFactor("D'Agostino & Stephens 1986", 0.75, 2.25, 0.752, 1.035),
            NormalityFactor("Stephens 1974", 4.0, -25.0, 0.787, 1.092),
        )
    }
)
"""Both factors that circulate (memory): the first in petroleum testing, the second in older handbooks."""


@dataclass(frozen=True)
class NormalityTest:
    """Anderson-Darling test; ``p_value`` is NaN where sigma was given, for which its formula does not hold."""

    number: int
    statistic: float
    adjusted: float
    factor: NormalityFactor
    p_value: float

    @property
    def departs(self) -> bool:
        """The adjusted statistic is above the factor's own limit of 5 %."""
        return self.adjusted > self.factor.critical_5_percent


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
    lag_1: float
    von_neumann: float
    lower_limit: float
    p_value: float

    @property
    def dependent(self) -> bool:
        """Neighbours lie closer together than chance allows: drift, steps, lots."""
        return self.von_neumann < self.lower_limit


def anderson_darling(
    results: ArrayLike,
    *,
    sigma: float | None = None,
    factor: Literal["D'Agostino & Stephens 1986", "Stephens 1974"] = "D'Agostino & Stephens 1986",
) -> NormalityTest:
    r"""Test whether results are normal.

    .. math:: A^2 = -n - \frac{1}{n} \sum_i (2i - 1) [\ln F(z_i) + \ln(1 - F(z_{n+1-i}))]

    results : Results, [any unit], 5 or more.
    sigma : Another estimate of the spread, such as that of the moving range, [unit of the results]; none: the standard
        deviation. Only with the latter do the limits hold: with the moving range they reject good results in one case
        of nine.
    factor : Which small-sample factor gives A2*, [-].
    Returns : A2, A2* and its p-value, [-].
    Raises ValueError : Fewer than five results, one that is not finite, no spread, or a factor of another name.
    Source : D'Agostino, R. B., Stephens, M. A.: Goodness-of-Fit Techniques, 1986, table 4.7 and its p-values (memory).
    Source : Stephens, M. A.: J. Am. Stat. Assoc. 69 (1974) 730 (memory).

    >>> test = anderson_darling([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(test.adjusted, 3), test.departs
    (0.335, False)
    """
    from scipy.special import log_ndtr

    if factor not in ANDERSON_DARLING_FACTORS:
        raise ValueError(f"factor {factor!r}: one of {', '.join(ANDERSON_DARLING_FACTORS)} was expected")
    series = np.sort(finite_series(results, 5, "a test of normality"))
    spread = float(np.std(series, ddof=1)) if sigma is None else sigma
    _refuse_equal(series, spread)
    z, n = (series - np.mean(series)) / spread, series.size
    weights = 2.0 * np.arange(1, n + 1) - 1.0
    statistic = -n - float(np.sum(weights * (log_ndtr(z) + log_ndtr(-z[::-1])))) / n
    used, published = ANDERSON_DARLING_FACTORS[factor], ANDERSON_DARLING_FACTORS["D'Agostino & Stephens 1986"]
    p_value = _p_value(statistic * published.at(n)) if sigma is None else math.nan
    return NormalityTest(n, statistic, statistic * used.at(n), used, p_value)


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


def resolution(results: ArrayLike, *, step: float | None = None, highest_ratio: float = 0.3) -> Resolution:
    """Compare the rounding of results with their spread.

    results : Results, [any unit], 2 or more.
    step : Rounding step, [unit of the results]; none: read from the results.
    highest_ratio : Step over standard deviation above which the results are too coarse, [-]; at 0.5 the test of
        normality rejects every fifth good baseline of 20 results, at 1 nine of ten.
    Returns : Step, standard deviation, [unit of the results], and their ratio, [-]; infinite where all results are
        equal.
    Raises ValueError : Fewer than two results, or one that is not finite.

    >>> resolution([10.1, 10.2, 10.1, 10.3, 10.0]).coarse
    True
    """
    series = finite_series(results, 2, "a check of the resolution")
    used = rounding_step(series) if step is None else step
    spread = float(np.std(series, ddof=1))
    ratio = used / spread if spread > 0.0 else math.inf
    return Resolution(used, spread, ratio, ratio > highest_ratio)


_LARGEST_WHOLE = 2.0**53
"""Beyond it a double can't hold every whole number."""


def rounding_step(results: ArrayLike, digits: int = 9) -> float:
    """Return the largest step of which all differences between results are multiples.

    results : Results, [any unit].
    digits : Decimals beyond which nothing is a digit of the result, [-].
    Returns : Step, [unit of the results]; NaN where all results are equal.
    Raises ValueError : A result is not finite.

    >>> rounding_step([10.05, 10.10, 10.25])
    0.05
    """
    series = finite_series(results, 1, "a rounding step")
    for decimals in range(digits + 1):
        units = series * 10.0**decimals
        whole_enough = np.all(np.abs(units - np.round(units)) <= 1e-6 + 4e-16 * np.abs(units))
        if whole_enough or np.max(np.abs(units)) > _LARGEST_WHOLE / 10.0:
            break
    whole = np.round(units - np.round(units[0])).astype(np.int64)
    step = int(np.gcd.reduce(whole))
    return step / 10.0**decimals if step else math.nan


def serial_dependence(results: ArrayLike, *, confidence: float = 0.95) -> SerialDependence:
    """Test whether neighbouring results are alike.

    results : Results in the order of measurement, [any unit], 8 or more.
    confidence : Confidence of the one-sided limit of the ratio, [-].
    Returns : Autocorrelation of lag 1, von Neumann ratio (2 for independent results), its lower limit and p-value, [-].
    Raises ValueError : Fewer than eight results, one that is not finite, or no spread.
    Source : von Neumann, J.: Ann. Math. Stat. 12 (1941) 367; its distribution here by a beta of the exact variance 4 (n
        − 2)/(n² − 1), limits within 0.005 of simulated ones from n = 8.

    >>> found = serial_dependence([10.0, 10.1, 10.2, 10.2, 10.4, 10.5, 10.5, 10.7])
    >>> found.dependent, round(found.von_neumann, 2)
    (True, 0.28)
    """
    from scipy.special import betainc, betaincinv

    series = finite_series(results, 8, "a test of neighbours")
    _refuse_equal(series, float(np.std(series, ddof=1)))
    deviations = series - np.mean(series)
    squares = float(np.sum(deviations**2))
    lag_1 = float(np.sum(deviations[1:] * deviations[:-1])) / squares
    ratio = float(np.sum(np.diff(series) ** 2)) / squares
    n = series.size
    shape = ((n**2 - 1.0) / (n - 2.0) - 1.0) / 2.0
    return SerialDependence(
        n,
        lag_1,
        ratio,
        4.0 * float(betaincinv(shape, shape, 1.0 - confidence)),
        float(betainc(shape, shape, ratio / 4.0)),
    )


def _refuse_equal(series: NDArray[np.float64], spread: float) -> None:
    if not spread > 0.0 or np.ptp(series) == 0.0:
        raise ValueError(f"{series.size} results that are all {series[0]:g}: a test needs results that differ")
