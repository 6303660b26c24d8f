"""What control charts can see: results until a false alarm, and until a shift is found, by run lengths."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from labcalc.lab import ControlChoices
from labcalc.statistics import (
    Alternation,
    Beyond,
    RunRule,
    Trend,
    estimated_limits_run_length,
    ewma_run_length,
    rules_run_length,
    simulated_run_length,
)

_BASELINES = 100
"""Simulated baselines: enough for what one chart in ten does, to about a third."""


@dataclass(frozen=True)
class Sight:
    """What a chart can see: results until a false alarm, and until a shift of one sigma is found, on average."""

    signals: str
    """Which signals, in words."""
    false_alarm: float
    one_sigma: float
    source: str

    @property
    def sentence(self) -> str:
        """Both numbers in one sentence."""
        return (
            f"By {self.signals}, a shift of one standard deviation is found in about {self.one_sigma:.0f} results; "
            f"a false alarm comes about every {self.false_alarm:.0f} results ({self.source})."
        )


@dataclass(frozen=True)
class EstimatedSight:
    """How often charts give a false alarm whose limits were set from a few results: it differs from chart to chart.

    ``often``, ``median`` and ``seldom`` are results between false alarms: of the chart that one in ten is worse than,
    of the one in the middle, and of the one that one in ten is better than.
    """

    baseline: int
    often: float
    median: float
    seldom: float

    @property
    def sentence(self) -> str:
        """The numbers in one sentence."""
        return (
            f"Where limits were set from {self.baseline} results alone, every second chart gives a false alarm oftener "
            f"than every {self.median:.0f} results; one chart in ten oftener than every {self.often:.0f}, one in ten "
            f"more seldom than every {self.seldom:.0f} ({_BASELINES} simulated baselines)."
        )


def sight_of(control: ControlChoices) -> tuple[Sight, ...]:
    """Return what charts can see by these choices, by exact run lengths.

    Parameters
    ----------
    control : ControlChoices
        Run rules, EWMA weight and multiple.

    Returns
    -------
    tuple of Sight
        One where all signals of the chart have one exact run length; run rules beside an EWMA give one each, and the
        chart as a whole signals no later than the sooner of the two.
    """
    return _sight(control.rules, control.ewma_weight, control.ewma_multiple)


@lru_cache(maxsize=8)
def _sight(rules: tuple[RunRule, ...], weight: float, multiple: float) -> tuple[Sight, ...]:
    alone = [rule.sigmas for rule in rules if isinstance(rule, Beyond) and rule.window == 1]
    if weight > 0.0 and len(rules) == 1 and alone:
        together = [
            ewma_run_length(weight, multiple, shift, individuals_limit=alone[0]).average for shift in (0.0, 1.0)
        ]
        words = f"limits at {alone[0]:g} s and an EWMA of weight {weight:g}"
        return (Sight(words, together[0], together[1], "exact for known limits"),)
    found = [_rules_sight(rules)] if rules else []
    if weight > 0.0:
        lengths = [ewma_run_length(weight, multiple, shift).average for shift in (0.0, 1.0)]
        found.append(Sight(f"the EWMA of weight {weight:g} alone", lengths[0], lengths[1], "exact for known limits"))
    return tuple(found)


def _rules_sight(rules: tuple[RunRule, ...]) -> Sight:
    words = "the run rules " + ", ".join(map(str, rules))
    if any(isinstance(rule, Trend | Alternation) for rule in rules):
        false, one = (simulated_run_length(rules, shift).average for shift in (0.0, 1.0))
        return Sight(words, false, one, "simulated, 10000 charts")
    false, one = (rules_run_length(rules, shift).average for shift in (0.0, 1.0))
    return Sight(words, false, one, "exact for known limits")


def sight_of_few(control: ControlChoices, baseline: int) -> EstimatedSight | None:
    """Return how often charts with limits from a few results give a false alarm.

    Parameters
    ----------
    control : ControlChoices
        Run rules, EWMA weight and multiple.
    baseline : int
        Results in the baseline, [-].

    Returns
    -------
    EstimatedSight or None
        None for rule sets whose run length takes too long to be worked out a hundred times.
    """
    return _few(control.rules, control.ewma_weight, control.ewma_multiple, baseline)


@lru_cache(maxsize=8)
def _few(rules: tuple[RunRule, ...], weight: float, multiple: float, baseline: int) -> EstimatedSight | None:
    average = _average(rules, weight, multiple)
    if average is None:
        return None
    found = estimated_limits_run_length(average, baseline, charts=_BASELINES)
    return EstimatedSight(baseline, *(found.quantile(share) for share in (0.1, 0.5, 0.9)))


def _average(rules: tuple[RunRule, ...], weight: float, multiple: float) -> Callable[[float, float], float] | None:
    """Return the average run length of a shift and a scale, where it is quick to work out."""
    single = [rule.sigmas for rule in rules if isinstance(rule, Beyond) and rule.window == 1]
    if len(rules) != 1 or not single:
        return None
    if weight == 0.0:
        return lambda shift, scale: rules_run_length(rules, shift, scale=scale).average
    limit = single[0]
    return lambda shift, scale: ewma_run_length(weight, multiple, shift, scale=scale, individuals_limit=limit).average
