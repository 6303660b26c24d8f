"""How sure is a mean, a standard deviation, a limit: intervals from few results, and what they cover."""

import math

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.lessons.plots import Agreement, Array, Plot, Series, grouped, histogram, normal_draws, plot_of, share_curve
from labcalc.lessons.repeats import COVER_95, deviation_bounds, plot_deviations
from labcalc.statistics import coverage_factor, individuals_limits
from labcalc.wording import counted

_SERIES = 20_000
_SHOWN = 40


def mean_half_width(deviation: float, results: int) -> float:
    """Return the half width of the 95 % interval of a mean, t s/√n, [unit of the deviation]."""
    return coverage_factor(0.95, results - 1.0) * deviation / math.sqrt(results)


def coverage_of_normal_factor(results: int) -> float:
    """Return how often mean ± 1.96 s/√n holds the true mean, [-]: less than it promises, for few results."""
    from scipy.special import stdtr

    return 1.0 - 2.0 * float(stdtr(results - 1.0, -COVER_95))


def spread_of_limit(results: int) -> float:
    """Return the standard uncertainty of a limit at mean ± 3 s, [true standard deviation] (JCGM 100:2008, E.4.3)."""
    return math.sqrt(1.0 / results + 9.0 / (2.0 * (results - 1.0)))


def draw_results(generator: Generator, results: int = 6, level: float = 46.12, deviation: float = 0.05) -> Array:
    """Draw results of one oil, [mm²/s], with two decimals."""
    return np.round(generator.normal(level, deviation, results), 2)


def _series(results: int) -> tuple[Array, Array]:
    """Return mean and standard deviation of many series of standard normal results."""
    drawn = normal_draws(5, _SERIES, results)
    return drawn.mean(axis=1), drawn.std(axis=1, ddof=1)


def _holds(results: int, factor: float) -> NDArray[np.bool_]:
    means, deviations = _series(results)
    return np.asarray(np.abs(means) <= factor * deviations / math.sqrt(results))


def plot_intervals(number: float) -> Plot:
    """Show the 95 % intervals that forty laboratories find for one true value."""
    results = round(number)
    factor = coverage_factor(0.95, results - 1.0)
    means, deviations = (one[:_SHOWN] for one in _series(results))
    half = factor * deviations / math.sqrt(results)
    missed, position = np.abs(means) > half, np.arange(1.0, _SHOWN + 1.0)
    holds = Series("holds the true value", position[~missed], means[~missed], "points", half[~missed])
    misses = Series("misses it", position[missed], means[missed], "flags", half[missed])
    missing = counted(int(missed.sum()), "interval misses", "intervals miss")
    said = {"missing": missing, "all": grouped(_SERIES), "share": np.mean(_holds(results, factor))}
    return plot_of("sureness", "intervals", {"shown": _SHOWN, "results": results, **said}, (holds, misses), [0.0])


def plot_coverage() -> Plot:
    """Show what the factor 1.96 covers for few results, and what Student's factor does."""
    at = [2, 3, 4, 5, 6, 8, 10, 15, 20, 30]
    exact = share_curve("factor 1.96, theory", at, coverage_of_normal_factor)
    by_t = share_curve("Student's factor, simulated", at, lambda n: _holds(n, coverage_factor(0.95, n - 1.0)), "points")
    series = (exact, share_curve("factor 1.96, simulated", at, lambda n: _holds(n, COVER_95), "points"), by_t)
    shares = {"three": exact.y[1], "six": exact.y[4], "thirty": exact.y[-1]}
    return plot_of("sureness", "coverage", {"factor": COVER_95, **shares}, series, [95.0])


def plot_spreads(number: float) -> Plot:
    """Show how standard deviations from a number of results scatter round the true one."""
    results = round(number)
    return plot_deviations(_series(results)[1], results - 1.0, counted(results, "result"))


def spread_of_range_limit(results: int) -> float:
    """Return the standard uncertainty of a limit at mean ± three sigma from moving ranges, [true standard deviation].

    Neighbouring ranges share a result: of standard normal results each has the mean 2/√π and the variance 2 − 4/π, and
    two neighbours the covariance (4/π)(√3/2 + π/12 − 1), by the moments of the bivariate normal distribution.
    """
    ranges, shared = results - 1, 4.0 / math.pi * (math.sqrt(3.0) / 2.0 + math.pi / 12.0 - 1.0)
    variance = (ranges * (2.0 - 4.0 / math.pi) + 2.0 * (ranges - 1) * shared) / ranges**2
    return math.sqrt(1.0 / results + 9.0 * variance * math.pi / 4.0)


def false_alarm_of_range_limits(results: int) -> float:
    """Return the chance that a healthy result lies beyond mean ± 2.66 mean moving ranges, over all baselines, [-].

    By the degrees of freedom that the tail of such a sigma has (``individuals_limits``).
    """
    return individuals_limits(np.arange(results) % 2.0).chance_beyond(3.0)


def _range_limits(results: int) -> tuple[Array, Array]:
    """Return mean and sigma by moving ranges of many baselines."""
    drawn = normal_draws(5, _SERIES, results)
    return drawn.mean(axis=1), np.abs(np.diff(drawn, axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2.0


def plot_limits(number: float) -> Plot:
    """Show how often charts give false alarms whose limits rest on a baseline of a number of results."""
    from scipy.special import ndtr

    results = round(number)
    means, sigmas = _range_limits(results)
    rates = 1000.0 * (ndtr(means - 3.0 * sigmas) + ndtr(-means - 3.0 * sigmas))
    worst, true = float(np.quantile(rates, 0.9)), 1000.0 * math.erfc(3.0 / math.sqrt(2.0))
    series = [histogram(rates, np.linspace(0.0, max(30.0, 1.2 * worst), 31))]
    spreads = {"by_ranges": spread_of_range_limit(results), "by_deviation": spread_of_limit(results)}
    numbers = {"results": results, "true": true, "mean": np.mean(rates), "worst": worst, **spreads}
    return plot_of("sureness", "limits", numbers, series, marks=[true, worst])


def sureness_agreements() -> tuple[Agreement, ...]:
    """Lay the claims of this lesson beside simulation."""
    n, six = 15, 6
    (means, deviations), (centres, sigmas) = _series(n), _range_limits(n)
    low, high = deviation_bounds(n - 1.0)
    new = np.random.default_rng(9).standard_normal(_SERIES)
    student = coverage_factor(0.95, six - 1.0)
    held, known = f"Mean of {six} ± {COVER_95:.2f} s/√n holds it", coverage_of_normal_factor(six)
    alarms, alarmed = f"False alarms of limits by moving ranges of {n} results", np.abs(new - centres) > 3.0 * sigmas
    upper, inside = f"Scatter of an upper limit by moving ranges of {n}", (deviations >= low) & (deviations <= high)
    return (
        Agreement.of_share(f"Student's interval of a mean of {six} holds it", 0.95, _holds(six, student)),
        Agreement.of_share(held, known, _holds(six, COVER_95)),
        Agreement.of_share(f"s from {n} results within its 95 % range", 0.95, inside),
        Agreement.of_share(alarms, false_alarm_of_range_limits(n), alarmed),
        Agreement.of_spread(upper, spread_of_range_limit(n), centres + 3.0 * sigmas, "σ"),
        Agreement.of_mean(f"Variance of a mean of {n}", 1.0 / n, means**2, "σ²"),
    )
