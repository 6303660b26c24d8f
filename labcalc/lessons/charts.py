"""Reading a control chart: what points beyond limits cost in false alarms, what rules add, what tampering does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.judgement import Chart, Material
from labcalc.lessons.agreement import Agreement, agreement_of_mean, agreement_of_share, agreement_of_spread
from labcalc.lessons.plots import Mark, Plot, Series, histogram
from labcalc.statistics import (
    CHART_CONSTANTS,
    RULE_SETS,
    RunLength,
    SimulatedRunLength,
    individuals_limits,
    rules_run_length,
    simulated_run_length,
)
from labcalc.wording import at_celsius, counted, signed

_CHARTS = 4000
_RESULTS = 100_000
FACTOR = CHART_CONSTANTS["trade"].individuals
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

    @property
    def first_beyond(self) -> int:
        """Number of the first result beyond three sigma, from 1; 0 where there is none."""
        beyond = np.abs(self.z) > 3.0
        return int(np.argmax(beyond)) + 1 if beyond.any() else 0


def false_alarm_share() -> float:
    """Return the probability that one result of a healthy chart lies beyond three sigma, [-]."""
    return math.erfc(3.0 / math.sqrt(2.0))


@lru_cache(maxsize=64)
def run_length(rules: str, shift: float = 0.0) -> RunLength:
    """Return the exact run length of a rule set by its name, at a shift, [sigma]."""
    return rules_run_length(RULE_SETS[rules], shift)


@lru_cache(maxsize=8)
def _simulated(rules: str, shift: float) -> SimulatedRunLength:
    return simulated_run_length(RULE_SETS[rules], shift, charts=_CHARTS, seed=2)


def upper_limit(results: NDArray[np.float64]) -> float:
    """Return mean and three sigma by the mean moving range of a baseline, [unit of the results]."""
    return individuals_limits(results, as_known=True).upper


def laboratory_charts(material: Material) -> list[Chart]:
    """Return the charts of kinematic viscosity that have limits, the newest last; a laboratory may have none."""
    charts = [one for one in material.charts if one.quantity == "kinematic viscosity" and one.limits is not None]
    return sorted(charts, key=lambda one: one.measured_at[-1])


def laboratory_chart(charts: tuple[Chart, ...], instrument: str, oil: str, temperature_C: float = 40.0) -> Chart:
    """Return the newest chart of viscosity of an instrument with an oil at a temperature, [°C]."""
    wanted = [
        one
        for one in charts
        if (one.instrument, one.oil, one.temperature_C) == (instrument, oil, temperature_C)
        and one.quantity == "kinematic viscosity"
    ]
    return max(wanted, key=lambda one: one.measured_at[-1])


def draw_chart(generator: Generator, results: int = 40, *, level: float = 15.02, sigma: float = 0.015) -> OwnChart:
    """Draw a chart of reference-oil results; in every second one, by chance, the mean moves by two sigma on the way.

    Parameters
    ----------
    generator : Source of chance.
    results : Number of results, [-].
    level, sigma : Centre and standard deviation, [mm²/s].
    """
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
        (
            Series("results", position[~beyond], chart.plotted[~beyond], "points"),
            Series("beyond a limit", position[beyond], chart.plotted[beyond], "flags"),
        ),
        levels=(Mark(limits.upper, "upper limit"), Mark(limits.centre, "centre"), Mark(limits.lower, "lower limit")),
    )


def plot_own_points(own: OwnChart) -> Plot:
    """Show the results of a learner's chart without limits."""
    return Plot(
        f"{own.results.size} results of a reference oil, between {own.results.min():.3f} and "
        f"{own.results.max():.3f} mm²/s.",
        "Result",
        "Kinematic viscosity, mm²/s",
        (Series("results", np.arange(1.0, own.results.size + 1.0), own.results, "points"),),
    )


