"""Two instruments and a round: differences on the same samples, what is to come of them, scores by chance."""

import math
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.judgement import Material
from labcalc.lessons.agreement import Agreement, agreement_of_share, agreement_of_spread, normal_draws
from labcalc.lessons.charts import laboratory_charts
from labcalc.lessons.plots import Mark, Plot, Series, curve, percent_of
from labcalc.lessons.repeats import COVER_95
from labcalc.statistics import coverage_factor
from labcalc.wording import percent, signed

_CASES = 20_000
_SAMPLES = 10


def next_half_width(deviation: float, number: int) -> float:
    """Return how far the next difference may lie from the mean of some, with 95 %: t s √(1 + 1/n), [unit of s]."""
    return coverage_factor(0.95, number - 1.0) * deviation * math.sqrt(1.0 + 1.0 / number)


def coverage_of_plain(number: int) -> float:
    """Return how many differences to come mean ± 1.96 s of some holds on average, [-]: fewer than 95 %."""
    from scipy.special import stdtr

    return 1.0 - 2.0 * float(stdtr(number - 1.0, -COVER_95 / math.sqrt(1.0 + 1.0 / number)))


def any_beyond(properties: int, limit: float = 2.0) -> float:
    """Return how often a healthy laboratory has at least one score beyond a limit, [-], properties independent."""
    return 1.0 - (1.0 - math.erfc(limit / math.sqrt(2.0))) ** properties


def mean_difference_spread(number: int, samples: float, *, paired: bool) -> float:
    """Return the scatter of the difference of two instruments' means, [s]; ``samples`` is that of samples, [s]."""
    return math.sqrt(2.0 / number * (1.0 if paired else 1.0 + samples**2))


def oil_differences(material: Material, temperature_C: float = 40.0) -> NDArray[np.float64]:
    """Return first less second instrument on the same oil, lot and day, [%]; of the results that charts use."""
    charts = [one for one in laboratory_charts(material, at_C=temperature_C) if one.unit == "%"]
    days: dict[tuple[str, str, str], pd.Series] = {}
    for one in charts:
        results = pd.Series(one.plotted[one.used], one.measured_at[one.used].date)
        days[one.oil, one.lot, one.instrument] = results.groupby(level=0).mean()
    found = [
        days[oil, lot, first] - days[oil, lot, second]
        for oil, lot in dict.fromkeys((oil, lot) for oil, lot, _ in days)
        for first, second in pairwise(sorted(name for *which, name in days if which == [oil, lot]))
    ]
    return pd.concat(found).dropna().to_numpy(float) if found else np.array([])


