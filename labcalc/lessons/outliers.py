"""The odd one out: what dropping one of three does, what outlier tests can and can't, what to do instead."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.lessons.agreement import Agreement, agreement_of_mean, agreement_of_share, agreement_of_spread
from labcalc.lessons.plots import Mark, Plot, Series
from labcalc.lessons.repeats import limit_factor
from labcalc.statistics import (
    OutlierTest,
    cochran_limit,
    cochran_test,
    critical_range,
    grubbs_limit,
    grubbs_pair_limit,
    grubbs_test,
)

__all__ = [
    "GROSS_SHARE",
    "STRATEGIES",
    "Groups",
    "closest_mean",
    "deviation_of_closest",
    "draw_groups",
    "draw_repeats",
    "draw_threes",
    "error_of",
    "found_share",
    "grubbs_gap",
    "outliers_agreements",
    "plot_dropping",
    "plot_found",
    "plot_gap",
    "plot_groups",
    "plot_hidden",
    "plot_strategies",
    "plot_threes",
    "range_of_four",
    "share_farther",
    "spread_of_closest",
    "spread_of_median",
]

GROSS_SHARE = 0.05
"""Share of results that are gross errors, where the lesson assumes some: our own choice."""

_SETS = 100_000
_TESTED = 20_000
_SIXTH = math.pi / 6.0
"""Three normal values: the direction of their deviations from the mean is uniform; the nearest pair takes 30°."""


def share_farther(times: float) -> float:
    """Return how many sets of three have one result that far off, [-].

    Parameters
    ----------
    times : float
        How many times as far from its neighbour as the other two from each other, [-], 1 or more.
    """
    return math.atan(math.sqrt(3.0) / (2.0 * times + 1.0)) / _SIXTH


def grubbs_gap() -> float:
    """Return how many times as far the third has to be for Grubbs' test at 5 % to call it odd, [-]."""
    angle = math.acos(float(grubbs_limit(3)) * math.sqrt(3.0) / 2.0)
    return math.sqrt(3.0) / 2.0 / math.tan(angle) - 0.5


def spread_of_closest() -> float:
    """Return the standard deviation of the mean of the two closest of three, [standard deviations of a result].

    It lies off the mean of three by a half of the third one's distance, √(2/3) R cos α, with R² = 2 on average and α
    uniform from 0 to 30°.
    """
    mean_square_cosine = 0.5 + math.sin(2.0 * _SIXTH) / (4.0 * _SIXTH)
    return math.sqrt((1.0 + mean_square_cosine) / 3.0)


def deviation_of_closest() -> float:
    """Return what the standard deviation of the two closest of three is on average, [true standard deviations]."""
    return math.sqrt(math.pi / 2.0) * (1.0 - math.cos(_SIXTH)) / _SIXTH  # E R times E sin α


def spread_of_median() -> float:
    """Return the standard deviation of the median of three, [standard deviations of a result]."""
    return math.sqrt(1.0 - math.sqrt(3.0) / math.pi)


def found_share(number: int, off: float) -> float:
    """Return how often Grubbs' test at 5 % finds one result that is off, [-].

    Against the mean and the standard deviation of the others it is a noncentral t, and its square a noncentral F.

    Parameters
    ----------
    number : int
        Number of results, [-], 3 to 10; beyond, two could be called odd at once.
    off : float
        How far the one is off, [standard deviations].
    """
    from scipy.special import ncfdtr

    square, degrees = float(grubbs_limit(number)) ** 2, number - 2
    f = number * degrees * square / ((number - 1) ** 2 - number * square)  # t² of the one against the others
    return 1.0 - float(ncfdtr(1, degrees, off**2 * (number - 1) / number, f))


def closest_mean(results: ArrayLike) -> NDArray[np.float64]:
    """Return the mean of the two closest of three results, [unit of the results], along the last axis."""
    ordered = np.sort(np.asarray(results, dtype=float), axis=-1)
    low = ordered[..., 1] - ordered[..., 0] < ordered[..., 2] - ordered[..., 1]
    return np.asarray(np.where(low, ordered[..., :2].mean(axis=-1), ordered[..., 1:].mean(axis=-1)))


def _by_repeatability(results: NDArray[np.float64]) -> NDArray[np.float64]:
    """``acceptable_result`` for many sets: two, or four where the two lie beyond r."""
    r = limit_factor()
    four = np.sort(results[:, :4], axis=1)
    agree = np.abs(results[:, 0] - results[:, 1]) <= r
    together = four[:, 3] - four[:, 0] <= critical_range(r, 4)
    of_four = np.where(together, four.mean(axis=1), four[:, 1:3].mean(axis=1))
    return np.asarray(np.where(agree, results[:, :2].mean(axis=1), of_four))


