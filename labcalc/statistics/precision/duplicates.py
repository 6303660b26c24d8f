"""Precision from duplicates, what it means for differences, and limits of agreement. No loop over pairs."""

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, chdtrc, chdtri, fdtrc, fdtri, nctdtrinc, nctdtrit, ndtr, ndtri, stdtr, stdtrit

from labcalc.statistics.coverage import coverage_factor
from labcalc.statistics.precision.within_laboratory import spread_interval
from labcalc.statistics.series import Array, finite_series

_MOST_PAIRS = 10**9
DIFFERENCE_LIMIT_FACTOR = math.sqrt(2.0) * float(ndtri(0.975))
"""From a standard deviation that is taken as known to the limit of the difference of two results, 1.96 √2, 95 %."""


@dataclass(frozen=True)
class RepeatabilityComparison:
    """A precision found against a published one."""

    ratio: float  # limit found over the published one
    ratio_interval: tuple[float, float]
    p_worse: float  # how often chance alone gives a scatter as large, if the published precision is met


def compare_repeatability(
    deviation: float,
    degrees_of_freedom: float,
    published_limit: float,
    *,
    published_degrees_of_freedom: float = math.inf,
) -> RepeatabilityComparison:
    r"""Compare a repeatability found with a published one: ratio of the limits with its interval of 95 %, and p, [-].

    .. math:: \chi^2 / \nu = s^2 / \sigma_r^2, \quad \sigma_r = r / 1.96 \sqrt 2

    deviation : Repeatability standard deviation found, [any unit].
    degrees_of_freedom : Its degrees of freedom, [-].
    published_limit : Published repeatability limit r, [unit of the deviation], above 0.
    published_degrees_of_freedom : How many differences stand behind the published limit, [-]; infinite: it is taken as
        known.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8 (chi-square test of a variance), 1.3.5.9 (F-test).
    """
    if not 0.0 < published_limit < math.inf:
        raise ValueError(f"published repeatability {published_limit:g}: more than 0 was expected")
    nu, published_nu = degrees_of_freedom, published_degrees_of_freedom
    variance_ratio = (deviation * DIFFERENCE_LIMIT_FACTOR / published_limit) ** 2
    if math.isinf(published_nu):
        worse, ends = chdtrc(nu, nu * variance_ratio), (chdtri(nu, tail) / nu for tail in (0.025, 0.975))
    else:
        worse, ends = fdtrc(nu, published_nu, variance_ratio), (fdtri(nu, published_nu, p) for p in (0.975, 0.025))
    low, high = (math.sqrt(variance_ratio / end) for end in ends)
    return RepeatabilityComparison(math.sqrt(variance_ratio), (low, high), float(worse))


def pairs_needed(half_width: ArrayLike) -> NDArray[np.int64]:
    r"""Return how many pairs, [-], give a standard deviation as well as wanted, by its interval of 95 %.

    The upper end of the interval is the farther one:

    .. math:: \sqrt{n / \chi^2_{n, \alpha / 2}} - 1 \le w

    half_width : Largest relative distance w of the upper end from s, [-], such as 0.25; 0.0001 or more.
    Source : Chi-square distribution of the variance, solved for n.
    """
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
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


@dataclass(frozen=True)
class DuplicatePrecision:
    """Standard deviation of single results from repeats of samples, with its interval of 95 %."""

    number: int  # samples with repeats: pairs, or larger sets
    deviation: float
    degrees_of_freedom: float
    interval: tuple[float, float]

    @property
    def limit(self) -> float:
        """r = 1.96 √2 s, [unit of the deviation]: for a statement, as if s were known."""
        return self.deviation * DIFFERENCE_LIMIT_FACTOR

    @property
    def limit_interval(self) -> tuple[float, float]:
        return self.interval[0] * DIFFERENCE_LIMIT_FACTOR, self.interval[1] * DIFFERENCE_LIMIT_FACTOR


def pooled_precision(results: ArrayLike, sets: ArrayLike) -> DuplicatePrecision:
    r"""Return the repeatability standard deviation, [unit of the results], from sets of two, three and more repeats.

    .. math:: s_r = \sqrt{\sum (n_i - 1) s_i^2 / \sum (n_i - 1)}

    results : All results, [any unit].
    sets : The set that each belongs to, [-]; a set of one result adds nothing.
    Source : ISO 5725-2:2019, 7.4 (pooled repeatability variance).
    """
    series = finite_series(results, 2, "a pooled precision")
    if np.shape(sets) != series.shape:
        raise ValueError(f"{series.size} results and {np.size(sets)} names of sets: one for each was expected")
    _, number = np.unique(np.asarray(sets), return_inverse=True)
    sizes = np.bincount(number)
    degrees = int(series.size - sizes.size)
    if degrees == 0:
        raise ValueError(f"{series.size} results in {sizes.size} sets: no set has two, and a precision needs one")
    shifted = series - series[np.unique(number, return_index=True)[1]][number]  # large results keep their digits
    residuals = shifted - (np.bincount(number, weights=shifted) / sizes)[number]
    deviation = math.sqrt(float(residuals @ residuals) / degrees)
    return DuplicatePrecision(int((sizes > 1).sum()), deviation, degrees, spread_interval(deviation, degrees))


