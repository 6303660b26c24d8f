"""How far results of one laboratory may lie apart: repeats of a sample, and one material over a long time."""

import math
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtri

from labcalc.statistics.series import finite_series

CRITICAL_RANGE_FACTORS = MappingProxyType(
    {2: 2.772, 3: 3.314, 4: 3.633, 5: 3.858, 6: 4.030, 7: 4.170, 8: 4.286, 9: 4.387, 10: 4.474}
)
"""Quantiles of 95 % of the range of n normal results over their standard deviation."""

_DUST = 1e-14  # what binary arithmetic adds to a difference, relative to the results: 10.3 - 10.2 is a little above 0.1


@dataclass(frozen=True)
class RepeatDecision:
    """What repeats of one sample give: ``value`` by ``rule``, or NaN while ``more`` are still to be measured."""

    value: float
    rule: str
    more: int
    range: float
    limit: float


def critical_range(repeatability: float, results: int) -> float:
    """Return the range, [unit of the result], that n repeats exceed in one case of twenty.

    repeatability : Repeatability limit r of the method for two results, [unit of the result].
    results : Number of results n, [-], 2 to 10.
    Source : ISO 5725-6:1994, 4.1.4 and table 1 (critical range factors), here to three decimals.

    >>> round(critical_range(0.1, 2), 4), round(critical_range(0.1, 3), 4)
    (0.1, 0.1196)
    """
    if results not in CRITICAL_RANGE_FACTORS:
        raise ValueError(f"{results} results: a critical range is given for 2 to 10")
    return repeatability * CRITICAL_RANGE_FACTORS[results] / CRITICAL_RANGE_FACTORS[2]


def family_repeatability(repeatability: float, comparisons: int, *, probability: float = 0.97) -> float:
    """Return the repeatability limit, [unit of the result], that all comparisons of a run keep together; r or more.

    One good pair in twenty exceeds r, so one of four pairs does in nearly one good run of five.

    repeatability : Repeatability limit r of the method for two results, 95 %, [unit of the result].
    comparisons : How many quantities and temperatures are compared, [-], 1 or more.
    probability : That none of them exceeds its limit by chance, [-]; 0.97 is our own choice.
    """
    each = (1.0 - probability) / comparisons
    return repeatability * max(float(-ndtri(each / 2.0) / -ndtri(0.025)), 1.0)


def lie_within(results: ArrayLike, limit: float) -> bool:
    """Tell whether the range of some results is at most a limit; a range that equals it in decimals is within.

    results : Finite results, [any unit].
    limit : Largest range allowed, [unit of the results].
    """
    series = np.asarray(results, dtype=float)
    return bool(np.ptp(series) <= limit + _DUST * float(np.max(np.abs(series))))


def acceptable_result(results: ArrayLike, repeatability: float) -> RepeatDecision:
    """Return the result to report from two, three or four repeats, or how many more to measure.

    Two results within r give their mean. Otherwise two more are measured. The mean of all holds while their range is
    within the critical range of their number, otherwise their median.

    results : All repeats so far, in the order of measurement, [any unit], 2 to 4.
    repeatability : Repeatability limit r of the method for two results, [unit of the results], above 0.
    Returns : Value, range and critical range, [unit of the results], the rule, and the number still to be measured,
        [-].
    Source : ISO 5725-6:1994, 5.2 (memory; the median of three is seen in a public copy).
    """
    series = finite_series(results, 2, "an acceptable result")
    if series.size > 4:
        raise ValueError(f"{series.size} results: 2 to 4 were expected")
    if not 0.0 < repeatability < np.inf:
        raise ValueError(f"repeatability {repeatability:g}: more than 0 was expected")
    limit, spread = critical_range(repeatability, series.size), float(np.ptp(series))
    if lie_within(series, limit):
        return RepeatDecision(float(np.mean(series)), "mean", 0, spread, limit)
    if series.size < 4:
        return RepeatDecision(float("nan"), "measure more", 4 - series.size, spread, limit)
    return RepeatDecision(float(np.median(series)), "median", 0, spread, limit)


