"""EWMA and self-starting charts of a series of results, and what charts whose limits are estimates give and see."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtri, stdtr

from labcalc.statistics.charts.control_limits import STANDARD_LIMITS, ChartLimits
from labcalc.statistics.charts.run_rules import Flags, RunRule, run_rule_signals
from labcalc.statistics.series import Array, finite_series

_NEGLIGIBLE = 1e-17  # a weight so small is lost against 1 in double precision


@dataclass(frozen=True, eq=False)
class EwmaChart:
    """Exponentially weighted moving average with its own, constant limits."""

    weight: float
    multiple: float
    lower: float
    upper: float
    values: Array
    beyond: Flags


def ewma_chart(
    results: ArrayLike, limits: ChartLimits, *, weight: float = 0.4, multiple: float = 3.0, starts: ArrayLike = ()
) -> EwmaChart:
    r"""Follow results with an exponentially weighted moving average and its limits, [unit of the results].

    .. math:: E_i = \lambda x_i + (1 - \lambda) E_{i-1}, \qquad
        \mathrm{limits} = \mathrm{centre} \pm L_n \sigma \sqrt{\lambda / (2 - \lambda)}

    results : Results in the order of measurement, [unit of the limits].
    limits : Centre and sigma, [unit of the results].
    weight : Weight λ of the newest result, [-], above 0 up to 1; 0.4 as common in petroleum testing (memory).
    multiple : Half width L of the limits with known centre and sigma, [standard deviations of the average]; L_n is as
        rarely passed although both are estimates (``ChartLimits.reach``).
    starts : Places of results at which it starts anew, [-].
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; ISO 7870-6:2024.
    """
    parts = np.split(finite_series(results, 0, "a chart"), np.asarray(starts, np.intp))
    values = np.concatenate([ewma(part, weight, limits.centre) for part in parts])
    half_width = limits.reach(multiple, weight=weight) * limits.sigma * math.sqrt(weight / (2.0 - weight))
    beyond = np.abs(values - limits.centre) > half_width
    return EwmaChart(weight, multiple, limits.centre - half_width, limits.centre + half_width, values, beyond)


def ewma(values: ArrayLike, weight: float, start: float = 0.0) -> Array:
    """Return the exponentially weighted moving average of a series, [unit of the values], of its shape.

    values : Values in their order along the last axis, [any unit].
    weight : Weight λ of the newest value, [-], above 0 up to 1.
    start : Average before the first value, [unit of the values].
    Source : Roberts, S. W.: Technometrics 1 (1959) 239.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"EWMA weight {weight:g}: more than 0, up to 1 was expected")
    averages = weight * (np.asarray(values, dtype=float) - start)
    # Each pass doubles the stretch that a value has seen, until what lies further back has no weight left.
    kept, stretch = 1.0 - weight, 1
    while stretch < averages.shape[-1] and kept > _NEGLIGIBLE:
        averages[..., stretch:] += kept * averages[..., :-stretch]
        kept, stretch = kept * kept, 2 * stretch
    return start + averages


_FAR, _REFERENCE, _DECISION = 3.0, 0.5, 5.0
"""Limit of a single statistic, and reference value and decision interval of their CUSUM (ISO 7870-4 [memory])."""


def self_starting(results: ArrayLike, sigma: float = 0.0, degrees_of_freedom: float = 0.0) -> Array:
    r"""Return how unusual each result is beside those before it.

    .. math:: T_r = \sqrt{(r - 1)/r} \, (x_r - \bar x_{r-1}) / s_{r-1}, \qquad
        Q_r = \Phi^{-1}(F_t(T_r; \nu_{r-1}))

    results : from the first on, [any unit].
    sigma : standard deviation by an earlier lot, [unit of the results]; pooled with that of the results.
    degrees_of_freedom : of sigma, [-]; 0 without one, infinite for a known one.
    Returns : Q, [-]: independent and standard normal while nothing changes; NaN where nothing is known yet: for two
        results, or for one with a sigma.
    Source : Quesenberry, C. P.: J. Qual. Technol. 23 (1991) 213, mean unknown, variance unknown or known.
    """
    series = finite_series(results, 1, "a chart")
    q = np.full(series.size, np.nan)
    r = np.arange(2, series.size + 1)
    before = np.cumsum(series)[:-1] / (r - 1.0)
    away = np.sqrt((r - 1.0) / r) * (series[1:] - before)
    # squares of results 1 to r - 1 about their mean: each one adds the square of its own distance from those before
    squares = np.concatenate([[0.0], np.cumsum(away**2)[:-1]]) if r.size else away
    with np.errstate(invalid="ignore", divide="ignore"):
        if np.isinf(degrees_of_freedom):
            q[1:] = away / sigma
        else:
            freedom = degrees_of_freedom + r - 2.0
            t = away / np.sqrt((degrees_of_freedom * sigma**2 + squares) / freedom)
            q[1:] = np.where(freedom > 0.0, -np.sign(t) * ndtri(stdtr(np.maximum(freedom, 1.0), -np.abs(t))), np.nan)
    return q


