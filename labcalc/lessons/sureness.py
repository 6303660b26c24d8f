"""How sure is a mean, a standard deviation, a limit: intervals from few results, and what they cover."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.lessons.agreement import Agreement, agreement_of_mean, agreement_of_share
from labcalc.lessons.plots import Mark, Plot, Series, histogram
from labcalc.lessons.repeats import COVER_95
from labcalc.statistics import coverage_factor, spread_interval

_SERIES = 20_000
_SHOWN = 40


def mean_half_width(deviation: float, results: int) -> float:
    """Return the half width of the 95 % interval of a mean, t s/√n, [unit of the deviation]."""
    return coverage_factor(0.95, results - 1.0) * deviation / math.sqrt(results)


def coverage_of_normal_factor(results: int) -> float:
    """Return how often mean ± 1.96 s/√n holds the true mean, [-]: less than it promises, for few results."""
    from scipy.special import stdtr

    return 1.0 - 2.0 * float(stdtr(results - 1.0, -COVER_95))


def false_alarm_of_estimated_limits(results: int) -> float:
    """Return the chance that a healthy result lies beyond mean ± 3 s of a baseline, over all baselines, [-].

    A new result less the mean of the baseline scatters with σ √(1 + 1/n), and over s it follows Student's distribution.
    """
    from scipy.special import stdtr

    return 2.0 * float(stdtr(results - 1.0, -3.0 / math.sqrt(1.0 + 1.0 / results)))


def spread_of_limit(results: int) -> float:
    """Return the standard uncertainty of a limit at mean ± 3 s, [true standard deviation] (JCGM 100:2008, E.4.3)."""
    return math.sqrt(1.0 / results + 9.0 / (2.0 * (results - 1.0)))


def draw_results(
    generator: Generator, results: int = 6, level: float = 46.12, deviation: float = 0.05
) -> NDArray[np.float64]:
    """Draw results of one oil, [mm²/s], with two decimals."""
    return np.round(generator.normal(level, deviation, results), 2)


@lru_cache(maxsize=64)
def _series(results: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and standard deviation of many series of standard normal results."""
    drawn = np.random.default_rng(results).standard_normal((_SERIES, results))
    return drawn.mean(axis=1), drawn.std(axis=1, ddof=1)


def _holds(results: int, factor: float) -> NDArray[np.bool_]:
    means, deviations = _series(results)
    return np.asarray(np.abs(means) <= factor * deviations / math.sqrt(results))


def plot_intervals(number: float) -> Plot:
    """Show the 95 % intervals that forty laboratories find for one true value."""
    results = round(number)
    means, deviations = (one[:_SHOWN] for one in _series(results))
    half = coverage_factor(0.95, results - 1.0) * deviations / math.sqrt(results)
    missed, position = np.abs(means) > half, np.arange(1.0, _SHOWN + 1.0)
    share = 100.0 * float(np.mean(_holds(results, coverage_factor(0.95, results - 1.0))))
    return Plot(
        f"{_SHOWN} laboratories with {results} results each: {_intervals(int(missed.sum()))} the true value. Of "
        f"{_SERIES} laboratories {share:.1f} % hold it; 95 % is promised.",
        "Laboratory",
        "Mean and its 95 % interval, σ",
        (
            Series("holds the true value", position[~missed], means[~missed], "points", half[~missed]),
            Series("misses it", position[missed], means[missed], "flags", half[missed]),
        ),
        levels=(Mark(0.0, "true value"),),
    )


def _intervals(missing: int) -> str:
    return "1 interval misses" if missing == 1 else f"{missing} intervals miss"


