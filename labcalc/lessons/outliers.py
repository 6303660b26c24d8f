"""The odd one out: what outlier tests find and what they miss, and what to do with repeats instead of dropping one."""

import math
from collections.abc import Callable, Mapping
from functools import lru_cache, partial
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc import statistics
from labcalc.lessons.plots import Agreement, Plot, Series, agreement_series, curve, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import limit_factor
from labcalc.statistics import grubbs_limit
from labcalc.statistics.series import Array

GROSS_SHARE = 0.05  # share of results that are gross errors, where the lesson assumes some: our own choice
_SETS = 100_000
_SIXTH = math.pi / 6.0  # of three normal values the direction of the deviations is uniform; the nearest pair takes 30°
_TESTED = 20_000
_EIGHT = 8


def share_farther(times: float) -> float:
    """Return how many sets of three have a third ``times`` as far from its neighbour as the other two lie apart, [-].

    The two gaps of an ordered set are coordinates on axes 60° apart, so that a ratio of gaps is a direction; 1 or more.
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


def closest_mean(results: ArrayLike) -> Array:
    """Return the mean of the two closest of three results, [unit of the results], along the last axis."""
    ordered = np.sort(np.asarray(results, dtype=float), axis=-1)
    low = ordered[..., 1] - ordered[..., 0] < ordered[..., 2] - ordered[..., 1]
    return np.asarray(np.where(low, ordered[..., :2].mean(axis=-1), ordered[..., 1:].mean(axis=-1)))


def draw_threes(generator: Generator, sets: int = 12) -> Array:
    """Draw sets of three healthy results of one oil, [mm²/s]."""
    return np.round(generator.normal(46.1, 0.06, (sets, 3)), 2)


def _threes() -> Array:
    return normal_draws(91, _SETS, 3)


@lru_cache(maxsize=1)
def _gap_ratios() -> Array:
    """Larger over smaller gap of each simulated set of three."""
    gaps = np.sort(np.diff(np.sort(_threes(), axis=1), axis=1), axis=1)
    return np.asarray(gaps[:, 1] / gaps[:, 0])


def plot_threes(sets: Array) -> Plot:
    """Show sets of three results."""
    series = [Series("results", np.repeat(np.arange(1.0, len(sets) + 1.0), 3), sets.ravel(), "points")]
    return plot_of("outliers", "threes", {"sets": len(sets), "lowest": sets.min(), "highest": sets.max()}, series)


def plot_gap(times: float) -> Plot:
    """Show how many sets of three good results have one that lies so many times as far off."""
    at, ratios = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0], _gap_ratios()
    theory = share_curve("theory", np.geomspace(1.0, 30.0, 30), share_farther)
    simulated = share_curve("simulated", at, lambda one: ratios > one, "points")
    numbers = {"times": times, "simulated": np.mean(ratios > times), "theory": share_farther(times)}
    return plot_of("outliers", "gap", numbers, (theory, simulated), marks=[times])


def plot_dropping() -> Plot:
    """Show what is reported from three good results, with and without the odd one."""
    threes = _threes()
    reported = {
        "mean of three": (1.0 / math.sqrt(3.0), threes.mean(axis=1)),
        "median of three": (spread_of_median(), np.median(threes, axis=1)),
        "mean of the first two": (1.0 / math.sqrt(2.0), threes[:, :2].mean(axis=1)),
        "odd one dropped": (spread_of_closest(), closest_mean(threes)),
    }
    found = [Agreement.of_spread(name, theory, values, "s") for name, (theory, values) in reported.items()]
    series = agreement_series(range(len(found)), found)
    said = "; ".join(f"{one.what} {one.theory:.2f} s" for one in found)
    return plot_of("outliers", "dropping", {"said": said}, series, x_names=list(reported))


def found_share(number: int, off: float) -> float:
    """Return how often Grubbs' test at 5 % finds one of 3 to 10 results that is ``off`` standard deviations off, [-].

    Against the mean and the standard deviation of the others it is a noncentral t, and its square a noncentral F.
    Beyond ten results two could be called odd at once.
    """
    from scipy.special import ncfdtr

    square, degrees = float(grubbs_limit(number)) ** 2, number - 2
    f = number * degrees * square / ((number - 1) ** 2 - number * square)  # t² of the one against the others
    return 1.0 - float(ncfdtr(1, degrees, off**2 * (number - 1) / number, f))


def _by_repeatability(results: Array) -> Array:
    """``acceptable_result`` for many sets: two, or four where the two lie beyond r."""
    r = limit_factor()
    four = np.sort(results[:, :4], axis=1)
    agree = np.abs(results[:, 0] - results[:, 1]) <= r
    together = four[:, 3] - four[:, 0] <= statistics.critical_range(r, 4)
    of_four = np.where(together, four.mean(axis=1), four[:, 1:3].mean(axis=1))
    return np.asarray(np.where(agree, results[:, :2].mean(axis=1), of_four))


_Strategy = Callable[[Array], Array]

STRATEGIES: Mapping[str, _Strategy] = MappingProxyType(
    {
        "mean of three": lambda sets: np.asarray(sets[:, :3].mean(axis=1)),
        "drop the odd one of three": lambda sets: closest_mean(sets[:, :3]),
        "median of three": lambda sets: np.asarray(np.median(sets[:, :3], axis=1)),
        "two; beyond r, two more": _by_repeatability,
    }
)
"""What a laboratory may do with repeats, each a function of sets of four results in the order of measurement."""


def draw_groups() -> Array:
    """Draw three results of each of eight samples as distances from what each should be, [%]; two have a fault.

    The results of the third are put far apart, and all of the sixth too high.
    """
    generator = np.random.default_rng(95)
    results = 0.1 * generator.standard_normal((8, 3)) + 0.1 * generator.standard_normal((8, 1))
    results[2] += (-0.8, 0.1, 0.7)
    results[5] += 0.9
    return np.round(results, 2)


def tests_of(groups: Array) -> tuple[statistics.OutlierTest, statistics.OutlierTest]:
    """Return Cochran's test of the groups' standard deviations, and Grubbs' test of their means."""
    spreads, means = groups.std(axis=1, ddof=1), groups.mean(axis=1)
    return statistics.cochran_test(spreads, groups.shape[1]), statistics.grubbs_test(means)


