"""Tests for odd values: statistic, critical values at 5 % and 1 %, and the standing that follows.

A test says that a value is odd, not that it is wrong. Leave a value out for a cause found (a bubble, the wrong bath, a
digit misread), never on statistics alone, and say how many were measured, how many used, and why.

Three results are too few for any of this. Of three good ones two lie close together by chance: in 64 sets out of 100
the third is more than twice as far from its neighbour as the other two from each other, in 16 more than ten times.
Whoever drops it and averages the pair gets a mean that scatters 1.38 times as much as the mean of all three, and from
the pair a standard deviation that is on average a third of the true one (simulated in the tests of this module).
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.precision import outlier_limits
from labcalc.statistics.series import Array, finite_series

Standing: TypeAlias = Literal["within", "straggler", "outlier"]
"""Within the 5 % limit; beyond it: straggler, kept and marked; beyond the 1 % limit: outlier."""

End: TypeAlias = Literal["highest", "lowest"]


@dataclass(frozen=True)
class OutlierTest:
    """One test: which values it is about (places counted from 0), its statistic, and the two limits.

    A ratio of a pair is odd where it is small, so that its 1 % limit is the lower one.
    """

    test: str
    places: tuple[int, ...]
    statistic: float
    limit_5_percent: float
    limit_1_percent: float
    number: int

    @property
    def standing(self) -> Standing:
        """Within, straggler or outlier."""
        return standing_of(self.statistic, self.limit_5_percent, self.limit_1_percent)


@dataclass(frozen=True)
class ExtremeDeviates:
    """Generalised extreme studentised deviates: the values taken away step by step, with both limits of each step.

    The number of odd values is the *last* step beyond its limit: one far value may hide behind another (masking).
    """

    places: tuple[int, ...]
    statistics: tuple[float, ...]
    limits_5_percent: tuple[float, ...]
    limits_1_percent: tuple[float, ...]
    number: int

    @property
    def stragglers_and_outliers(self) -> int:
        """How many values are odd at 5 %."""
        return _last_beyond(self.statistics, self.limits_5_percent)

    @property
    def outliers(self) -> int:
        """How many values are odd at 1 %."""
        return _last_beyond(self.statistics, self.limits_1_percent)


def standing_of(statistic: float, limit_5_percent: float, limit_1_percent: float) -> Standing:
    """Return the standing of a statistic, at the limit within it: ISO 5725-2:2019 (memory)."""
    sign = 1.0 if limit_1_percent >= limit_5_percent else -1.0
    if sign * (statistic - limit_1_percent) > 0.0:
        return "outlier"
    return "straggler" if sign * (statistic - limit_5_percent) > 0.0 else "within"


def cochran_test(deviations: ArrayLike, results: int) -> OutlierTest:
    """Ask whether the largest of some standard deviations is too large: its share of the sum of variances, [-].

    deviations : Standard deviations, one a cell, [any unit], 2 or more, not all 0.
    results : Number of results behind each, [-], 2 or more; where it differs a little, that of most cells.
    Raises ValueError : Fewer than two standard deviations, one that isn't a number from 0 on, or all 0.
    Source : ISO 5725-2:2019, Cochran's test (memory); one-sided, for a large variance only.
    """
    series = finite_series(deviations, 2, "Cochran's test")
    if np.any(series < 0.0) or not np.any(series > 0.0):
        raise ValueError("standard deviations: none below 0 and one above 0 at least were expected")
    scaled = (series / np.max(series)) ** 2
    place = int(np.argmax(scaled))
    five, one = outlier_limits.cochran_limit(series.size, results, [0.05, 0.01]).tolist()
    return OutlierTest("Cochran", (place,), float(1.0 / np.sum(scaled)), five, one, series.size)


def grubbs_test(values: ArrayLike, end: End | None = None, *, two_sided: bool = True) -> OutlierTest:
    """Ask whether the highest or lowest of some values is too far off: its studentised deviate, [-].

    With three values the answer deceives: see the module's warning.

    values : Values, such as cell means of one level, [any unit], 3 or more, not all equal.
    end : Which one is asked about, [-]; none: the one further from the mean.
    two_sided : Whether the limits are those for an odd value at either end; one-sided only where the end was fixed
        before the values were seen.
    Raises ValueError : Fewer than three values, one that isn't finite, or all equal.
    Source : F. E. Grubbs, Technometrics 11 (1969), 1; ISO 5725-2:2019, Grubbs' test; ASTM E178.

    >>> found = grubbs_test([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    >>> found.places, round(found.statistic, 4), found.standing
    ((7,), 2.4688, 'outlier')
    """
    deviates = _studentised(finite_series(values, 3, "Grubbs' test"))
    outward = {"highest": deviates, "lowest": -deviates, None: np.abs(deviates)}[end]
    place = int(np.argmax(outward))
    name = end or ("highest" if deviates[place] > 0.0 else "lowest")
    five, one = outlier_limits.grubbs_limit(deviates.size, [0.05, 0.01], two_sided=two_sided).tolist()
    return OutlierTest(f"Grubbs, {name}", (place,), float(outward[place]), five, one, deviates.size)


def grubbs_pair_test(values: ArrayLike, end: End, *, two_sided: bool = True) -> OutlierTest:
    """Ask whether the two highest or the two lowest values together are too far from the rest.

    values : Values, such as cell means of one level, [any unit], 4 or more, not all equal.
    end : Which pair, [-].
    two_sided : Whether the limits are those for an odd pair at either end.
    Returns : Sum of squares without the pair over that with it, [-]: odd where it is small. Limits by
        :func:`grubbs_pair_limit`.
    Raises ValueError : Fewer than four values, one that isn't finite, or all equal.
    Source : F. E. Grubbs and G. Beck, Technometrics 14 (1972), 847; ISO 5725-2:2019, Grubbs' test for two outlying
        observations.
    """
    deviates = _studentised(finite_series(values, 4, "a test of a pair"))
    order = np.argsort(-deviates if end == "highest" else deviates, kind="stable")
    rest = deviates[order[2:]]
    ratio = float(np.sum((rest - np.mean(rest)) ** 2) / np.sum(deviates**2))
    five, one = (outlier_limits.grubbs_pair_limit(deviates.size, share, two_sided=two_sided) for share in (0.05, 0.01))
    return OutlierTest(f"Grubbs, two {end}", tuple(order[:2].tolist()), ratio, five, one, deviates.size)


def extreme_deviates(values: ArrayLike, most: int) -> ExtremeDeviates:
    """Look for up to some number of odd values at either end, one after the other, by their deviates, [-].

    values : Values, [any unit]; 25 or more for the limits to hold well, 15 at least (Rosner).
    most : Largest number of odd values looked for, [-], 1 to n − 2.
    Raises ValueError : A value that isn't finite, too many steps, or fewer values that differ than steps.
    Source : B. Rosner, Technometrics 25 (1983), 165; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.

    >>> found = extreme_deviates([*range(24), 90.0, 95.0], 3)
    >>> found.places[:2], found.outliers
    ((25, 24), 2)
    """
    series = finite_series(values, 3, "a search for odd values")
    limits = [outlier_limits.extreme_deviate_limit(series.size, most, share) for share in (0.05, 0.01)]
    left = np.arange(series.size)
    places, statistics = [], []
    for _ in range(most):
        deviates = np.abs(_studentised(series[left]))
        worst = int(np.argmax(deviates))
        places.append(int(left[worst]))
        statistics.append(float(deviates[worst]))
        left = np.delete(left, worst)
    five, one = (tuple(step.tolist()) for step in limits)
    return ExtremeDeviates(tuple(places), tuple(statistics), five, one, series.size)


def _studentised(series: Array) -> Array:
    centred = series - np.mean(series)
    if np.ptp(series) == 0.0:
        raise ValueError(f"{series.size} values that are all {series[0]:g}: a test needs values that differ")
    return np.asarray(centred / np.sqrt(np.sum(centred**2) / (series.size - 1)))


def _last_beyond(statistics: tuple[float, ...], limits: tuple[float, ...]) -> int:
    beyond = [step for step, (one, limit) in enumerate(zip(statistics, limits, strict=True), 1) if one > limit]
    return max(beyond, default=0)