def early_signals(q: ArrayLike) -> np.ndarray:
    """Tell where a self-starting chart signals, [-]: |Q| beyond 3, or its CUSUM (0.5, 5), which starts anew then.

    q : as ``self_starting`` returns them, [-].
    Source : Hawkins, D. M.: The Statistician 36 (1987) 61, the self-starting CUSUM [memory].
    """
    found, high, low = np.zeros(np.size(q), dtype=bool), 0.0, 0.0
    for place, one in enumerate(np.nan_to_num(np.asarray(q, dtype=float)).tolist()):
        high, low = max(0.0, high + one - _REFERENCE), max(0.0, low - one - _REFERENCE)
        if abs(one) > _FAR or max(high, low) > _DECISION:
            found[place], high, low = True, 0.0, 0.0
    return found


_CHARTS, _RESULTS, _SETTLING = 3_000, 400, 30  # charts that are drawn, results of each, results before these, [-]


@dataclass(frozen=True)
class ChartSight:
    """Figures of charts with limits of one size of baseline, over all such baselines."""

    begun: float  # false alarms begun a result, [-]: results that signal after one that doesn't
    begun_at_worst: float  # the same of the chart that one in ten is worse than, [-]
    half: float  # results until a shift of one standard deviation is found in every second chart, [-]
    most: float  # results until it is found in nine charts of ten, [-]; infinite where that takes more than 400


@lru_cache(maxsize=64)
def chart_sight(
    rules: tuple[RunRule, ...],
    weight: float,
    multiple: float,
    number: float,
    degrees_of_freedom: float,
    as_known: bool = False,
) -> ChartSight:
    """Return what charts give and see, by simulation of all their signals together.

    rules : Run rules, [-].
    weight, multiple : Weight of the newest result in the EWMA, [-], 0 for none, and half width of its limits with known
        centre and sigma, [standard deviations of the average].
    number : Results that set the centre, [-]; infinite for a known one.
    degrees_of_freedom : Of sigma, [-]; infinite for a known one.
    as_known : Limits at three sigma although centre and sigma are estimates.
    Returns : The same for the same arguments; false alarms begun to 5 %, those of one chart in ten to 20 %.
    Source : Conditional performance of charts with estimated limits: Quesenberry, C. P.: J. Qual. Technol. 25 (1993)
        237.
    """
    generator = np.random.default_rng(20_261_129)
    centre, sigma = _estimates(_CHARTS, number, degrees_of_freedom)
    count = 0 if math.isinf(number) else round(number)
    limits = replace(STANDARD_LIMITS, number=count, tail_degrees_of_freedom=degrees_of_freedom, as_known=as_known)
    quiet = generator.standard_normal((_CHARTS, _SETTLING + _RESULTS))
    signals = _signals((quiet - centre) / sigma, rules, weight, multiple, limits)
    begins = signals[:, _SETTLING:] & ~signals[:, _SETTLING - 1 : -1]
    moved = quiet + np.where(np.arange(quiet.shape[1]) < _SETTLING, 0.0, 1.0)
    found = _signals((moved - centre) / sigma, rules, weight, multiple, limits)[:, _SETTLING:]
    delay = np.where(found.any(axis=1), found.argmax(axis=1) + 1.0, math.inf)
    half, most = np.quantile(delay, [0.5, 0.9], method="lower")
    return ChartSight(float(begins.mean()), _at_worst(begins), float(half), float(most))


def _at_worst(begins: Flags) -> float:
    """Return the rate that one chart in ten exceeds, freed from luck: what is its own both halves share."""
    of_chart = begins.mean(axis=1)
    own = np.cov(begins.reshape(len(begins), 2, -1).mean(axis=2).T)[0, 1] / (of_chart.var() or 1.0)
    return float(of_chart.mean() + math.sqrt(max(own, 0.0)) * (np.quantile(of_chart, 0.9) - of_chart.mean()))


def _estimates(charts: int, number: float, degrees: float) -> tuple[Array, Array]:
    """Return centres and sigmas, spread evenly over what baselines give (a lattice in both)."""
    place = np.arange(charts) + 0.5
    even, golden = place / charts, (place * (math.sqrt(5.0) - 1.0) / 2.0) % 1.0
    centre = ndtri(golden) / math.sqrt(number)
    sigma = np.ones(charts) if math.isinf(degrees) else np.sqrt(chdtri(degrees, even) / degrees)
    return centre[:, None], sigma[:, None]


def _signals(z: Array, rules: tuple[RunRule, ...], weight: float, multiple: float, limits: ChartLimits) -> Flags:
    found = np.zeros(z.shape, dtype=bool)
    if rules:
        grid = np.linspace(-30.0, 30.0, 6_001)  # scores of 1e6 results one by one would take ten times as long
        found |= run_rule_signals(np.interp(z, grid, limits.standardised(grid)), rules).beyond
    if weight > 0.0:
        average = ewma(z, weight)
        found |= np.abs(average) > limits.reach(multiple, weight=weight) * math.sqrt(weight / (2.0 - weight))
    return found
