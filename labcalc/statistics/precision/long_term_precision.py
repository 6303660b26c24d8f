"""Site precision of a laboratory with its interval, and how it compares with the published precision."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import finite_series

_LIMIT_FACTOR = 2.77
"""1.96 √2 as the trade rounds it: the limit of the difference of two results over their standard deviation."""


@dataclass(frozen=True)
class SitePrecision:
    """Site precision limit R' = 2.77 s with its interval, from results in control on one material over a long time."""

    sigma: float
    degrees_of_freedom: float
    limit: float
    interval: tuple[float, float]
    confidence: float


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


def site_precision(results: ArrayLike, *, confidence: float = 0.95) -> SitePrecision:
    """Return the site precision, [unit of the results], from the results of one material in control.

    results : Results in control, one material, over a long time, [any unit], 2 or more.
    confidence : Confidence of the interval, [-].
    Raises ValueError : Fewer than two results, or one that is not finite.
    Source : ASTM D6299, site precision (memory): 2.77 times the standard deviation.
    """
    series = finite_series(results, 2, "a site precision")
    sigma, degrees = float(np.std(series, ddof=1)), series.size - 1
    low, high = spread_interval(sigma, degrees, confidence)
    return SitePrecision(sigma, degrees, _LIMIT_FACTOR * sigma, (_LIMIT_FACTOR * low, _LIMIT_FACTOR * high), confidence)


def spread_interval(sigma: float, degrees_of_freedom: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return the confidence interval, [unit of sigma], of a standard deviation of normal results.

    sigma : Standard deviation, [any unit].
    degrees_of_freedom : Its degrees of freedom, [-], 1 or more.
    confidence : Confidence, [-].
    Source : Chi-square distribution of the variance; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8.
    """
    from scipy.special import chdtri

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
    Raises ValueError : A published limit is not above 0.
    Source : ASTM D6792, test performance index (memory).

    >>> site = site_precision([10.1, 10.2, 10.0, 10.1, 10.3, 9.9])
    >>> found = performance_index(0.5, 0.2, site)
    >>> round(found.index, 2), found.verdict
    (1.28, 'satisfactory')
    """
    if not min(published_reproducibility, published_repeatability) > 0.0:
        raise ValueError(
            f"published r {published_repeatability:g} and R {published_reproducibility:g}: more than 0 was expected"
        )
    index, low, high = (
        published_reproducibility / limit if limit > 0.0 else math.inf
        for limit in (site.limit, site.interval[1], site.interval[0])
    )
    column = int(published_reproducibility / published_repeatability >= thresholds.ratio_split)
    if index > thresholds.satisfactory[column]:
        verdict = "satisfactory"
    elif index >= thresholds.inconsistent[column]:
        verdict = "marginal"
    else:
        verdict = "not consistent with the published precision"
    return PerformanceIndex(index, (low, high), verdict, thresholds)
