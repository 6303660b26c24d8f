"""Tests for odd values: statistic, critical values, and the standing that follows.

A test says that a value is odd, not that it is wrong. Leave a value out for a cause found (a bubble, the wrong bath, a
digit misread), never on statistics alone, and say how many were measured, how many used, and why.

Three results are too few for any of this. Of three good ones two lie close together by chance: in 64 sets out of 100
the third is more than twice as far from its neighbour as the other two from each other, in 16 more than ten times.
Whoever drops it and averages the pair gets a mean that scatters 1.38 times as much as the mean of all three, and from
the pair a standard deviation that is on average a third of the true one (simulated in the tests of this module).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainccinv

from labcalc.formulae._tables import published_table
from labcalc.statistics.series import Array, finite_series


def cochran_limit(deviations: ArrayLike, results: ArrayLike, significance: ArrayLike = 0.05) -> Array:
    """Return the critical value of Cochran's test: the largest share that one variance may have of their sum.

    deviations : Number of standard deviations compared p, [-], 2 or more.
    results : Number of results behind each n, [-], 2 or more.
    significance : Chance that the largest of p equal variances is above the limit, [-]: 0.05 or 0.01.
    Returns : Critical value C, [-]; Bonferroni's bound, which is exact from 1/2 on.
    Source : ISO 5725-2:2019, Cochran's test (table of critical values, memory). One variance's share of the sum is a
        beta quantity; W. G. Cochran, Annals of Eugenics 11 (1941), 47.
    """
    number = _numbers(deviations, 2, "standard deviations")
    degrees = _numbers(results, 2, "results in a cell") - 1.0
    return _beta_limit(degrees / 2.0, (number - 1.0) * degrees / 2.0, _tail(significance) / number)


def grubbs_limit(values: ArrayLike, significance: ArrayLike = 0.05) -> Array:
    """Return the critical value, [-], of Grubbs' test for one odd value.

    values : Number of values p, [-], 3 or more.
    significance : Chance that normal values are called odd at either end, [-]; half of it at one end.
    Source : F. E. Grubbs, Technometrics 11 (1969), 1; ISO 5725-2:2019, Grubbs' test (two-sided).
    """
    number = _numbers(values, 3, "values")
    return _deviate_limit(number, _tail(significance) / number)


def mandel_h_limit(laboratories: ArrayLike, significance: ArrayLike = 0.05) -> Array:
    """Return the limit, [-], that h of one of 3 laboratories or more passes on either side by chance (ASTM E691-23)."""
    return _deviate_limit(_numbers(laboratories, 3, "laboratories"), _tail(significance))


def mandel_k_limit(
    degrees_of_freedom: ArrayLike, pooled_degrees_of_freedom: ArrayLike, significance: ArrayLike = 0.05
) -> Array:
    """Return the limit, [-], that k of one laboratory passes by chance (ASTM E691-23), by its n − 1 and p (n − 1)."""
    own, pooled = _numbers(degrees_of_freedom, 1, "degrees of freedom"), np.asarray(pooled_degrees_of_freedom, float)
    if np.any(pooled <= own):
        raise ValueError("the pooled degrees of freedom: more than those of one laboratory were expected")
    share = _beta_limit(own / 2.0, (pooled - own) / 2.0, _tail(significance))
    return np.asarray(np.sqrt(share * pooled / own))


def _deviate_limit(number: Array, tail: Array) -> Array:
    return np.asarray((number - 1.0) / np.sqrt(number) * np.sqrt(_beta_limit(0.5, (number - 2.0) / 2.0, tail)))


def _beta_limit(first: ArrayLike, second: Array, tail: Array) -> Array:
    return np.asarray(betainccinv(first, second, tail))


def _numbers(values: ArrayLike, least: int, what: str) -> Array:
    numbers = np.asarray(values, dtype=float)
    if not np.all(numbers >= least):
        raise ValueError(f"{np.min(numbers):g} {what}: {least} or more were expected")
    return numbers


def _tail(significance: ArrayLike) -> Array:
    tail = np.asarray(significance, dtype=float)
    if not np.all((tail > 0.0) & (tail < 1.0)):
        raise ValueError(f"significance {tail}: more than 0 and less than 1 was expected")
    return tail


def grubbs_pair_limit(values: int, significance: float = 0.05) -> float:
    """Return the critical value of Grubbs' test for the two largest or the two smallest values.

    The ratio is called odd where it lies *below* the limit.

    values : Number of values p, [-], 4 to 200.
    significance : Chance that normal values are called odd at either end, [-]: 0.2, 0.1, 0.05, 0.02 or 0.01; half of
        it at one end.
    Returns : Critical value of the ratio of sums of squares, without the two over with them, [-], right to 1e-5.
    Source : F. E. Grubbs and G. Beck, Technometrics 14 (1972), 847; ISO 5725-2:2019, Grubbs' test for two outlying
        observations; ``labcalc/data/grubbs_pair_limits.csv`` tells how they were computed.
    """
    table = published_table("grubbs_pair_limits.csv")
    share = f"{significance / 2.0:g}"  # the table is for one end
    if share not in table:
        raise ValueError(f"significance {significance}: twice one of {', '.join([*table][1:])} was expected")
    number = np.flatnonzero(table["values"] == values)
    if not number.size:
        raise ValueError(f"{values} values: a test of a pair is given for 4 to 200")
    return float(table[share][number[0]])


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
        """Within, straggler or outlier; at a limit within it: ISO 5725-2:2019 (memory)."""
        sign = 1.0 if self.limit_1_percent >= self.limit_5_percent else -1.0
        if sign * (self.statistic - self.limit_1_percent) > 0.0:
            return "outlier"
        return "straggler" if sign * (self.statistic - self.limit_5_percent) > 0.0 else "within"


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


def cochran_test(deviations: ArrayLike, results: int) -> OutlierTest:
    """Ask whether the largest of some standard deviations is too large: its share of the sum of variances, [-].

    deviations : Standard deviations, one a cell, [any unit], 2 or more, not all 0.
    results : Number of results behind each, [-], 2 or more; where it differs a little, that of most cells.
    Source : ISO 5725-2:2019, Cochran's test (memory); one-sided, for a large variance only.
    """
    series = finite_series(deviations, 2, "Cochran's test")
    if np.any(series < 0.0) or not np.any(series > 0.0):
        raise ValueError("standard deviations: none below 0 and one above 0 at least were expected")
    scaled = (series / np.max(series)) ** 2
    place = int(np.argmax(scaled))
    five, one = cochran_limit(series.size, results, [0.05, 0.01]).tolist()
    return OutlierTest("Cochran", (place,), float(1.0 / np.sum(scaled)), five, one, series.size)


def grubbs_test(values: ArrayLike, end: End | None = None) -> OutlierTest:
    """Ask whether the highest or lowest of some values is too far off: its studentised deviate, [-].

    With three values the answer deceives: see the module's warning.

    values : Values, such as cell means of one level, [any unit], 3 or more, not all equal.
    end : Which one is asked about, [-]; none: the one further from the mean.
    Source : F. E. Grubbs, Technometrics 11 (1969), 1; ISO 5725-2:2019, Grubbs' test; ASTM E178.
    """
    deviates = _studentised(finite_series(values, 3, "Grubbs' test"))
    outward = {"highest": deviates, "lowest": -deviates, None: np.abs(deviates)}[end]
    place = int(np.argmax(outward))
    name = end or ("highest" if deviates[place] > 0.0 else "lowest")
    five, one = grubbs_limit(deviates.size, [0.05, 0.01]).tolist()
    return OutlierTest(f"Grubbs, {name}", (place,), float(outward[place]), five, one, deviates.size)


def grubbs_pair_test(values: ArrayLike, end: End) -> OutlierTest:
    """Ask whether the two highest or the two lowest of 4 values or more are too far from the rest.

    The statistic is the sum of squares without the pair over that with it, odd where it is small.
    """
    deviates = _studentised(finite_series(values, 4, "a test of a pair"))
    order = np.argsort(-deviates if end == "highest" else deviates, kind="stable")
    rest = deviates[order[2:]]
    ratio = float(np.sum((rest - np.mean(rest)) ** 2) / np.sum(deviates**2))
    five, one = (grubbs_pair_limit(deviates.size, share) for share in (0.05, 0.01))
    return OutlierTest(f"Grubbs, two {end}", tuple(order[:2].tolist()), ratio, five, one, deviates.size)


def tietjen_moore_test(values: ArrayLike, odd: int) -> OutlierTest:
    """Ask whether so many values are too far from the rest together: the share of the squares left without them, [-].

    It is odd where it is small, however one value hides another, and for the number that is asked about: with one odd
    value the two furthest fail as well, so ask Grubbs' test first.

    values : Values, [any unit], 4 to 100.
    odd : Number of values asked about, [-], 1 to half of them.
    Source : G. L. Tietjen and R. H. Moore, Technometrics 14 (1972), 583, statistic E; limits simulated here, as there;
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.2.
    """
    series = finite_series(values, 4, "a test of several odd values")
    if series.size > 100 or not 1 <= odd <= series.size // 2:
        raise ValueError(f"{odd} of {series.size} values: 1 to half of 4 to 100 values were expected")
    _studentised(series)  # refuses values that are all alike
    furthest = np.argsort(-np.abs(series - np.mean(series)), kind="stable")[:odd]
    five, one = _tietjen_moore_limits(series.size, odd)
    ratio = float(_share_left(series[None, :], odd)[0])
    return OutlierTest(f"Tietjen and Moore, {odd}", tuple(furthest.tolist()), ratio, five, one, series.size)


@lru_cache(maxsize=32)
def _tietjen_moore_limits(number: int, odd: int) -> tuple[float, float]:
    drawn = np.random.default_rng(1972).standard_normal((60_000, number))
    five, one = np.quantile(_share_left(drawn, odd), [0.05, 0.01]).tolist()
    return five, one


def _share_left(sets: Array, odd: int) -> Array:
    """Return the share of each row's sum of squares that is left without the values furthest from its mean."""
    centred = sets - sets.mean(axis=1, keepdims=True)
    order = np.argsort(np.abs(centred), axis=1)
    rest = np.take_along_axis(centred, order[:, : sets.shape[1] - odd], axis=1)
    return np.asarray(rest.var(axis=1) * rest.shape[1] / np.sum(centred**2, axis=1))


