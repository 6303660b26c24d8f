"""First against second result of pairs: an effect of the order tells of warm-up, or of residue in the cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import coverage_factor
from labcalc.statistics.series import paired_series


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

    Parameters
    ----------
    first : First result of each pair, [any unit], two pairs or more.
    second : Second results, [unit of the first].
    confidence : Confidence of the two-sided test and of the interval, [-].

    Raises
    ------
    ValueError : Fewer than two pairs, two numbers of results, or one that is not finite.

    References
    ----------
    .. [1] Student (1908), paired t-test; NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1.1.
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
