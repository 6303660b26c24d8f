"""Has anything changed from one period to the next? Spread by the F-test, mean by Welch's t-test."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import effective_degrees_of_freedom
from labcalc.statistics.series import finite_series


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
        """The means differ by more than chance allows."""
        return self.t_p_value < 0.05


def compare_periods(earlier: ArrayLike, later: ArrayLike) -> PeriodComparison:
    """Compare the results of one material over two periods.

    earlier : Results of the earlier period, [any unit], 2 or more.
    later : Results of the later period, [unit of the earlier], 2 or more.
    Returns : F and t with their two-sided p-values, [-]; means and their difference, [unit of the results].
    Raises ValueError : A period has fewer than two results, a result is not finite, or a period has no spread.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (F) and 1.3.5.3 (t of unequal variances).

    >>> found = compare_periods([10.1, 10.2, 10.0, 10.1], [10.4, 10.5, 10.4, 10.6])
    >>> found.mean_changed, round(found.difference, 3)
    (True, 0.375)
    """
    from scipy.special import fdtrc, stdtr, stdtrit

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
    of_means_test = difference, interval, freedom, t, 2.0 * float(stdtr(freedom, -abs(t)))
    return PeriodComparison(
        numbers, means, (math.sqrt(variances[0]), math.sqrt(variances[1])), f, p_spread, *of_means_test
    )