_Strategy = Callable[[NDArray[np.float64]], NDArray[np.float64]]

STRATEGIES: Mapping[str, _Strategy] = MappingProxyType(
    {
        "mean of three": lambda sets: np.asarray(sets[:, :3].mean(axis=1)),
        "drop the odd one of three": lambda sets: closest_mean(sets[:, :3]),
        "median of three": lambda sets: np.asarray(np.median(sets[:, :3], axis=1)),
        "two; beyond r, two more": _by_repeatability,
    }
)
"""What a laboratory may do with repeats, each a function of sets of four results in the order of measurement."""


@dataclass(frozen=True, eq=False)
class Groups:
    """Three results of each of eight samples as distances from what each sample should be, [%]; two have a fault."""

    results: NDArray[np.float64]

    @property
    def cochran(self) -> OutlierTest:
        """Cochran's test of the groups' standard deviations."""
        return cochran_test(self.results.std(axis=1, ddof=1), self.results.shape[1])

    @property
    def grubbs(self) -> OutlierTest:
        """Grubbs' test of the groups' means."""
        return grubbs_test(self.results.mean(axis=1))


def draw_groups() -> Groups:
    """Draw eight groups of three, [%]; then put the results of the third far apart, and all of the sixth too high."""
    generator = np.random.default_rng(95)
    results = 0.1 * generator.standard_normal((8, 3)) + 0.1 * generator.standard_normal((8, 1))
    results[2] += (-0.8, 0.1, 0.7)
    results[5] += 0.9
    return Groups(np.round(results, 2))


def draw_threes(generator: Generator, sets: int = 12) -> NDArray[np.float64]:
    """Draw sets of three healthy results of one oil, [mm²/s]."""
    return np.round(generator.normal(46.1, 0.06, (sets, 3)), 2)


def draw_repeats(generator: Generator, r: float = 0.20) -> NDArray[np.float64]:
    """Draw four results of one oil, [mm²/s], of which the first two lie beyond r; in every second set one is far off.

    Parameters
    ----------
    generator : numpy.random.Generator
        Source of chance.
    r : float
        Repeatability limit, [mm²/s].
    """
    gross = bool(generator.integers(2))
    limit = critical_range(r, 4)
    while True:
        drawn = generator.normal(46.1, r / limit_factor(), 4)
        drawn[0] += 2.5 * r if gross else 0.5 * r
        results = np.round(drawn, 2)
        spread = float(np.ptp(results))
        clear = abs(spread - limit) > 0.05 * limit and (spread > limit) is gross
        if clear and abs(results[0] - results[1]) > 1.05 * r:
            return results


def range_of_four(r: float) -> float:
    """Return how far four repeats may lie apart, [unit of r]."""
    return critical_range(r, 4)


@lru_cache(maxsize=1)
def _threes() -> NDArray[np.float64]:
    return np.random.default_rng(91).standard_normal((_SETS, 3))


@lru_cache(maxsize=1)
def _gap_ratios() -> NDArray[np.float64]:
    """Larger over smaller gap of each simulated set of three."""
    gaps = np.sort(np.diff(np.sort(_threes(), axis=1), axis=1), axis=1)
    return np.asarray(gaps[:, 1] / gaps[:, 0])


