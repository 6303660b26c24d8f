"""What a precision found from duplicates means: limits for differences, comparison with a published one, how many."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array

_MOST_PAIRS = 10**9


@dataclass(frozen=True)
class RepeatabilityComparison:
    """A precision found against a published one: variances' ratio, both one-sided p-values, and the verdict."""

    ratio: float  # limit found over the published one
    ratio_interval: tuple[float, float]
    degrees_of_freedom: float
    published_degrees_of_freedom: float
    p_worse: float  # how often chance alone gives a scatter as large, if the published precision is met
    p_better: float
    confidence: float

    @property
    def verdict(self) -> str:
        """``worse than published``, ``better than published`` or ``as published``: a two-sided test."""
        half = (1.0 - self.confidence) / 2.0
        if self.p_worse < half:
            return "worse than published"
        return "better than published" if self.p_better < half else "as published"


def difference_limit_factor(degrees_of_freedom: ArrayLike = math.inf, confidence: float = 0.95) -> Array:
    r"""Return the factor, [-], from a standard deviation to the limit of the difference of two results.

    .. math:: f = t_{(1 + p) / 2, \nu} \sqrt 2

    Infinite degrees of freedom, 2.77, are for the statement of a method; those of s are for new pairs that a
    laboratory judges by an s of its own.

    degrees_of_freedom : Degrees of freedom of the standard deviation, [-], above 0.
    confidence : Share of differences within the limit, [-].
    Source : ISO 5725-6:1994, 4.1 (critical difference 2.8 s).
    """
    from scipy.special import ndtri, stdtrit

    degrees = np.asarray(degrees_of_freedom, dtype=float)
    upper = (1.0 + confidence) / 2.0
    known = np.where(np.isinf(degrees), 1.0, degrees)
    quantile = np.where(np.isinf(degrees), ndtri(upper), stdtrit(known, upper))
    return np.asarray(math.sqrt(2.0) * quantile)


def compare_repeatability(
    deviation: float,
    degrees_of_freedom: float,
    published_limit: float,
    *,
    published_degrees_of_freedom: float = math.inf,
    confidence: float = 0.95,
) -> RepeatabilityComparison:
    r"""Compare a repeatability found with a published one: ratio of the limits, p-values and verdict, [-].

    .. math:: \chi^2 / \nu = s^2 / \sigma_r^2, \quad \sigma_r = r / 1.96 \sqrt 2

    deviation : Repeatability standard deviation found, [any unit].
    degrees_of_freedom : Its degrees of freedom, [-].
    published_limit : Published repeatability limit r, [unit of the deviation], above 0.
    published_degrees_of_freedom : How many differences stand behind the published limit, [-]; infinite: it is taken as
        known.
    confidence : Confidence of the two-sided test and of the ratio's interval, [-].
    Raises ValueError : The published limit is not above 0.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8 (chi-square test of a variance), 1.3.5.9 (F-test).

    >>> found = compare_repeatability(0.05, 20, 0.1)
    >>> round(found.ratio, 3), found.verdict
    (1.386, 'worse than published')
    """
    from scipy.special import fdtr, fdtrc, fdtri, gammainc, gammaincc, gammaincinv

    if not 0.0 < published_limit < math.inf:
        raise ValueError(f"published repeatability {published_limit:g}: more than 0 was expected")
    variance_ratio = (deviation * float(difference_limit_factor()) / published_limit) ** 2
    nu, published_nu = degrees_of_freedom, published_degrees_of_freedom
    tail = (1.0 - confidence) / 2.0
    if math.isinf(published_nu):
        half = nu * variance_ratio / 2.0
        worse, better = float(gammaincc(nu / 2.0, half)), float(gammainc(nu / 2.0, half))
        ends = [2.0 * float(gammaincinv(nu / 2.0, p)) / nu for p in (1.0 - tail, tail)]
    else:
        worse, better = (float(f(nu, published_nu, variance_ratio)) for f in (fdtrc, fdtr))
        ends = [float(fdtri(nu, published_nu, p)) for p in (1.0 - tail, tail)]
    low, high = (math.sqrt(variance_ratio / end) for end in ends)
    return RepeatabilityComparison(math.sqrt(variance_ratio), (low, high), nu, published_nu, worse, better, confidence)


def pairs_needed(half_width: ArrayLike) -> NDArray[np.int64]:
    r"""Return how many pairs, [-], give a standard deviation as well as wanted, by its interval of 95 %.

    The upper end of the interval is the farther one:

    .. math:: \sqrt{n / \chi^2_{n, \alpha / 2}} - 1 \le w

    half_width : Largest relative distance w of the upper end from s, [-], such as 0.25; 0.0001 or more.
    Raises ValueError : A width is below 0.0001 or not finite.
    Source : Chi-square distribution of the variance, solved for n.

    >>> pairs_needed([0.5, 0.25, 0.1])
    array([ 17,  48, 233])
    """
    from scipy.special import chdtri

    width = np.asarray(half_width, dtype=float)
    if not np.all((width >= 1e-4) & np.isfinite(width)):
        raise ValueError(f"half width {width.min(initial=math.inf):g}: 0.0001 or more was expected")
    low, high = np.zeros(width.shape), np.full(width.shape, float(_MOST_PAIRS))
    while np.any(high - low > 1.0):  # the width falls with n: between low (too few) and high (enough)
        middle = np.floor((low + high) / 2.0)
        enough = np.sqrt(middle / chdtri(np.maximum(middle, 1.0), 0.975)) - 1.0 <= width
        enough &= middle > 0.0
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(high, dtype=np.int64)


def holm_adjusted(p_values: ArrayLike) -> Array:
    """Return p-values, [-], adjusted for being several: chance alone gives one below 0.05 once in twenty times.

    p_values : p-values of tests that are read together, [-].
    Source : S. Holm, Scandinavian Journal of Statistics 6 (1979) 65.

    >>> holm_adjusted([0.01, 0.04, 0.03])
    array([0.03, 0.06, 0.06])
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted
