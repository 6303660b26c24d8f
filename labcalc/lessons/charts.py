"""Reading a control chart: what points beyond limits cost in false alarms, what rules add, what tampering does."""

import math
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import product

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc import statistics
from labcalc.judgement import Chart, Material
from labcalc.lessons import agreement
from labcalc.lessons.plots import Mark, Plot, Series, curve, histogram, percent_of, results_and_flags
from labcalc.wording import at_celsius, counted, signed

_CHARTS = 4000
_RESULTS = 100_000
FACTOR = statistics.CHART_CONSTANTS["trade"].individuals
"""What turns a mean moving range into three sigma, [-]."""

_SETS = ("limits only", "petroleum", "western electric")
"""Rule sets with an exact run length, the fewest rules first."""


@dataclass(frozen=True, eq=False)
class OwnChart:
    """A chart drawn by a learner's name: results in mm²/s, and from which one on the mean is shifted (0: never)."""

    results: NDArray[np.float64]
    centre: float
    sigma: float
    shifted_from: int

    @property
    def z(self) -> NDArray[np.float64]:
        """Distance from the centre, [sigma]."""
        return (self.results - self.centre) / self.sigma


def false_alarm_share() -> float:
    """Return the probability that one result of a healthy chart lies beyond three sigma, [-]."""
    return math.erfc(3.0 / math.sqrt(2.0))


@lru_cache(maxsize=64)
def run_length(rules: str, shift: float = 0.0) -> statistics.RunLength:
    """Return the exact run length of a rule set by its name, at a shift, [sigma]."""
    return statistics.rules_run_length(statistics.RULE_SETS[rules], shift)


@lru_cache(maxsize=8)
def _simulated(rules: str, shift: float) -> statistics.SimulatedRunLength:
    return statistics.simulated_run_length(statistics.RULE_SETS[rules], shift, charts=_CHARTS, seed=2)


def upper_limit(results: NDArray[np.float64]) -> float:
    """Return mean and three sigma by the mean moving range of a baseline, [unit of the results]."""
    return statistics.individuals_limits(results, as_known=True).upper


def laboratory_charts(material: Material, instrument: str = "", oil: str = "", at_C: float = math.nan) -> list[Chart]:
    """Return the charts of viscosity with limits, the newest last: all, or those of an instrument, oil, level [°C]."""
    charts = [one for one in material.charts if one.quantity == "kinematic viscosity" and one.limits is not None]
    chosen = [one for one in charts if instrument in ("", one.instrument) and oil in ("", one.oil)]
    chosen = [one for one in chosen if math.isnan(at_C) or at_C == one.temperature_C]
    return sorted(chosen, key=lambda one: one.measured_at[-1])


def draw_chart(generator: Generator, results: int = 40, level: float = 15.02, sigma: float = 0.015) -> OwnChart:
    """Draw a chart of reference-oil results, [mm²/s]; in every second one the mean moves by two sigma on the way."""
    drawn, start = generator.normal(level, sigma, results), 0
    if generator.integers(2):
        start = int(generator.integers(results // 2, 3 * results // 4))
        drawn[start - 1 :] += 2.0 * sigma
    return OwnChart(np.round(drawn, 3), level, sigma, start)


def plot_chart(chart: Chart) -> Plot:
    """Show a chart of the laboratory with its limits, and its single results beyond them."""
    assert chart.limits is not None  # the charts of the sample laboratory have them
    limits, position = chart.limits, np.arange(1.0, chart.plotted.size + 1.0)
    beyond = np.abs(limits.standardised(chart.plotted)) > 3.0
    days = ", ".join(f"{day:%d %B}" for day in chart.measured_at[beyond]) or "none"
    return Plot(
        f"{chart.instrument}, {at_celsius(chart.oil, chart.temperature_C)}: {chart.plotted.size} results, "
        f"{int(chart.in_baseline.sum())} of them set the limits {signed(limits.lower, 2)} and "
        f"{signed(limits.upper, 2)} {chart.unit}. Beyond a limit: {days}.",
        "Result",
        f"Distance from the certified value, {chart.unit}",
        results_and_flags(position, chart.plotted, beyond),
        levels=(Mark(limits.upper, "upper limit"), Mark(limits.centre, "centre"), Mark(limits.lower, "lower limit")),
    )


def plot_own_chart(own: OwnChart, *, told: bool = True) -> Plot:
    """Show a learner's chart; told: with its limits, and what was behind it."""
    position, beyond = np.arange(1.0, own.results.size + 1.0), (np.abs(own.z) > 3.0) & told
    behind = f"From result {own.shifted_from} on the mean was shifted" if own.shifted_from else "The mean never changed"
    said = f"{behind}. {int(beyond.sum())} of {own.results.size} results lie beyond a limit."
    levels = ((3.0, "upper limit"), (0.0, "centre"), (-3.0, "lower limit")) if told else ()
    return Plot(
        said if told else f"{own.results.size} results of a reference oil, without limits yet.",
        "Result",
        "Kinematic viscosity, mm²/s",
        results_and_flags(position, own.results, beyond)[: 1 + told],
        levels=tuple(Mark(own.centre + k * own.sigma, word) for k, word in levels),
    )


def plot_waiting() -> Plot:
    """Show how soon a healthy chart gives its first false alarm."""
    found, lengths = run_length("limits only"), _simulated("limits only", 0.0).run_lengths
    at = [1, 25, 50, 100, 200, 300, 400, 600, 800, 1000]
    caption = (
        f"Of 1000 results of a healthy instrument {1000.0 * false_alarm_share():.1f} lie beyond three sigma. A false "
        f"alarm comes after {found.average:.0f} results on average, and in half of all charts within "
        f"{found.quantile(0.5)}."
    )
    series = (
        curve("theory", at, lambda n: 100.0 * found.probability_within(round(n))),
        curve("simulated", at, lambda n: percent_of(lengths <= n), "points"),
    )
    return Plot(caption, "Results", "Charts with a false alarm so far, %", series)


def plot_delay(shift: float) -> Plot:
    """Show how many results pass until a shift is found, by limits alone and by rules."""
    shifts = np.linspace(0.0, 4.0, 17)
    said = "; ".join(f"{name}: {run_length(name, shift).average:.1f}" for name in _SETS)
    return Plot(
        f"A shift of {shift:.1f} s is found after so many results on average: {said}.",
        "Shift of the mean, s",
        "Results until a signal",
        tuple(curve(name, shifts, partial(_average, name)) for name in _SETS),
        marks=(Mark(shift, f"{shift:.1f} s"),),
        y_log=True,
    )


def _average(rules: str, shift: float) -> float:
    return run_length(rules, shift).average


def plot_rule_sets() -> Plot:
    """Show how often each set of rules gives a false alarm."""
    averages = np.array([run_length(name).average for name in _SETS])
    counts = [len(statistics.RULE_SETS[name]) for name in _SETS]
    said = ", ".join(
        f"{name} ({counted(n, 'rule')}): every {average:.0f} results"
        for name, n, average in zip(_SETS, counts, averages, strict=True)
    )
    return Plot(
        f"False alarms of a healthy instrument. {said}.",
        "Rules",
        "Results between false alarms",
        (Series("exact", np.arange(3.0), averages, "bars"),),
        x_names=tuple(f"{name} ({counted(n, 'rule')})" for name, n in zip(_SETS, counts, strict=True)),
    )


def _tampered() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Adjust after each result by what it was off: the next one carries the error of the one before."""
    error = agreement.normal_draws(3, _RESULTS + 1)
    return error[1:], error[1:] - error[:-1]


def plot_tampering() -> Plot:
    """Show results of an instrument that is left alone, and of one that is adjusted after every result."""
    alone, tampered = _tampered()
    edges = np.linspace(-5.0, 5.0, 41)
    caption = (
        f"Left alone: standard deviation {np.std(alone):.3f} s. Adjusted after every result by what it was off: "
        f"{np.std(tampered):.3f} s. Theory: √2 = {math.sqrt(2.0):.3f}."
    )
    series = (histogram(alone, edges, "left alone", "line"), histogram(tampered, edges, "adjusted every time", "line"))
    return Plot(caption, "Distance from the true value, s", "Share of results, %", series)


def charts_agreements() -> tuple[agreement.Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    alone, tampered = _tampered()
    claims = [agreement.agreement_of_share("Results beyond three sigma", false_alarm_share(), np.abs(alone) > 3.0)]
    for name, shift in product(("limits only", "western electric"), (0.0, 1.0)):
        words = f"{name}: results until {'a shift of 1 s is found' if shift else 'a false alarm'}"
        found = _simulated(name, shift).run_lengths
        claims.append(agreement.agreement_of_mean(words, run_length(name, shift).average, found, ""))
    adjusted = "Scatter when every result is answered by an adjustment"
    return *claims, agreement.agreement_of_spread(adjusted, math.sqrt(2.0), tampered, "s")