def draw_repeats(generator: Generator, r: float = 0.20) -> Array:
    """Draw four results, [mm²/s], of which the first two lie beyond r; in every second set one is far off."""
    gross = bool(generator.integers(2))
    limit = statistics.critical_range(r, 4)
    while True:
        drawn = generator.normal(46.1, r / limit_factor(), 4)
        drawn[0] += 2.5 * r if gross else 0.5 * r
        results = np.round(drawn, 2)
        spread = float(np.ptp(results))
        clear = abs(spread - limit) > 0.05 * limit and (spread > limit) is gross
        if clear and abs(results[0] - results[1]) > 1.05 * r:
            return results


range_of_four = partial(statistics.critical_range, results=4)  # how far four repeats may lie apart, [unit of r]


def _deviates(values: Array) -> Array:
    """Distance from the mean over the standard deviation, of each value of each set."""
    centred = values - values.mean(axis=1, keepdims=True)
    return np.asarray(np.abs(centred) / values.std(axis=1, ddof=1, keepdims=True))


def _healthy(number: int) -> Array:
    return normal_draws(92, _TESTED, number)


def _finds(number: int, off: float) -> NDArray[np.bool_]:
    """Tell of each simulated set whether Grubbs' test finds its first result, which is off."""
    values = _healthy(number) + off * (np.arange(number) == 0)
    return np.asarray(_deviates(values)[:, 0] > float(grubbs_limit(number)))


def _with_two_off(off: float) -> Array:
    return np.asarray(_healthy(_EIGHT) + off * (np.arange(_EIGHT) < 2))