def plot_own_chart(own: OwnChart) -> Plot:
    """Show a learner's chart with its limits, and say what was behind it."""
    position, beyond = np.arange(1.0, own.results.size + 1.0), np.abs(own.z) > 3.0
    behind = f"From result {own.shifted_from} on the mean was shifted" if own.shifted_from else "The mean never changed"
    return Plot(
        f"{behind}. {int(beyond.sum())} of {own.results.size} results lie beyond a limit.",
        "Result",
        "Kinematic viscosity, mm²/s",
        (
            Series("results", position[~beyond], own.results[~beyond], "points"),
            Series("beyond a limit", position[beyond], own.results[beyond], "flags"),
        ),
        levels=tuple(
            Mark(own.centre + k * own.sigma, word)
            for k, word in ((3.0, "upper limit"), (0.0, "centre"), (-3.0, "lower limit"))
        ),
    )


def plot_waiting() -> Plot:
    """Show how soon a healthy chart gives its first false alarm."""
    found, lengths = run_length("limits only"), _simulated("limits only", 0.0).run_lengths
    at = np.array([1, 25, 50, 100, 200, 300, 400, 600, 800, 1000])
    exact = np.array([100.0 * found.probability_within(int(n)) for n in at])
    share = np.array([100.0 * float(np.mean(lengths <= n)) for n in at])
    return Plot(
        f"Of 1000 results of a healthy instrument {1000.0 * false_alarm_share():.1f} lie beyond three sigma. A false "
        f"alarm comes after {found.average:.0f} results on average, and in half of all charts within "
        f"{found.quantile(0.5)}.",
        "Results",
        "Charts with a false alarm so far, %",
        (Series("theory", at.astype(float), exact), Series("simulated", at.astype(float), share, "points")),
    )


def plot_delay(shift: float) -> Plot:
    """Show how many results pass until a shift is found, by limits alone and by rules."""
    shifts = np.linspace(0.0, 4.0, 17)
    curves = [
        Series(name, shifts, np.array([run_length(name, float(one)).average for one in shifts])) for name in _SETS
    ]
    said = "; ".join(f"{name}: {rules_run_length(RULE_SETS[name], shift).average:.1f}" for name in _SETS)
    return Plot(
        f"A shift of {shift:.1f} s is found after so many results on average: {said}.",
        "Shift of the mean, s",
        "Results until a signal",
        tuple(curves),
        marks=(Mark(shift, f"{shift:.1f} s"),),
        y_log=True,
    )


def plot_rule_sets() -> Plot:
    """Show how often each set of rules gives a false alarm."""
    averages = np.array([run_length(name).average for name in _SETS])
    counts = [len(RULE_SETS[name]) for name in _SETS]
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


@lru_cache(maxsize=1)
def _tampered() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Adjust after each result by what it was off: the next one carries the error of the one before."""
    error = np.random.default_rng(3).standard_normal(_RESULTS + 1)
    return error[1:], error[1:] - error[:-1]


def plot_tampering() -> Plot:
    """Show results of an instrument that is left alone, and of one that is adjusted after every result."""
    alone, tampered = _tampered()
    edges = np.linspace(-5.0, 5.0, 41)
    bars = (histogram(alone, edges), histogram(tampered, edges))
    return Plot(
        f"Left alone: standard deviation {np.std(alone):.3f} s. Adjusted after every result by what it was off: "
        f"{np.std(tampered):.3f} s. Theory: √2 = {math.sqrt(2.0):.3f}.",
        "Distance from the true value, s",
        "Share of results, %",
        (Series("left alone", bars[0].x, bars[0].y), Series("adjusted every time", bars[1].x, bars[1].y)),
    )


def charts_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    alone, tampered = _tampered()
    return (
        agreement_of_share("Results beyond three sigma", false_alarm_share(), np.abs(alone) > 3.0),
        *(
            agreement_of_mean(
                f"{name}: results until {'a false alarm' if shift == 0.0 else 'a shift of 1 s is found'}",
                run_length(name, shift).average,
                _simulated(name, shift).run_lengths,
                "",
            )
            for name in ("limits only", "western electric")
            for shift in (0.0, 1.0)
        ),
        agreement_of_spread("Scatter when every result is answered by an adjustment", math.sqrt(2.0), tampered, "s"),
    )