def draw_instruments(generator: Generator, samples: int = 8) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw results of two instruments on the same oils, [mm²/s]; in every second set one reads 0.15 % too high."""
    oils = generator.uniform(20.0, 90.0, samples)
    off = 0.0015 * float(generator.integers(2))
    first, second = oils * (1.0 + generator.normal(0.0, 0.001, (2, samples)))
    return np.round(first * (1.0 + off), 3), np.round(second, 3)


def _drawn(number: int) -> NDArray[np.float64]:
    """Standard normal numbers, cases × number."""
    return normal_draws(111, _CASES, number)


def _mean_differences(samples: float, *, paired: bool) -> NDArray[np.float64]:
    drawn = _drawn(4 * _SAMPLES).reshape(_CASES, 4, _SAMPLES)
    oils = samples * (drawn[:, 0], drawn[:, 0] if paired else drawn[:, 1])[1]
    return np.asarray((samples * drawn[:, 0] + drawn[:, 2] - oils - drawn[:, 3]).mean(axis=1))


def _holds_next(number: int, *, plain: bool) -> NDArray[np.bool_]:
    """Tell of simulated sets of differences whether their range holds one more."""
    known, more = _drawn(number + 1)[:, :-1], _drawn(number + 1)[:, -1]
    width = COVER_95 if plain else next_half_width(1.0, number)
    return np.asarray(np.abs(more - known.mean(axis=1)) <= width * known.std(axis=1, ddof=1))


def plot_instruments(first: ArrayLike, second: ArrayLike) -> Plot:
    """Show differences of two instruments against the level, with the range of the next one."""
    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    d = 200.0 * (one - other) / (one + other)
    correlation = math.floor(1e4 * np.corrcoef(one, other)[0, 1]) / 1e4
    mean, width = float(d.mean()), next_half_width(float(d.std(ddof=1)), d.size)
    return Plot(
        f"{d.size} samples on both instruments. Correlation of the results above {correlation:.4f}, which "
        f"says that the oils differ. First minus second: mean {signed(mean, 3)} %; 95 % of differences to come lie "
        f"between {signed(mean - width, 2)} and {signed(mean + width, 2)} %.",
        "Mean of both, mm²/s",
        "First − second, %",
        (Series("samples", (one + other) / 2.0, d, "points"),),
        levels=(Mark(mean + width, "next difference"), Mark(mean, "mean"), Mark(mean - width, "next difference")),
    )


def plot_pairing(samples: float) -> Plot:
    """Show how the difference of two means scatters with the same samples and with others."""
    at = np.linspace(0.0, 20.0, 11)
    same, other = (mean_difference_spread(_SAMPLES, samples, paired=one) for one in (True, False))
    return Plot(
        f"Samples scatter with {samples:.0f} s. The difference of the means of {_SAMPLES} scatters with {same:.2f} s "
        f"where both instruments get the same samples, with {other:.2f} s where they don't.",
        "Scatter of the samples, s",
        "Scatter of the mean difference, s",
        (
            curve("the same samples", at, lambda one: mean_difference_spread(_SAMPLES, one, paired=True)),
            curve("other samples", at, lambda one: mean_difference_spread(_SAMPLES, one, paired=False)),
            curve("simulated, the same", at, lambda one: float(_mean_differences(one, paired=True).std()), "points"),
        ),
        marks=(Mark(samples, f"{samples:.0f} s"),),
    )


def plot_next(number: float) -> Plot:
    """Show what mean ± 1.96 s of some differences holds of those to come."""
    numbers = [3, 4, 5, 6, 8, 10, 15, 20, 30]
    return Plot(
        f"From {number:.0f} differences, mean ± 1.96 s holds {percent(coverage_of_plain(round(number)), 1)} of those "
        "to come, on average. With Student's factor and √(1 + 1/n) it is 95 %.",
        "Differences known",
        "Differences to come that are held, %",
        (
            curve("1.96 s, theory", numbers, lambda n: 100.0 * coverage_of_plain(round(n))),
            curve("1.96 s, simulated", numbers, lambda n: percent_of(_holds_next(round(n), plain=True)), "points"),
            curve(
                "t s √(1 + 1/n), simulated", numbers, lambda n: percent_of(_holds_next(round(n), plain=False)), "points"
            ),
        ),
        levels=(Mark(95.0, "95 %"),),
        marks=(Mark(number, f"{number:.0f}"),),
    )


def plot_round(properties: float) -> Plot:
    """Show how many rounds of a healthy laboratory bear a score beyond 2, by the number of properties."""
    at, beyond = [1, 2, 4, 6, 8, 10, 15, 20], np.abs(_drawn(20)) > 2.0
    return Plot(
        f"With {properties:.0f} independent properties {percent(any_beyond(round(properties)), 0)} of all rounds of a "
        f"healthy laboratory have a |z| beyond 2, {percent(any_beyond(round(properties), 3.0), 1)} one beyond 3. "
        "Properties that move together, as density and viscosity at two temperatures do, count as fewer.",
        "Properties in a round",
        "Rounds with a score beyond 2, %",
        (
            curve("theory", at, lambda n: 100.0 * any_beyond(round(n))),
            curve("simulated", at, lambda n: percent_of(beyond[:, : round(n)].max(axis=1)), "points"),
        ),
        marks=(Mark(properties, f"{properties:.0f}"),),
    )


def comparison_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    claims = []
    for name, paired in (("the same", True), ("other", False)):
        words = f"Difference of two means, oils ten times as wide as s, {name} samples"
        theory, found = mean_difference_spread(_SAMPLES, 10.0, paired=paired), _mean_differences(10.0, paired=paired)
        claims.append(agreement_of_spread(words, theory, found, "s"))
    usual, eight = "Next difference within mean ± 1.96 s of ten", "Rounds of eight properties with a |z| beyond 2"
    return (
        *claims,
        agreement_of_share(usual, coverage_of_plain(10), _holds_next(10, plain=True)),
        agreement_of_share("Next difference within t s √(1 + 1/n) of ten", 0.95, _holds_next(10, plain=False)),
        agreement_of_share(eight, any_beyond(8), (np.abs(_drawn(8)) > 2.0).any(axis=1)),
    )