def _deviates(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from the mean over the standard deviation, of each value of each set."""
    centred = values - values.mean(axis=1, keepdims=True)
    return np.asarray(np.abs(centred) / values.std(axis=1, ddof=1, keepdims=True))


@lru_cache(maxsize=8)
def _healthy(number: int) -> NDArray[np.float64]:
    return np.random.default_rng([92, number]).standard_normal((_TESTED, number))


def _finds(number: int, off: float) -> NDArray[np.bool_]:
    """Tell of each simulated set whether Grubbs' test finds its first result, which is off."""
    values = _healthy(number) + off * (np.arange(number) == 0)
    return np.asarray(_deviates(values)[:, 0] > float(grubbs_limit(number)))


def _two_off(off: float, number: int = 8) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell of sets with two results off whether Grubbs' test of one finds one, and whether the test of two does."""
    values = _healthy(number) + off * (np.arange(number) < 2)
    found = np.argmax(_deviates(values), axis=1) < 2
    one = found & (_deviates(values).max(axis=1) > float(grubbs_limit(number)))
    return one, np.asarray(_sum_ratio(values) < grubbs_pair_limit(number))


def _sum_ratio(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of squares without the two highest over that of all."""
    rest = np.sort(values, axis=1)[:, :-2]
    return np.asarray(rest.var(axis=1) * rest.shape[1] / (values.var(axis=1) * values.shape[1]))


@lru_cache(maxsize=1)
def _with_gross() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Healthy results, four a set, and where a gross error strikes, with its sign."""
    generator = np.random.default_rng(93)
    struck = generator.random((_SETS, 4)) < GROSS_SHARE
    return generator.standard_normal((_SETS, 4)), struck * generator.choice([-1.0, 1.0], (_SETS, 4))


def _errors(name: str, off: float) -> NDArray[np.float64]:
    healthy, gross = _with_gross()
    return STRATEGIES[name](healthy + off * gross)


@lru_cache(maxsize=256)
def error_of(name: str, off: float) -> float:
    """Return the root mean square error of what a strategy reports, by simulation, [standard deviations]."""
    return math.sqrt(float(np.mean(_errors(name, off) ** 2)))


def plot_threes(sets: NDArray[np.float64]) -> Plot:
    """Show sets of three results."""
    number = np.repeat(np.arange(1.0, len(sets) + 1.0), 3)
    return Plot(
        f"{len(sets)} sets of three results of one oil, between {sets.min():.2f} and {sets.max():.2f} mm²/s. Nothing "
        "is wrong with any of them.",
        "Set",
        "Kinematic viscosity, mm²/s",
        (Series("results", number, sets.ravel(), "points"),),
    )


def plot_gap(times: float) -> Plot:
    """Show how many sets of three good results have one that lies so many times as far off."""
    at = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0])
    curve = np.geomspace(1.0, 30.0, 30)
    ratios = _gap_ratios()
    found = [agreement_of_share("", 0.5, ratios > one) for one in at]
    return Plot(
        f"In {100.0 * float(np.mean(ratios > times)):.1f} % of the simulated sets ({100.0 * share_farther(times):.1f} "
        f"% by theory) the third result lies more than {times:.1f} times as far from its neighbour as the other two "
        "from each other.",
        "Times as far",
        "Share of sets, %",
        (
            Series("theory", curve, np.array([100.0 * share_farther(float(one)) for one in curve])),
            Series("simulated", at, np.array([one.simulated for one in found]), "points"),
        ),
        marks=(Mark(times, f"{times:.1f}"),),
    )


def plot_dropping() -> Plot:
    """Show what is reported from three good results, with and without the odd one."""
    threes = _threes()
    reported = {
        "mean of three": (1.0 / math.sqrt(3.0), threes.mean(axis=1)),
        "median of three": (spread_of_median(), np.median(threes, axis=1)),
        "mean of the first two": (1.0 / math.sqrt(2.0), threes[:, :2].mean(axis=1)),
        "odd one dropped": (spread_of_closest(), closest_mean(threes)),
    }
    found = [agreement_of_spread(name, theory, values, "s") for name, (theory, values) in reported.items()]
    at = np.arange(float(len(found)))
    said = "; ".join(f"{one.what}: {one.theory:.2f} s" for one in found)
    return Plot(
        f"Scatter of what is reported from three good results. {said}.",
        "What is reported",
        "Scatter, s",
        (
            Series("theory", at, np.array([one.theory for one in found]), "bars"),
            Series(
                "simulated",
                at,
                np.array([one.simulated for one in found]),
                "points",
                np.array([one.standard_error for one in found]),
            ),
        ),
        x_names=tuple(reported),
    )


def plot_found(off: float) -> Plot:
    """Show how often Grubbs' test finds one result that is off, by the number of results."""
    numbers, offs, at = (3, 4, 6, 10), np.linspace(0.0, 20.0, 21), np.arange(0.0, 20.1, 4.0)
    curves = tuple(
        Series(f"{n} results", offs, np.array([100.0 * found_share(n, float(one)) for one in offs])) for n in numbers
    )
    points = Series(
        "simulated",
        np.tile(at, len(numbers)),
        np.array([100.0 * float(np.mean(_finds(n, float(one)))) for n in numbers for one in at]),
        "points",
    )
    said = ", ".join(f"{100.0 * found_share(n, off):.0f} % among {n}" for n in numbers)
    return Plot(
        f"One result is off by {off:.1f} s. Grubbs' test at 5 % finds it in {said}.",
        "How far the one is off, s",
        "Found, %",
        (*curves, points),
        marks=(Mark(off, f"{off:.1f} s"),),
    )