@dataclass(frozen=True)
class OrderEffect:
    """Mean of first minus second with its interval of 95 %, and the paired t-test."""

    number: int
    mean: float
    interval: tuple[float, float]
    t: float
    p_value: float


def order_effect(differences: ArrayLike) -> OrderEffect:
    r"""Test whether first and second results, [unit of the results], differ on the whole: warm-up, or residue.

    .. math:: t = \bar d \sqrt n / s_d

    differences : First minus second result of each pair, [any unit], two pairs or more.
    Source : Student (1908), paired t-test; NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1.1.
    """
    series = finite_series(differences, 2, "a test of the order")
    mean, degrees = float(np.mean(series)), series.size - 1
    error = float(np.std(series, ddof=1)) / math.sqrt(series.size)
    t = mean / error if error > 0.0 else math.copysign(math.inf, mean) if mean else 0.0
    reach = coverage_factor(0.95, degrees) * error
    return OrderEffect(series.size, mean, (mean - reach, mean + reach), t, 2.0 * float(stdtr(degrees, -abs(t))))


Reach: TypeAlias = tuple[float, float, float]  # a value and the ends of its 95 % interval
_TAIL = 0.025


@dataclass(frozen=True)
class AgreementLimits:
    """Mean difference, and the limits between which 95 % of differences lie, each with its interval."""

    differences: Array
    mean: Reach
    lower: Reach
    upper: Reach

    def share_beyond(self, allowed: float) -> Reach:
        """Return the share of normal differences beyond ±allowed, [-]: its estimate, lowest and highest.

        The ends are exact for one side (noncentral t); both sides together are at least as sure as stated.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        number, mean = self.differences.size, self.mean[0]
        beyond = np.array([allowed - mean, allowed + mean]) / np.std(self.differences, ddof=1)
        root = math.sqrt(number)
        most, least = (nctdtrinc(number - 1, p, root * beyond) / root for p in (1.0 - _TAIL, _TAIL))
        return float(ndtr(-beyond).sum()), float(ndtr(-least).max()), min(1.0, float(ndtr(-most).sum()))

    def counted_beyond(self, allowed: float) -> Reach:
        """Return the share as counted, [-], with its interval (Clopper and Pearson): whatever the distribution is.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        number = self.differences.size
        beyond = int(np.sum(np.abs(self.differences) > allowed * (1.0 + 1e-9)))  # 850.2 - 850.0 is not beyond 0.2
        low = float(betaincinv(beyond, number - beyond + 1, _TAIL)) if beyond else 0.0
        high = float(betaincinv(beyond + 1, number - beyond, 1.0 - _TAIL)) if beyond < number else 1.0
        return beyond / number, low, high


def agreement_limits(differences: ArrayLike) -> AgreementLimits:
    r"""Return the limits of agreement, [unit of the results], of pairs of results.

    .. math:: \bar d \pm 1.96 \, s_d

    Their intervals are exact for normal differences whose spread is the same at every level (noncentral t).

    differences : Second minus first result of each pair, [any unit], three pairs or more, not all equal.
    Source : J. M. Bland and D. G. Altman, Lancet 327 (1986) 307; A. Carkeet, Optometry and Vision Science 92 (2015) e71
        (exact intervals; memory).
    """
    series = finite_series(differences, 3, "limits of agreement")
    number, mean, deviation = series.size, float(np.mean(series)), float(np.std(series, ddof=1))
    if np.ptp(series) == 0.0:
        raise ValueError(f"{number} differences that are all {mean:g}: differences that vary were expected")
    z, error = float(ndtri(1.0 - _TAIL)), deviation / math.sqrt(number)
    reach = float(stdtrit(number - 1, 1.0 - _TAIL)) * error
    near, far = (float(nctdtrit(number - 1, z * math.sqrt(number), p)) * error for p in (_TAIL, 1.0 - _TAIL))
    lower, upper = mean - z * deviation, mean + z * deviation
    ends = (lower, mean - far, mean - near), (upper, mean + near, mean + far)
    return AgreementLimits(series, (mean, mean - reach, mean + reach), *ends)
