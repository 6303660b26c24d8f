"""Has anything changed from one period to the next? Spread by the F-test, mean by the t-test."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import effective_degrees_of_freedom
from labcalc.statistics.series import finite_series


@dataclass(frozen=True)
class PeriodComparison:
    """Later period against earlier one; ``difference`` is later minus earlier, with its confidence interval.

    ``f`` is the larger variance over the smaller; ``t_test`` says whether the variances were pooled (F not
    significant) or kept apart (Welch).
    """

    numbers: tuple[int, int]
    means: tuple[float, float]
    sigmas: tuple[float, float]
    f: float
    critical_f: float
    f_p_value: float
    t_test: Literal["pooled", "Welch"]
    difference: float
    interval: tuple[float, float]
    degrees_of_freedom: float
    t: float
    critical_t: float
    t_p_value: float

    @property
    def spread_changed(self) -> bool:
        """The variances differ by more than chance allows."""
        return self.f > self.critical_f

    @property
    def mean_changed(self) -> bool:
        """The means differ by more than chance allows."""
        return abs(self.t) > self.critical_t


def compare_periods(
    earlier: ArrayLike, later: ArrayLike, *, confidence: float = 0.95, may_pool: bool = True
) -> PeriodComparison:
    """Compare the results of one material over two periods.

    earlier : Results of the earlier period, [any unit], 2 or more.
    later : Results of the later period, [unit of the earlier], 2 or more.
    confidence : Confidence of both two-sided tests, [-].
    may_pool : Pool the variances where F finds no difference; otherwise Welch's t in any case.
    Returns : F and t with limits and p-values, [-]; means and their difference, [unit of the results].
    Raises ValueError : A period has fewer than two results, a result is not finite, or a period has no spread.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (F) and 1.3.5.3 (t, pooled and Welch).

    >>> found = compare_periods([10.1, 10.2, 10.0, 10.1], [10.4, 10.5, 10.4, 10.6])
    >>> found.spread_changed, found.mean_changed, round(found.difference, 3)
    (False, True, 0.375)
    """
    from scipy.special import fdtrc, fdtri, stdtr, stdtrit

    series = finite_series(earlier, 2, "a period"), finite_series(later, 2, "a period")
    degrees = np.array([s.size - 1 for s in series])
    variances = np.array([np.var(s, ddof=1) for s in series])
    if not np.all(variances > 0.0):
        raise ValueError("a period whose results are all equal: a comparison needs results that differ")
    larger = int(np.argmax(variances))
    f, over, under = float(variances.max() / variances.min()), degrees[larger], degrees[1 - larger]
    critical_f = float(fdtri(over, under, 0.5 + confidence / 2.0))
    pooled = may_pool and f <= critical_f
    uncertainty, dof = _of_difference(variances, degrees, pooled=pooled)
    means = tuple(float(np.mean(s)) for s in series)
    difference = means[1] - means[0]
    critical_t = float(stdtrit(dof, 0.5 + confidence / 2.0))
    return PeriodComparison(
        (series[0].size, series[1].size),
        (means[0], means[1]),
        (math.sqrt(variances[0]), math.sqrt(variances[1])),
        f,
        critical_f,
        min(1.0, 2.0 * float(fdtrc(over, under, f))),
        "pooled" if pooled else "Welch",
        difference,
        (difference - critical_t * uncertainty, difference + critical_t * uncertainty),
        dof,
        difference / uncertainty,
        critical_t,
        2.0 * float(stdtr(dof, -abs(difference / uncertainty))),
    )


def _of_difference(variances: ArrayLike, degrees: ArrayLike, *, pooled: bool) -> tuple[float, float]:
    """Return the standard uncertainty of a difference of means and its degrees of freedom."""
    v, d = np.asarray(variances, dtype=float), np.asarray(degrees, dtype=float)
    if pooled:
        return math.sqrt(float(np.sum(v * d) / np.sum(d)) * float(np.sum(1.0 / (d + 1.0)))), float(np.sum(d))
    parts = np.sqrt(v / (d + 1.0))
    return float(np.hypot(*parts)), effective_degrees_of_freedom(parts, d)
