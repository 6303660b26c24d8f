"""EWMA against the single point: what a moving average remembers, how soon it finds a shift, at the same price."""

import math
from functools import lru_cache, partial

import numpy as np
from numpy.random import Generator

from labcalc.judgement import Chart, Material
from labcalc.lessons.charts import average_delay, laboratory_charts
from labcalc.lessons.plots import Agreement, Array, Plot, Series, curve, plot_of
from labcalc.statistics import ewma, ewma_run_length
from labcalc.wording import at_celsius

WEIGHT = 0.4  # weight of the newest result that the sample laboratory uses
_CHARTS = 3000
_CLOSE = 1e-6
_LONGEST = 6000  # results within which practically every simulated chart has signalled


def half_width(weight: float, multiple: float = 3.0) -> float:
    """Return the half width of the limits of an EWMA, [sigma of single results]."""
    return multiple * math.sqrt(weight / (2.0 - weight))


@lru_cache(maxsize=256)
def delay_of_average(weight: float, shift: float, multiple: float = 3.0) -> float:
    """Return how many results an EWMA takes on average until it signals, [results]."""
    return ewma_run_length(weight, multiple, shift).average


delay_of_limits = partial(average_delay, "limits only")  # results that limits at three sigma take at a shift, [sigma]


@lru_cache(maxsize=8)
def delay_of_both(shift: float) -> float:
    """Return how many results a chart takes with limits of results and an EWMA, both at three sigma, [results]."""
    return ewma_run_length(WEIGHT, 3.0, shift, individuals_limit=3.0).average


def laboratory_averages(material: Material) -> list[Chart]:
    """Return the charts of kinematic viscosity that have an EWMA of two results or more, the newest last."""
    return [one for one in laboratory_charts(material) if one.ewma is not None and one.ewma.values.size > 1]


@lru_cache(maxsize=64)
def equal_multiple(weight: float) -> float:
    """Return the multiple of sigma with which an EWMA has as many false alarms as limits at three sigma, [-]."""
    from scipy.optimize import brentq

    wanted = delay_of_limits(0.0)
    return float(brentq(lambda one: math.log(delay_of_average(weight, 0.0, one) / wanted), 2.0, 3.2, xtol=_CLOSE))


@lru_cache(maxsize=8)
def simulated_average(weight: float, multiple: float, shift: float, individuals_limit: float = math.inf) -> Array:
    """Return the run lengths of simulated EWMA charts, [results], with or without limits of results, [sigma]."""
    generator, limit = np.random.default_rng(4), half_width(weight, multiple)
    lengths, average, going = np.zeros(_CHARTS), np.zeros(_CHARTS), np.ones(_CHARTS, dtype=bool)
    for number in range(1, _LONGEST + 1):
        drawn = shift + generator.standard_normal(_CHARTS)
        average += weight * (drawn - average)
        signalled = going & ((np.abs(average) > limit) | (np.abs(drawn) > individuals_limit))
        lengths[signalled], going = number, going & ~signalled
        if not going.any():
            break
    return lengths


def draw_shifted(generator: Generator, results: int = 30, start: int = 11, shift: float = 1.5) -> Array:
    """Draw standardised results whose mean moves at result ``start`` (from 1) by ``shift``, [sigma]."""
    drawn = generator.standard_normal(results)
    drawn[start - 1 :] += shift
    return np.round(drawn, 1)


def plot_memory(weight: float) -> Plot:
    """Show what each result weighs in the average."""
    weights = 100.0 * weight * (1.0 - weight) ** np.arange(15.0)
    series = (Series("weight", np.arange(15.0), weights, "bars"),)
    numbers = {"weight": weight, "weights": weights, "scatter": half_width(weight, 1.0)}
    return plot_of("averages", "memory", numbers, series)


def plot_chart_average(chart: Chart) -> Plot:
    """Show a chart of the laboratory with its EWMA, both with their limits."""
    assert chart.limits is not None  # the charts of the sample laboratory have both
    assert chart.ewma is not None
    limits, average = chart.limits, chart.ewma
    used = np.arange(1.0, chart.plotted.size + 1.0)[chart.used]
    series = (
        Series("results", used, chart.plotted[chart.used], "points"),
        Series("EWMA", used, average.values, "line"),
        Series("EWMA beyond its limits", used[average.beyond], average.values[average.beyond], "flags"),
    )
    first = int(np.argmax(average.beyond)) if average.beyond.any() else -1
    found = f"result {used[first]:.0f}, {chart.measured_at[chart.used][first]:%d %B}" if first >= 0 else "never"
    place, single = at_celsius(chart.oil, chart.temperature_C), (np.abs(limits.standardised(chart.plotted)) > 3.0).sum()
    numbers = {"chart": chart, "place": place, "single": single, "weight": average.weight, "found": found}
    levels = (limits.upper, average.upper, average.lower, limits.lower)
    return plot_of("averages", "chart_average", numbers, series, levels)


def plot_delays(shift: float) -> Plot:
    """Show how many results pass until a shift is found: single limits, and an EWMA with as many false alarms."""
    multiple, shifts = equal_multiple(WEIGHT), np.linspace(0.0, 3.5, 15)
    limits = curve("limits of single results", shifts, delay_of_limits)
    ewmas = curve(f"EWMA, weight {WEIGHT:g}", shifts, lambda one: delay_of_average(WEIGHT, one, multiple))
    single, alarm = (delay_of_limits(one) for one in (shift, 0.0))
    numbers = {"shift": shift, "single": single, "average": delay_of_average(WEIGHT, shift, multiple), "alarm": alarm}
    return plot_of("averages", "delays", numbers, (limits, ewmas), marks=[shift])


def plot_weight(weight: float) -> Plot:
    """Show what the weight does: delay for a small, a middle and a large shift, at equal false alarms."""
    weights = np.array([0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0])
    shifts = 0.5, 1.0, 3.0
    series = [curve(f"shift {one:g} s", weights, partial(_fair_delay, shift=one)) for one in shifts]
    said = "; ".join(f"{one:g} s after {_fair_delay(weight, one):.1f}" for one in shifts)
    return plot_of("averages", "weight", {"weight": weight, "said": said}, series, marks=[weight])


def _fair_delay(weight: float, shift: float) -> float:
    return delay_of_average(weight, shift, equal_multiple(weight))


def averages_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    settled = ewma(np.random.default_rng(5).standard_normal((20_000, 40)), WEIGHT)[:, -1]
    claims = [Agreement.of_spread(f"Scatter of an EWMA of weight {WEIGHT:g}", half_width(WEIGHT, 1.0), settled, "s")]
    for weight, shift in ((WEIGHT, 0.0), (WEIGHT, 1.0), (0.1, 1.0)):
        words = f"EWMA, weight {weight:g}, shift {shift:g} s: results until it signals"
        found = simulated_average(weight, 3.0, shift)
        claims.append(Agreement.of_mean(words, delay_of_average(weight, shift), found, ""))
    both = "Limits of results and EWMA on one chart: results until a false alarm"
    return *claims, Agreement.of_mean(both, delay_of_both(0.0), simulated_average(WEIGHT, 3.0, 0.0, 3.0), "")