_LIMIT_FACTOR = 2.77  # 1.96 √2 as the trade rounds it: limit of the difference of two results over their deviation


@dataclass(frozen=True)
class SitePrecision:
    """Site precision limit R' = 2.77 s with its interval of 95 %, from results in control over a long time."""

    sigma: float
    degrees_of_freedom: float
    limit: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class PerformanceThresholds:
    """Where an index is satisfactory and below what it isn't consistent with the published precision.

    The first pair holds where published R over r is below ``ratio_split``, the second where it is not.
    """

    ratio_split: float
    satisfactory: tuple[float, float]
    inconsistent: tuple[float, float]
    source: str


PERFORMANCE_THRESHOLDS = PerformanceThresholds(
    4.0, (1.2, 2.4), (0.8, 1.6), "ASTM D6792 [memory]: to be confirmed against the laboratory's own copy"
)


@dataclass(frozen=True)
class PerformanceIndex:
    """Published reproducibility over site precision, with its interval and the verdict by the thresholds given."""

    index: float
    interval: tuple[float, float]
    verdict: str
    thresholds: PerformanceThresholds


def site_precision(results: ArrayLike) -> SitePrecision:
    """Return the site precision, [unit of the results], from the results of one material in control.

    results : Results in control, one material, over a long time, [any unit], 2 or more.
    Source : ASTM D6299, site precision (memory): 2.77 times the standard deviation.
    """
    series = finite_series(results, 2, "a site precision")
    sigma, degrees = float(np.std(series, ddof=1)), series.size - 1
    low, high = spread_interval(sigma, degrees)
    return SitePrecision(sigma, degrees, _LIMIT_FACTOR * sigma, (_LIMIT_FACTOR * low, _LIMIT_FACTOR * high))


def spread_interval(sigma: float, degrees_of_freedom: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return the confidence interval, [unit of sigma], of a standard deviation of normal results.

    sigma : Standard deviation, [any unit].
    degrees_of_freedom : Its degrees of freedom, [-], 1 or more.
    confidence : Confidence, [-].
    Source : Chi-square distribution of the variance; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8.
    """
    tail = (1.0 - confidence) / 2.0
    low, high = (math.sqrt(degrees_of_freedom / float(chdtri(degrees_of_freedom, p))) for p in (tail, 1.0 - tail))
    return sigma * low, sigma * high


def performance_index(
    published_reproducibility: float,
    published_repeatability: float,
    site: SitePrecision,
    thresholds: PerformanceThresholds = PERFORMANCE_THRESHOLDS,
) -> PerformanceIndex:
    """Compare a method's published reproducibility with the laboratory's site precision, [-]; infinite where that is 0.

    published_reproducibility : Published limit R at this level, [unit of the results], above 0.
    published_repeatability : Published limit r at this level, [unit of the results], above 0.
    site : Site precision, [unit of the results].
    thresholds : Where the verdict changes, [-].
    Source : ASTM D6792, test performance index (memory).
    """
    if not min(published_reproducibility, published_repeatability) > 0.0:
        published = f"published r {published_repeatability:g} and R {published_reproducibility:g}"
        raise ValueError(f"{published}: more than 0 was expected")
    limits = site.limit, site.interval[1], site.interval[0]
    index, low, high = (published_reproducibility / limit if limit > 0.0 else math.inf for limit in limits)
    column = int(published_reproducibility / published_repeatability >= thresholds.ratio_split)
    if index > thresholds.satisfactory[column]:
        verdict = "satisfactory"
    elif index >= thresholds.inconsistent[column]:
        verdict = "marginal"
    else:
        verdict = "not consistent with the published precision"
    return PerformanceIndex(index, (low, high), verdict, thresholds)
