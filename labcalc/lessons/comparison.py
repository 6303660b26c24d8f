"""Two instruments and a round: differences on the same samples, what is to come of them, scores by chance."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.judgement import Material
from labcalc.lessons.agreement import Agreement, agreement_of_share, agreement_of_spread
from labcalc.lessons.plots import Mark, Plot, Series
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
    """Return the standard deviation of the difference of two instruments' means, [standard deviations of a result].

    Parameters
    ----------
    number : Samples that each instrument gets, [-].
    samples : Standard deviation of the samples' true values, [standard deviations of a result].
    paired : Whether both get the same samples.
    """
    return math.sqrt(2.0 / number * (1.0 if paired else 1.0 + samples**2))


def oil_differences(material: Material, temperature_C: float = 40.0) -> NDArray[np.float64]:
    """Return first less second instrument, [%], a number for each lot of reference oil and day that both measured."""
    rows = material.record[(material.record["temperature_C"] == temperature_C) & material.record["lot"].notna()]
    table = rows.assign(day=rows["measured_at"].dt.date).pivot_table(
        "kinematic_viscosity_mm2_s", ["sample", "lot", "day"], "instrument"
    )
    pairs = table.iloc[:, :2].dropna().to_numpy(float)
    return np.asarray(200.0 * (pairs[:, 0] - pairs[:, 1]) / pairs.sum(axis=1)) if table.shape[1] > 1 else np.array([])


def draw_instruments(generator: Generator, samples: int = 8) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw results of two instruments on the same oils, [mm²/s]; in every second set, by chance, one reads too high."""
    oils = generator.uniform(20.0, 90.0, samples)
    off = 0.08 * float(generator.integers(2))
    first, second = oils + generator.normal(0.0, 0.05, (2, samples))
    return np.round(first + off, 2), np.round(second, 2)


@lru_cache(maxsize=8)
def _drawn(number: int) -> NDArray[np.float64]:
    """Standard normal numbers, cases × number."""
    return np.random.default_rng([111, number]).standard_normal((_CASES, number))


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
    mean, width = float(d.mean()), next_half_width(float(d.std(ddof=1)), d.size)
    return Plot(
        f"{d.size} samples on both instruments. Correlation of the results {np.corrcoef(one, other)[0, 1]:.5f}, which says "
        f"that the oils differ. First minus second: mean {signed(mean, 3)} %; 95 % of differences to come lie between "
        f"{signed(mean - width, 2)} and {signed(mean + width, 2)} %.",
        "Mean of both, mm²/s",
        "First − second, %",
        (Series("samples", (one + other) / 2.0, d, "points"),),
        levels=(Mark(mean + width, "next difference"), Mark(mean, "mean"), Mark(mean - width, "next difference")),
    )


def plot_pairing(samples: float) -> Plot:
    """Show how the difference of two means scatters with the same samples and with others."""
    at = np.linspace(0.0, 20.0, 11)
    curves = [
        Series(name, at, np.array([mean_difference_spread(_SAMPLES, float(one), paired=paired) for one in at]))
        for name, paired in (("the same samples", True), ("other samples", False))
    ]
    found = np.array([float(_mean_differences(float(one), paired=True).std(ddof=1)) for one in at])
    same, other = (mean_difference_spread(_SAMPLES, samples, paired=one) for one in (True, False))
    return Plot(
        f"Samples scatter with {samples:.0f} s. The difference of the means of {_SAMPLES} scatters with {same:.2f} s where "
        f"both instruments get the same samples, with {other:.2f} s where they don't.",
        "Scatter of the samples, s",
        "Scatter of the mean difference, s",
        (*curves, Series("simulated, the same", at, found, "points")),
        marks=(Mark(samples, f"{samples:.0f} s"),),
    )


def plot_next(number: float) -> Plot:
    """Show what mean ± 1.96 s of some differences holds of those to come."""
    numbers = np.array([3, 4, 5, 6, 8, 10, 15, 20, 30])
    exact = np.array([100.0 * coverage_of_plain(int(n)) for n in numbers])
    found, student = (
        np.array([100.0 * float(np.mean(_holds_next(int(n), plain=one))) for n in numbers]) for one in (True, False)
    )
    return Plot(
        f"From {number:.0f} differences, mean ± 1.96 s holds {percent(coverage_of_plain(round(number)), 1)} of those to "
        "come, on average. With Student's factor and √(1 + 1/n) it is 95 %.",
        "Differences known",
        "Differences to come that are held, %",
        (
            Series("1.96 s, theory", numbers.astype(float), exact),
            Series("1.96 s, simulated", numbers.astype(float), found, "points"),
            Series("t s √(1 + 1/n), simulated", numbers.astype(float), student, "points"),
        ),
        levels=(Mark(95.0, "95 %"),),
        marks=(Mark(number, f"{number:.0f}"),),
    )


def plot_round(properties: float) -> Plot:
    """Show how many rounds of a healthy laboratory bear a score beyond 2, by the number of properties."""
    at = np.array([1, 2, 4, 6, 8, 10, 15, 20])
    found = np.array([100.0 * float(np.mean((np.abs(_drawn(20)[:, :n]) > 2.0).any(axis=1))) for n in at])
    return Plot(
        f"With {properties:.0f} independent properties {percent(any_beyond(round(properties)), 0)} of all rounds of a healthy "
        f"laboratory have a |z| beyond 2, {percent(any_beyond(round(properties), 3.0), 1)} one beyond 3. Properties that "
        "move together, as density and viscosity at two temperatures do, count as fewer.",
        "Properties in a round",
        "Rounds with a score beyond 2, %",
        (
            Series("theory", at.astype(float), np.array([100.0 * any_beyond(int(n)) for n in at])),
            Series("simulated", at.astype(float), found, "points"),
        ),
        marks=(Mark(properties, f"{properties:.0f}"),),
    )


def comparison_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    return (
        *(
            agreement_of_spread(
                f"Difference of two means, oils ten times as wide as s, {name} samples",
                mean_difference_spread(_SAMPLES, 10.0, paired=paired),
                _mean_differences(10.0, paired=paired),
                "s",
            )
            for name, paired in (("the same", True), ("other", False))
        ),
        agreement_of_share(
            "Next difference within mean ± 1.96 s of ten", coverage_of_plain(10), _holds_next(10, plain=True)
        ),
        agreement_of_share("Next difference within t s √(1 + 1/n) of ten", 0.95, _holds_next(10, plain=False)),
        agreement_of_share(
            "Rounds of eight properties with a |z| beyond 2", any_beyond(8), (np.abs(_drawn(8)) > 2.0).any(axis=1)
        ),
    )
