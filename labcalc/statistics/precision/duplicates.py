"""Precision from duplicates: how far results of one sample scatter, with the interval of what so few can tell.

Arrays of pairs, or results with the number of their set; no loop over pairs.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import coverage_factor
from labcalc.statistics.precision.duplicate_limits import difference_limit_factor
from labcalc.statistics.precision.long_term_precision import spread_interval
from labcalc.statistics.series import finite_series, paired_series


@dataclass(frozen=True)
class DuplicatePrecision:
    """Standard deviation of single results from repeats of samples, with its interval."""

    number: int  # samples with repeats: pairs, or larger sets
    deviation: float
    degrees_of_freedom: float
    interval: tuple[float, float]
    confidence: float

    @property
    def limit(self) -> float:
        """r = 1.96 √2 s, [unit of the deviation]: for a statement, as if s were known."""
        return self.deviation * float(difference_limit_factor(confidence=self.confidence))

    @property
    def limit_interval(self) -> tuple[float, float]:
        """Interval of the limit, [unit of the deviation]."""
        factor = float(difference_limit_factor(confidence=self.confidence))
        return self.interval[0] * factor, self.interval[1] * factor


def pooled_precision(results: ArrayLike, sets: ArrayLike, *, confidence: float = 0.95) -> DuplicatePrecision:
    r"""Return the repeatability standard deviation, [unit of the results], from sets of two, three and more repeats.

    .. math:: s_r = \sqrt{\sum (n_i - 1) s_i^2 / \sum (n_i - 1)}

    results : All results, [any unit].
    sets : The set that each belongs to, [-]; a set of one result adds nothing.
    confidence : Confidence of the interval, [-].
    Raises ValueError : No set has two results, a result is not finite, or not every one has its set.
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
    interval = spread_interval(deviation, degrees, confidence)
    return DuplicatePrecision(int((sizes > 1).sum()), deviation, degrees, interval, confidence)


@dataclass(frozen=True)
class OrderEffect:
    """Paired t-test of first minus second; its sign tells which of the two is the higher one."""

    number: int
    mean: float
    interval: tuple[float, float]
    t: float
    critical_t: float
    p_value: float

    @property
    def significant(self) -> bool:
        """First and second results differ by more than chance allows."""
        return abs(self.t) > self.critical_t


def order_effect(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> OrderEffect:
    r"""Test whether first and second results, [unit of the results], differ on the whole: warm-up, or residue.

    .. math:: t = \bar d \sqrt n / s_d

    first : First result of each pair, [any unit], two pairs or more.
    second : Second results, [unit of the first].
    confidence : Confidence of the two-sided test and of the interval, [-].
    Raises ValueError : Fewer than two pairs, two numbers of results, or one that is not finite.
    Source : Student (1908), paired t-test; NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1.1.
    """
    from scipy.special import stdtr

    one, other = paired_series(first, second, 2, "a test of the order")
    difference = one - other
    mean, degrees = float(np.mean(difference)), one.size - 1
    error = float(np.std(difference, ddof=1)) / math.sqrt(one.size)
    critical = coverage_factor(confidence, degrees)
    t = mean / error if error > 0.0 else math.copysign(math.inf, mean) if mean else 0.0
    reach = critical * error
    p = 2.0 * float(stdtr(degrees, -abs(t)))
    return OrderEffect(one.size, mean, (mean - reach, mean + reach), t, critical, p)