def plot_coverage() -> Plot:
    """Show what the factor 1.96 covers for few results, and what Student's factor does."""
    numbers = np.array([2, 3, 4, 5, 6, 8, 10, 15, 20, 30])
    exact = np.array([100.0 * coverage_of_normal_factor(int(n)) for n in numbers])
    found = np.array([100.0 * float(np.mean(_holds(int(n), COVER_95))) for n in numbers])
    student = np.array([100.0 * float(np.mean(_holds(int(n), coverage_factor(0.95, n - 1.0)))) for n in numbers])
    return Plot(
        f"Mean ± {COVER_95:.2f} s/√n holds the true mean in {exact[1]:.0f} % of cases with {numbers[1]} results, in "
        f"{exact[4]:.0f} % with {numbers[4]}, in {exact[-1]:.0f} % with {numbers[-1]}. Student's factor keeps 95 %.",
        "Results",
        "Intervals that hold the true mean, %",
        (
            Series("factor 1.96, theory", numbers.astype(float), exact),
            Series("factor 1.96, simulated", numbers.astype(float), found, "points"),
            Series("Student's factor, simulated", numbers.astype(float), student, "points"),
        ),
        levels=(Mark(95.0, "95 %"),),
    )


def plot_spreads(number: float) -> Plot:
    """Show how standard deviations from a number of results scatter round the true one."""
    results = round(number)
    low, high = (1.0 / end for end in reversed(spread_interval(1.0, results - 1.0)))
    found = _series(results)[1]
    inside = 100.0 * float(np.mean((found >= low) & (found <= high)))
    return Plot(
        f"{results} results: by theory 95 % of all s lie between {low:.2f} and {high:.2f} times σ; {inside:.1f} % of "
        f"{_SERIES} simulated ones do.",
        "s, as a multiple of the true σ",
        "Share of series, %",
        (histogram(found, np.linspace(0.0, 2.5, 51)),),
        marks=(Mark(low, f"{low:.2f}"), Mark(1.0, "true"), Mark(high, f"{high:.2f}")),
    )


def plot_limits(number: float) -> Plot:
    """Show how often charts give false alarms whose limits rest on a baseline of a number of results."""
    from scipy.special import ndtr

    results = round(number)
    means, deviations = _series(results)
    rates = 1000.0 * (ndtr(means - 3.0 * deviations) + ndtr(-means - 3.0 * deviations))
    worst, true = float(np.quantile(rates, 0.9)), 1000.0 * math.erfc(3.0 / math.sqrt(2.0))
    return Plot(
        f"Limits from {results} results. False alarms in 1000 results: {true:.1f} with true limits, "
        f"{1000.0 * false_alarm_of_estimated_limits(results):.1f} over all such charts, more than {worst:.1f} on one "
        f"chart in ten. The standard uncertainty of a limit is {spread_of_limit(results):.2f} σ.",
        "False alarms of a chart in 1000 results",
        "Share of charts, %",
        (histogram(rates, np.linspace(0.0, max(30.0, 1.2 * worst), 31)),),
        marks=(Mark(true, "true limits"), Mark(worst, "one in ten beyond")),
    )


def sureness_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    fifteen, six = 15, 6
    means, deviations = _series(fifteen)
    low, high = (1.0 / end for end in reversed(spread_interval(1.0, fifteen - 1.0)))
    new = np.random.default_rng(9).standard_normal(_SERIES)
    return (
        agreement_of_share(
            f"Student's interval of a mean of {six} holds it", 0.95, _holds(six, coverage_factor(0.95, six - 1.0))
        ),
        agreement_of_share(
            f"Mean of {six} ± {COVER_95:.2f} s/√n holds it", coverage_of_normal_factor(six), _holds(six, COVER_95)
        ),
        agreement_of_share(
            f"s from {fifteen} results within its 95 % range", 0.95, (deviations >= low) & (deviations <= high)
        ),
        agreement_of_share(
            f"False alarms of limits from {fifteen} results",
            false_alarm_of_estimated_limits(fifteen),
            np.abs(new - means) > 3.0 * deviations,
        ),
        agreement_of_mean(f"Variance of a mean of {fifteen}", 1.0 / fifteen, means**2, "σ²"),
    )