def extreme_deviates(values: ArrayLike, most: int) -> ExtremeDeviates:
    """Look for up to some number of odd values at either end, one after the other, by their deviates, [-].

    values : Values, [any unit]; 25 or more for the limits to hold well, 15 at least (Rosner).
    most : Largest number of odd values looked for, [-], 1 to n − 2.
    Source : B. Rosner, Technometrics 25 (1983), 165; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.
    """
    series = finite_series(values, 3, "a search for odd values")
    if not 1 <= most <= series.size - 2:
        raise ValueError(
            f"{most} steps with {series.size} values: 1 step or more and 3 values for the last were expected"
        )
    five, one = (tuple(grubbs_limit(series.size - np.arange(most), share).tolist()) for share in (0.05, 0.01))
    left = np.arange(series.size)
    places, statistics = [], []
    for _ in range(most):
        deviates = np.abs(_studentised(series[left]))
        worst = int(np.argmax(deviates))
        places.append(int(left[worst]))
        statistics.append(float(deviates[worst]))
        left = np.delete(left, worst)
    return ExtremeDeviates(tuple(places), tuple(statistics), five, one, series.size)


def _studentised(series: Array) -> Array:
    centred = series - np.mean(series)
    if np.ptp(series) == 0.0:
        raise ValueError(f"{series.size} values that are all {series[0]:g}: a test needs values that differ")
    return np.asarray(centred / np.sqrt(np.sum(centred**2) / (series.size - 1)))


def _last_beyond(statistics: tuple[float, ...], limits: tuple[float, ...]) -> int:
    beyond = [step for step, (one, limit) in enumerate(zip(statistics, limits, strict=True), 1) if one > limit]
    return max(beyond, default=0)
