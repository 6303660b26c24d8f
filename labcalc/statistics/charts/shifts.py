"""Has a process moved? Against a certificate, between periods, for how long, since when, how fast."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc, ndtr, stdtr, stdtrit

from labcalc.statistics.coverage import coverage_factor, effective_degrees_of_freedom, whole_degrees_of_freedom
from labcalc.statistics.series import Array, finite_series


@dataclass(frozen=True)
class BiasTest:
    """Mean against certified value: ``bias`` ± ``expanded_uncertainty``, and the t-test that goes with it."""

    number: int
    mean: float
    certified: float
    bias: float
    standard_uncertainty: float
    degrees_of_freedom: float
    t: float
    p_value: float
    expanded_uncertainty: float

    @property
    def significant(self) -> bool:
        return abs(self.bias) > self.expanded_uncertainty


def bias_test(results: ArrayLike, certified: float, certified_uncertainty: float = 0.0) -> BiasTest:
    r"""Test the mean of results against a certified value.

    .. math:: t = (\bar x - x_c) / \sqrt{s^2 / n + u_c^2}

    results : Results of the reference material, [any unit], 2 or more.
    certified : Certified value, [unit of the results].
    certified_uncertainty : Standard uncertainty of the certified value, [unit of the results], 0 or more.
    Returns : Bias with uncertainty, [unit of the results], t, its limit (two-sided, 95 %) and p-value, [-]. An interval
        of 95 % holds 94.5 % or more from six results on; with three or four and a certified value's uncertainty of
        their mean's size, 93 %.
    Source : ASTM D6299, t-test of the chart's mean against the accepted reference value (memory); degrees of freedom by
        JCGM 100:2008, equation G.2b, cut to a whole number.
    """
    series = finite_series(results, 2, "a test of bias")
    if not certified_uncertainty >= 0.0:
        raise ValueError(f"uncertainty of the certified value is {certified_uncertainty:g}: 0 or more was expected")
    of_mean = float(np.std(series, ddof=1)) / math.sqrt(series.size)
    combined = math.hypot(of_mean, certified_uncertainty)
    bias = float(np.mean(series)) - certified
    freedom = effective_degrees_of_freedom([of_mean, certified_uncertainty], [series.size - 1.0, math.inf])
    degrees = whole_degrees_of_freedom(freedom)
    t = bias / combined if combined > 0.0 else math.copysign(math.inf, bias) if bias else 0.0
    test = combined, degrees, t, 2.0 * float(stdtr(degrees, -abs(t))), coverage_factor(0.95, degrees) * combined
    return BiasTest(series.size, float(np.mean(series)), certified, bias, *test)


@dataclass(frozen=True)
class PeriodComparison:
    """Later period against earlier one; ``difference`` is later minus earlier, with its interval of 95 %.

    ``f`` is the larger variance over the smaller.
    """

    numbers: tuple[int, int]
    means: tuple[float, float]
    sigmas: tuple[float, float]
    f: float
    f_p_value: float
    difference: float
    interval: tuple[float, float]
    degrees_of_freedom: float
    t: float
    t_p_value: float

    @property
    def mean_changed(self) -> bool:
        return self.t_p_value < 0.05


def compare_periods(earlier: ArrayLike, later: ArrayLike) -> PeriodComparison:
    """Compare the results of one material over two periods.

    earlier, later : Results of both periods, [any unit], 2 or more each.
    Returns : F and t with their two-sided p-values, [-]; means and their difference, [unit of the results].
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (F) and 1.3.5.3 (t of unequal variances).
    """
    series = finite_series(earlier, 2, "a period"), finite_series(later, 2, "a period")
    numbers, degrees = (series[0].size, series[1].size), np.array([s.size - 1.0 for s in series])
    variances = np.array([np.var(s, ddof=1) for s in series])
    if not np.all(variances > 0.0):
        raise ValueError("a period whose results are all equal: a comparison needs results that differ")
    larger, f = int(np.argmax(variances)), float(variances.max() / variances.min())
    means, of_means = (float(np.mean(series[0])), float(np.mean(series[1]))), np.sqrt(variances / (degrees + 1.0))
    freedom, uncertainty = effective_degrees_of_freedom(of_means, degrees), float(np.hypot(*of_means))
    difference, reach = means[1] - means[0], float(stdtrit(freedom, 0.975)) * uncertainty
    p_spread = min(1.0, 2.0 * float(fdtrc(degrees[larger], degrees[1 - larger], f)))
    t, interval = difference / uncertainty, (difference - reach, difference + reach)
    test = difference, interval, freedom, t, 2.0 * float(stdtr(freedom, -abs(t)))
    return PeriodComparison(numbers, means, (math.sqrt(variances[0]), math.sqrt(variances[1])), f, p_spread, *test)


WINDOWS = (1, 2, 3, 5, 8, 13, 21)
"""Numbers of last results that are averaged, [-]: each some 1.6 times the one before, up to a month of working days."""


@dataclass(frozen=True, eq=False)
class SustainedShift:
    """For each result how rare the most telling mean of the last results is, over how many, and how far off it lies."""

    chance: Array  # that the mean of so many results of an unchanged process lies as far from the centre, [-]
    window: NDArray[np.int64]  # results in that mean, [-]
    mean: Array  # that mean less the centre, [unit of sigma]


def sustained_shift(
    away: ArrayLike,
    sigma: float,
    number: ArrayLike,
    degrees_of_freedom: float,
    *,
    fewest: int = 1,
    starts: ArrayLike = (),
) -> SustainedShift:
    r"""Look for a lasting shift in results that follow a baseline.

    .. math:: t_m = \bar d_m / (s \sqrt{1/m + 1/n}), \qquad m = 1, 2, 3, 5, 8, 13, 21

    away : Results less the centre in the order of measurement, those of the baseline left out, [any unit], one
        dimension.
    sigma : Standard deviation by the baseline, [unit of the results], above 0.
    number : Results that set the centre, [-]; one for all or one for each; infinite for a known one.
    degrees_of_freedom : Of sigma, [-].
    fewest : Results that a mean rests on at the least, [-].
    starts : Places of results before which nothing counts any more, such as the first after a repair, [-].
    Returns : ``chance``, [-], holds for each single mean; the smallest of seven at each result is seen oftener: a limit
        for it is set by simulation (``labcalc.judgement.control.watch``).
    Source : Student's t of two means with one sigma; looking back over several lengths is a generalised likelihood
        ratio for a step: Siegmund, D., Venkatraman, E. S.: Ann. Statist. 23 (1995) 255.
    """
    away = np.asarray(away, dtype=float)
    of_centre = 1.0 / np.broadcast_to(np.asarray(number, dtype=float), away.shape)
    place, cuts = np.arange(away.size), np.asarray([0, *np.asarray(starts, np.int64)])
    since = place - cuts[np.searchsorted(cuts, place, side="right") - 1] + 1
    total = np.concatenate([[0.0], np.cumsum(away)])
    chance, window, mean = np.ones(away.size), np.zeros(away.size, np.int64), np.zeros(away.size)
    for m in (one for one in WINDOWS if fewest <= one <= away.size):
        means = (total[m:] - total[:-m]) / m
        t = np.abs(means) / (sigma * np.sqrt(1.0 / m + of_centre[m - 1 :]))
        found = 2.0 * (ndtr(-t) if np.isinf(degrees_of_freedom) else stdtr(degrees_of_freedom, -t))
        rarer = np.flatnonzero((found < chance[m - 1 :]) & (since[m - 1 :] >= m))
        chance[rarer + m - 1], window[rarer + m - 1], mean[rarer + m - 1] = found[rarer], m, means[rarer]
    return SustainedShift(chance, window, mean)


_KNOWN = 1e9  # results, or degrees of freedom, from which on a centre or a sigma is taken as known, [-]


@dataclass(frozen=True)
class Onset:
    """Places of the first shifted result, [-], from 0: the median, and the ends of the interval."""

    place: int
    earliest: int
    latest: int


def onset_of(
    away: ArrayLike, sigma: float, number: float, degrees_of_freedom: float, *, confidence: float = 0.95
) -> Onset:
    r"""Date the beginning of a step or of a drift that lasts to the end of a series.

    .. math:: y_t = \mu + \delta f_\tau(t), \qquad f_\tau(t \ge \tau) = 1 \text{ or } (t - \tau + 1)/(n - \tau)

    away : Results less the centre in the order of measurement, [any unit], 1 or more.
    sigma : Standard deviation of a result, [unit of the results], above 0.
    number : Results that set the centre, [-]: it lies off by sigma / √number.
    degrees_of_freedom : Of sigma, [-].
    confidence : Of the interval, [-].
    Returns : Places of the beginning, [-]: median and interval; all places and both forms equally likely at first, size
        and centre integrated out.
    Source : Smith, A. F. M.: Biometrika 62 (1975) 407 (one change point, from memory); the drift is our own addition.
    """
    y = finite_series(away, 1, "a date of a shift")
    count, freedom = min(number, _KNOWN), min(degrees_of_freedom, _KNOWN)
    since = np.clip(np.arange(y.size) - np.arange(y.size)[:, np.newaxis] + 1.0, 0.0, None)
    logs = []
    for form in (np.minimum(since, 1.0), since / since[:, -1:]):
        a, b, c = y.size + count, form.sum(axis=1), (form**2).sum(axis=1)
        r, q = y.sum(), form @ y
        determinant = a * c - b * b
        rest = y @ y - (c * r * r - 2.0 * b * r * q + a * q * q) / determinant
        log_fit = np.log1p(np.maximum(rest, 0.0) / (freedom * sigma**2))
        logs.append(-(freedom + y.size - 1.0) / 2.0 * log_fit - np.log(determinant) / 2.0)
    weight = np.exp(np.array(logs) - np.max(logs)).sum(axis=0)
    ends = np.searchsorted(np.cumsum(weight) / weight.sum(), [0.5, (1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0])
    return Onset(*np.minimum(ends, y.size - 1).tolist())


@dataclass(frozen=True)
class Drift:
    """A slope with its interval."""

    slope: float  # [unit of the results a unit of time]
    interval: tuple[float, float]
    degrees_of_freedom: int
    p_value: float  # Two-sided, [-]
    means: int  # means that the line goes through, [-]


def drift_of(times: ArrayLike, results: ArrayLike, blocks: ArrayLike, levels: ArrayLike) -> Drift | None:
    r"""Fit a common slope to results of several levels, by least squares through the means of their blocks.

    Results of neighbouring days resemble each other, and a line through all of them is surer of itself than it may be;
    means of a month hardly do: their own scatter about the line gives the interval, by Student's t.

    times : When each was measured, [any unit of time].
    results : Results, [any unit].
    blocks, levels : Which block and which level each belongs to, such as its month and its lot, [-].
    Returns : The slope, [unit of the results a unit of time]; None of fewer than three degrees of freedom: means less
        levels less one.
    Source : Weighted least squares, the weights the numbers of results; NIST/SEMATECH e-Handbook, 4.4.5.2.
    """
    t, y, level = np.asarray(times, float), np.asarray(results, float), np.asarray(levels)
    pairs, place = np.unique(np.column_stack([level, np.asarray(blocks)]), axis=0, return_inverse=True)
    weight = np.bincount(place.ravel()).astype(float)
    t, y = (np.bincount(place.ravel(), one) / weight for one in (t, y))
    _, of = np.unique(pairs[:, 0], return_inverse=True)
    t, y = (one - (np.bincount(of, weight * one) / np.bincount(of, weight))[of] for one in (t, y))
    degrees, spread = len(pairs) - int(of.max()) - 2, float(np.sum(weight * t**2))
    if degrees < 3 or not spread > 0.0:
        return None
    slope = float(np.sum(weight * t * y)) / spread
    uncertainty = math.sqrt(float(np.sum(weight * (y - slope * t) ** 2)) / degrees / spread)
    reach = float(stdtrit(degrees, 0.975)) * uncertainty
    p = 2.0 * float(stdtr(degrees, -abs(slope) / uncertainty)) if uncertainty > 0.0 else float(slope == 0.0)
    return Drift(slope, (slope - reach, slope + reach), degrees, p, len(pairs))
