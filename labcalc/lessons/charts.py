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
from labcalc.lessons.plots import Agreement, Array, Plot, Series, curve, histogram, normal_draws, plot_of, share_curve
from labcalc.wording import at_celsius, counted

_CHARTS = 4000
_RESULTS = 100_000
FACTOR = statistics.CHART_CONSTANTS["trade"].individuals  # what turns a mean moving range into three sigma, [-]
_SETS = ("limits only", "petroleum", "western electric")  # rule sets with an exact run length, the fewest rules first


@dataclass(frozen=True, eq=False)
class OwnChart:
    """A chart drawn by a learner's name: results in mm²/s, and from which one on the mean is shifted (0: never)."""

    results: Array
    centre: float
    sigma: float
    shifted_from: int

    @property
    def z(self) -> Array:
        """Distance from the centre, [sigma]."""
        return (self.results - self.centre) / self.sigma


def false_alarm_share() -> float:
    """Return the probability that one result of a healthy chart lies beyond three sigma, [-]."""
    return math.erfc(3.0 / math.sqrt(2.0))


@lru_cache(maxsize=64)
def run_length(rules: str, shift: float = 0.0) -> statistics.RunLength:
    """Return the exact run length of a rule set by its name, at a shift, [sigma]."""
    return statistics.rules_run_length(statistics.RULE_SETS[rules], shift)


def average_delay(rules: str, shift: float = 0.0) -> float:
    """Return how many results a rule set takes on average until it signals, [results]."""
    return run_length(rules, shift).average


@lru_cache(maxsize=8)
def _simulated(rules: str, shift: float) -> statistics.SimulatedRunLength:
    return statistics.simulated_run_length(statistics.RULE_SETS[rules], shift, charts=_CHARTS, seed=2)


def upper_limit(results: Array) -> float:
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


def _results_and_flags(at: Array, results: Array, beyond: NDArray[np.bool_]) -> tuple[Series, Series]:
    """Return results as points, those beyond a limit as flags."""
    within = Series("results", at[~beyond], results[~beyond], "points")
    return within, Series("beyond a limit", at[beyond], results[beyond], "flags")


def plot_chart(chart: Chart) -> Plot:
    """Show a chart of the laboratory with its limits, and its single results beyond them."""
    assert chart.limits is not None  # the charts of the sample laboratory have them
    limits, position = chart.limits, np.arange(1.0, chart.plotted.size + 1.0)
    beyond = np.abs(limits.standardised(chart.plotted)) > 3.0
    series, levels = _results_and_flags(position, chart.plotted, beyond), (limits.upper, limits.centre, limits.lower)
    place, days = at_celsius(chart.oil, chart.temperature_C), (f"{day:%d %B}" for day in chart.measured_at[beyond])
    told = {"place": place, "baseline": int(chart.in_baseline.sum()), "days": ", ".join(days) or "none"}
    return plot_of("charts", "chart", {"chart": chart, "limits": limits, **told}, series, levels)


def plot_own_chart(own: OwnChart, *, told: bool = True) -> Plot:
    """Show a learner's chart; told: with its limits, and what was behind it."""
    position, beyond = np.arange(1.0, own.results.size + 1.0), (np.abs(own.z) > 3.0) & told
    series = _results_and_flags(position, own.results, beyond)
    if not told:
        return plot_of("charts", "untold", {"results": own.results.size}, series[:1])
    behind = f"From result {own.shifted_from} on the mean was shifted" if own.shifted_from else "The mean never changed"
    numbers = {"behind": behind, "beyond": int(beyond.sum()), "results": own.results.size}
    levels = [own.centre + side * own.sigma for side in (3.0, 0.0, -3.0)]
    return plot_of("charts", "own_chart", numbers, series, levels)


def plot_waiting() -> Plot:
    """Show how soon a healthy chart gives its first false alarm."""
    found, lengths = run_length("limits only"), _simulated("limits only", 0.0).run_lengths
    at = [1, 25, 50, 100, 200, 300, 400, 600, 800, 1000]
    theory = share_curve("theory", at, found.probability_within)
    series = (theory, share_curve("simulated", at, lambda n: lengths <= n, "points"))
    numbers = {"beyond": 1000.0 * false_alarm_share(), "average": found.average, "half": found.quantile(0.5)}
    return plot_of("charts", "waiting", numbers, series)


def plot_delay(shift: float) -> Plot:
    """Show how many results pass until a shift is found, by limits alone and by rules."""
    shifts = np.linspace(0.0, 4.0, 17)
    said = "; ".join(f"{name}: {average_delay(name, shift):.1f}" for name in _SETS)
    series = [curve(name, shifts, partial(average_delay, name)) for name in _SETS]
    return plot_of("charts", "delay", {"shift": shift, "said": said}, series, marks=[shift])


def plot_rule_sets() -> Plot:
    """Show how often each set of rules gives a false alarm."""
    averages = [average_delay(name) for name in _SETS]
    names = [f"{name} ({counted(len(statistics.RULE_SETS[name]), 'rule')})" for name in _SETS]
    said = ", ".join(f"{name}: every {average:.0f} results" for name, average in zip(names, averages, strict=True))
    series = [Series("exact", np.arange(3.0), np.array(averages), "bars")]
    return plot_of("charts", "rule_sets", {"said": said}, series, x_names=names)


def _tampered() -> tuple[Array, Array]:
    """Adjust after each result by what it was off: the next one carries the error of the one before."""
    error = normal_draws(3, _RESULTS + 1)
    return error[1:], error[1:] - error[:-1]


def plot_tampering() -> Plot:
    """Show results of an instrument that is left alone, and of one that is adjusted after every result."""
    alone, tampered = _tampered()
    drawn = {"left alone": alone, "adjusted every time": tampered}
    series = [histogram(errors, np.linspace(-5.0, 5.0, 41), name, "line") for name, errors in drawn.items()]
    numbers = {"alone": np.std(alone), "tampered": np.std(tampered), "theory": math.sqrt(2.0)}
    return plot_of("charts", "tampering", numbers, series)


def charts_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    alone, tampered = _tampered()
    claims = [Agreement.of_share("Results beyond three sigma", false_alarm_share(), np.abs(alone) > 3.0)]
    for name, shift in product(("limits only", "western electric"), (0.0, 1.0)):
        words = f"{name}: results until {'a shift of 1 s is found' if shift else 'a false alarm'}"
        claims.append(Agreement.of_mean(words, average_delay(name, shift), _simulated(name, shift).run_lengths, ""))
    adjusted = "Scatter when every result is answered by an adjustment"
    return *claims, Agreement.of_spread(adjusted, math.sqrt(2.0), tampered, "s")
