"""What a chart whose limits are estimates gives and sees: false alarms begun, and results until a shift is found."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from labcalc.statistics.charts.control_charts import ewma
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS, ChartLimits
from labcalc.statistics.charts.run_rules import RunRule, run_rule_signals
from labcalc.statistics.series import Array

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


def _at_worst(begins: NDArray[np.bool_]) -> float:
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


def _signals(
    z: Array, rules: tuple[RunRule, ...], weight: float, multiple: float, limits: ChartLimits
) -> NDArray[np.bool_]:
    found = np.zeros(z.shape, dtype=bool)
    if rules:
        grid = np.linspace(-30.0, 30.0, 6_001)  # scores of 1e6 results one by one would take ten times as long
        found |= run_rule_signals(np.interp(z, grid, limits.standardised(grid)), rules).beyond
    if weight > 0.0:
        average = ewma(z, weight)
        found |= np.abs(average) > limits.reach(multiple, weight=weight) * math.sqrt(weight / (2.0 - weight))
    return found