def plot_hidden() -> Plot:
    """Show how often two results out of eight that are off to the same side are found."""
    at = np.arange(0.0, 20.1, 2.0)
    shares = 100.0 * np.array([[np.mean(found) for found in _two_off(float(one))] for one in at])
    cap = math.sqrt((8 - 1) * (8 - 2) / (2 * 8))
    return Plot(
        f"Two of eight results are off by as much. The farther they go, the nearer Grubbs' statistic comes to "
        f"{cap:.2f}; its limit is {float(grubbs_limit(8)):.2f}. Off by {at[-1]:.0f} s, the test of one finds one of "
        f"the two in {shares[-1, 0]:.0f} % of sets, the test of two finds both in {shares[-1, 1]:.0f} %.",
        "How far the two are off, s",
        "Found, %",
        (Series("test of one", at, shares[:, 0]), Series("test of two", at, shares[:, 1])),
    )


def plot_groups(groups: Groups) -> Plot:
    """Show the groups, and what Cochran's and Grubbs' tests say to them."""
    count, each = groups.results.shape
    place = np.repeat(np.arange(1.0, count + 1.0), each)
    wide, far = groups.cochran, groups.grubbs
    return Plot(
        f"Cochran's test looks at the scatter within: sample {wide.places[0] + 1} has {100.0 * wide.statistic:.0f} % "
        f"of all the variance, limits {100.0 * wide.limit_5_percent:.0f} and {100.0 * wide.limit_1_percent:.0f} %: "
        f"{wide.standing}. Grubbs' test looks at the means: sample {far.places[0] + 1} is {far.statistic:.2f} standard "
        f"deviations off, limits {far.limit_5_percent:.2f} and {far.limit_1_percent:.2f}: {far.standing}.",
        "Sample",
        "Distance from the expected value, %",
        (
            Series("results", place, groups.results.ravel(), "points"),
            Series("mean", np.arange(1.0, count + 1.0), groups.results.mean(axis=1), "flags"),
        ),
    )


def plot_strategies(off: float) -> Plot:
    """Show how far off what is reported is, by what is done with the repeats and by the size of gross errors."""
    offs = np.linspace(0.0, 20.0, 11)
    said = "; ".join(f"{name}: {error_of(name, off):.2f} s" for name in STRATEGIES)
    return Plot(
        f"One result in {1.0 / GROSS_SHARE:.0f} is off by {off:.0f} s, up or down. What is reported errs by (root mean "
        f"square): {said}.",
        "Size of a gross error, s",
        "Error of what is reported, s",
        tuple(Series(name, offs, np.array([error_of(name, float(one)) for one in offs])) for name in STRATEGIES),
        marks=(Mark(off, f"{off:.0f} s"),),
    )


def outliers_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    threes = _threes()
    pair_deviations = np.diff(np.sort(threes, axis=1), axis=1).min(axis=1) / math.sqrt(2.0)
    eight_of_three = np.random.default_rng(94).standard_normal((_TESTED, 8, 3)).var(axis=2)
    largest = eight_of_three.max(axis=1) / eight_of_three.sum(axis=1)
    gross = 6.0
    return (
        agreement_of_share("The third is more than twice as far off", share_farther(2.0), _gap_ratios() > 2.0),
        agreement_of_share("Grubbs calls one of three good ones odd", 0.05, _gap_ratios() > grubbs_gap()),
        agreement_of_spread("Scatter when the odd one is dropped", spread_of_closest(), closest_mean(threes), "s"),
        agreement_of_mean("Standard deviation of the two that are left", deviation_of_closest(), pair_deviations, "s"),
        agreement_of_spread("Scatter of the median of three", spread_of_median(), np.median(threes, axis=1), "s"),
        agreement_of_share("One of six is off by 5 s and found by Grubbs", found_share(6, 5.0), _finds(6, 5.0)),
        agreement_of_share("Cochran calls one of eight good groups odd", 0.05, largest > float(cochran_limit(8, 3))),
        agreement_of_mean(
            f"Squared error of the mean of three, gross errors of {gross:g} s",
            (1.0 + GROSS_SHARE * gross**2) / 3.0,
            _errors("mean of three", gross) ** 2,
            "s²",
        ),
    )
