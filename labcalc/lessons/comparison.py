"""Two instruments and a round: differences on the same samples, what is to come of them, scores by chance."""

import math
from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.judgement import Material
from labcalc.lessons.charts import laboratory_charts
from labcalc.lessons.plots import Agreement, Array, Plot, Series, curve, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import COVER_95
from labcalc.statistics import coverage_factor

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


def oil_differences(material: Material, temperature_C: float = 40.0) -> Array:
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


def draw_instruments(generator: Generator, samples: int = 8) -> tuple[Array, Array]:
    """Draw results of two instruments on the same oils, [mm²/s]; in every second set one reads 0.15 % too high."""
    oils = generator.uniform(20.0, 90.0, samples)
    off = 0.0015 * float(generator.integers(2))
    first, second = oils * (1.0 + generator.normal(0.0, 0.001, (2, samples)))
    return np.round(first * (1.0 + off), 3), np.round(second, 3)


def _drawn(number: int) -> Array:
    """Standard normal numbers, cases × number."""
    return normal_draws(111, _CASES, number)


def _mean_differences(samples: float, *, paired: bool) -> Array:
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
    series, levels = [Series("samples", (one + other) / 2.0, d, "points")], (mean + width, mean, mean - width)
    numbers = {"samples": d.size, "correlation": correlation, "mean": mean, "low": mean - width, "high": mean + width}
    return plot_of("comparison", "instruments", numbers, series, levels)


def plot_pairing(samples: float) -> Plot:
    """Show how the difference of two means scatters with the same samples and with others."""
    at = np.linspace(0.0, 20.0, 11)
    same, other = (partial(mean_difference_spread, _SAMPLES, paired=one) for one in (True, False))
    series = (
        curve("the same samples", at, same),
        curve("other samples", at, other),
        curve("simulated, the same", at, lambda one: float(_mean_differences(one, paired=True).std()), "points"),
    )
    numbers = {"scatter": samples, "number": _SAMPLES, "same": same(samples), "other": other(samples)}
    return plot_of("comparison", "pairing", numbers, series, marks=[samples])


def plot_next(number: float) -> Plot:
    """Show what mean ± 1.96 s of some differences holds of those to come."""
    numbers, factor, student = [3, 4, 5, 6, 8, 10, 15, 20, 30], "1.96 s", "t s √(1 + 1/n)"
    series = (
        share_curve(f"{factor}, theory", numbers, coverage_of_plain),
        share_curve(f"{factor}, simulated", numbers, partial(_holds_next, plain=True), "points"),
        share_curve(f"{student}, simulated", numbers, partial(_holds_next, plain=False), "points"),
    )
    held = coverage_of_plain(round(number))
    return plot_of("comparison", "next", {"number": number, "held": held}, series, [95.0], [number])


def plot_round(properties: float) -> Plot:
    """Show how many rounds of a healthy laboratory bear a score beyond 2, by the number of properties."""
    at, beyond, number = [1, 2, 4, 6, 8, 10, 15, 20], np.abs(_drawn(20)) > 2.0, round(properties)
    simulated = share_curve("simulated", at, lambda n: beyond[:, :n].max(axis=1), "points")
    numbers = {"properties": properties, "two": any_beyond(number), "three": any_beyond(number, 3.0)}
    series = (share_curve("theory", at, any_beyond), simulated)
    return plot_of("comparison", "round", numbers, series, marks=[properties])


def comparison_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    claims = []
    for name, paired in (("the same", True), ("other", False)):
        words = f"Difference of two means, oils ten times as wide as s, {name} samples"
        theory = mean_difference_spread(_SAMPLES, 10.0, paired=paired)
        claims.append(Agreement.of_spread(words, theory, _mean_differences(10.0, paired=paired), "s"))
    usual, eight = "Next difference within mean ± 1.96 s of ten", "Rounds of eight properties with a |z| beyond 2"
    return (
        *claims,
        Agreement.of_share(usual, coverage_of_plain(10), _holds_next(10, plain=True)),
        Agreement.of_share("Next difference within t s √(1 + 1/n) of ten", 0.95, _holds_next(10, plain=False)),
        Agreement.of_share(eight, any_beyond(8), (np.abs(_drawn(8)) > 2.0).any(axis=1)),
    )