def _finds_of_two(values: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell of sets whose first two are off whether Grubbs' test of one finds one, and whether the test of two does."""
    deviates = _deviates(values)
    one = (np.argmax(deviates, axis=1) < 2) & (deviates.max(axis=1) > float(grubbs_limit(_EIGHT)))
    rest = np.sort(values, axis=1)[:, :-2]  # the test of two takes the sum of squares without the two highest
    ratio = rest.var(axis=1) * rest.shape[1] / (values.var(axis=1) * values.shape[1])
    return np.asarray(one), np.asarray(ratio < statistics.grubbs_pair_limit(_EIGHT))


@lru_cache(maxsize=1)
def _with_gross() -> tuple[Array, Array]:
    """Healthy results, four a set, and where a gross error strikes, with its sign."""
    generator = np.random.default_rng(93)
    struck = generator.random((_SETS, 4)) < GROSS_SHARE
    return generator.standard_normal((_SETS, 4)), struck * generator.choice([-1.0, 1.0], (_SETS, 4))


def _errors(name: str, off: float) -> Array:
    healthy, gross = _with_gross()
    return STRATEGIES[name](healthy + off * gross)


@lru_cache(maxsize=256)
def error_of(name: str, off: float) -> float:
    """Return the root mean square error of what a strategy reports, by simulation, [standard deviations]."""
    return math.sqrt(float(np.mean(_errors(name, off) ** 2)))


def plot_found(number: float) -> Plot:
    """Show how often Grubbs' test finds one result of a set that is off, by how far."""
    results = round(number)
    theory = share_curve("theory", np.linspace(0.0, 20.0, 41), partial(found_share, results))
    simulated = share_curve("simulated", np.arange(0.0, 20.1, 2.0), partial(_finds, results), "points")
    shares = {name: found_share(results, off) for name, off in (("by_5", 5.0), ("by_10", 10.0), ("by_20", 20.0))}
    return plot_of("outliers", "found", {"results": results, **shares}, (theory, simulated))


def masked_statistic(number: int) -> float:
    """Return what Grubbs' statistic comes to where two of a number of results are as far off on one side, [-]."""
    return math.sqrt((number - 1) * (number - 2) / (2 * number))


def plot_hidden() -> Plot:
    """Show how often two results out of eight that are off to the same side are found."""
    at = np.arange(0.0, 20.1, 2.0)
    shares = 100.0 * np.array([[np.mean(found) for found in _finds_of_two(_with_two_off(float(one)))] for one in at])
    series = (Series("test of one", at, shares[:, 0]), Series("test of two", at, shares[:, 1]))
    statistic = _deviates(_with_two_off(float(at[-1]))).max(axis=1).mean()
    said = {"statistic": statistic, "masked": masked_statistic(_EIGHT), "limit": float(grubbs_limit(_EIGHT))}
    return plot_of("outliers", "hidden", {"off": at[-1], "found": shares[-1], **said}, series)


def plot_groups(groups: Array) -> Plot:
    """Show the groups, and what Cochran's and Grubbs' tests say to them."""
    count, each = groups.shape
    number = np.arange(1.0, count + 1.0)
    results = Series("results", np.repeat(number, each), groups.ravel(), "points")
    means = Series("mean", number, groups.mean(axis=1), "flags")
    wide, far = tests_of(groups)
    numbers = {"wide": wide, "far": far, "wide_sample": wide.places[0] + 1, "far_sample": far.places[0] + 1}
    return plot_of("outliers", "groups", {"limit_percent": 100.0 * wide.limit_5_percent, **numbers}, (results, means))


def plot_strategies(off: float) -> Plot:
    """Show how far off what is reported is, by what is done with the repeats and by the size of gross errors."""
    series = [curve(name, np.linspace(0.0, 20.0, 11), partial(error_of, name)) for name in STRATEGIES]
    healthy, gross = _with_gross()
    two = (healthy + off * gross)[:, :2]
    taken = 2.0 + 2.0 * np.mean(np.abs(two[:, 0] - two[:, 1]) > limit_factor())
    said = "; ".join(f"{name}: {error_of(name, off):.2f} s" for name in STRATEGIES)
    numbers = {"rarity": 1.0 / GROSS_SHARE, "off": off, "said": said, "taken": taken}
    return plot_of("outliers", "strategies", numbers, series, marks=[off])


def outliers_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    threes = _threes()
    pair_deviations = np.diff(np.sort(threes, axis=1), axis=1).min(axis=1) / math.sqrt(2.0)
    groups = np.random.default_rng(94).standard_normal((_TESTED, _EIGHT, 3)).var(axis=2)
    odd = groups.max(axis=1) / groups.sum(axis=1) > float(statistics.cochran_limit(_EIGHT, 3))
    squared, square = "Squared error of the mean of three, gross errors of 6 s", (1.0 + GROSS_SHARE * 6.0**2) / 3.0
    return (
        Agreement.of_share("The third is more than twice as far off", share_farther(2.0), _gap_ratios() > 2.0),
        Agreement.of_share("Grubbs calls one of three good ones odd", 0.05, _gap_ratios() > grubbs_gap()),
        Agreement.of_spread("Scatter when the odd one is dropped", spread_of_closest(), closest_mean(threes), "s"),
        Agreement.of_mean("Standard deviation of the two that are left", deviation_of_closest(), pair_deviations, "s"),
        Agreement.of_spread("Scatter of the median of three", spread_of_median(), np.median(threes, axis=1), "s"),
        Agreement.of_share("One of six is off by 5 s and found by Grubbs", found_share(6, 5.0), _finds(6, 5.0)),
        Agreement.of_share("Cochran calls one of eight good groups odd", 0.05, odd),
        Agreement.of_mean(squared, square, _errors("mean of three", 6.0) ** 2, "s²"),
    )
