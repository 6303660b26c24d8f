"""The table [control] of lab.toml: how control charts are set up and read."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from labcalc.lab._tables import Key, choice, day, listed, number, table, tables, text, whole_number
from labcalc.lab.laboratory import Baseline, ControlChoices
from labcalc.statistics import CHART_CONSTANTS, PERFORMANCE_THRESHOLDS, RULE_SETS, Beyond, PerformanceThresholds

__all__ = ["CONTROL"]

_NAN = float("nan")
_DEFAULT = ControlChoices()
_ABOVE_ZERO = number(above=0)


def _check_baseline(baseline: Baseline) -> Iterator[tuple[str, str]]:
    if baseline.last_day < baseline.first_day:
        yield "to", f"{baseline.last_day}: a day on or after from ({baseline.first_day}) is expected"


_BASELINE = table(
    {
        "from": Key(day, field="first_day"),
        "to": Key(day, field="last_day"),
        "lot": Key(text, ""),
        "instrument": Key(text, ""),
    },
    Baseline,
    _check_baseline,
)


def _rule(count: int, window: int, sigmas: float) -> tuple[int, int, float]:
    return count, window, sigmas


def _check_rule(rule: tuple[int, int, float]) -> Iterator[tuple[str, str]]:
    count, window, _ = rule
    if count > window:
        yield "count", f"{count}: at most of ({window}) is expected"


_RULE = table(
    {
        "count": Key(whole_number(1, 50)),
        "of": Key(whole_number(1, 50), field="window"),
        "beyond_sigmas": Key(number(0, 6), field="sigmas"),
    },
    _rule,
    _check_rule,
)


def _performance(
    ratio: float, satisfactory: tuple[float, ...], inconsistent: tuple[float, ...]
) -> PerformanceThresholds:
    return PerformanceThresholds(ratio, _pair(satisfactory), _pair(inconsistent), "lab.toml, [control.performance]")


def _pair(numbers: tuple[float, ...]) -> tuple[float, float]:
    """Return two numbers; NaN stands for another count, that the check names."""
    return (numbers[0], numbers[1]) if len(numbers) == 2 else (_NAN, _NAN)


def _check_performance(limits: PerformanceThresholds) -> Iterator[tuple[str, str]]:
    for name in ("satisfactory", "inconsistent"):
        if math.isnan(getattr(limits, name)[0]):
            yield name, "two numbers are expected: one for a ratio R/r below ratio, one for the others"
    if any(low > high for low, high in zip(limits.inconsistent, limits.satisfactory, strict=True)):
        yield "inconsistent", "numbers not greater than those of satisfactory are expected"


_PERFORMANCE = table(
    {
        "ratio": Key(_ABOVE_ZERO, PERFORMANCE_THRESHOLDS.ratio_split),
        "satisfactory": Key(listed(_ABOVE_ZERO, "two numbers"), PERFORMANCE_THRESHOLDS.satisfactory),
        "inconsistent": Key(listed(_ABOVE_ZERO, "two numbers"), PERFORMANCE_THRESHOLDS.inconsistent),
    },
    _performance,
    _check_performance,
)


def _control(rules: str, own_rules: tuple[tuple[int, int, float], ...], **choices: Any) -> ControlChoices:
    return ControlChoices(rules=tuple(Beyond(*one) for one in own_rules) or RULE_SETS[rules], **choices)


def _check_control(control: ControlChoices) -> Iterator[tuple[str, str]]:
    if control.settled_results < control.fewest_results:
        few, settled = control.fewest_results, control.settled_results
        yield "settled_results", f"{settled}: at least fewest_results ({few}) is expected"


CONTROL = table(
    {
        "baseline": Key(
            tables(_BASELINE, unique=lambda one: one, called="the same baseline"), _DEFAULT.baselines, field="baselines"
        ),
        "rules": Key(choice(RULE_SETS), "limits only"),
        "rule": Key(tables(_RULE, unique=lambda one: one, called="the same rule"), (), field="own_rules"),
        "ewma_weight": Key(number(0, 1), _DEFAULT.ewma_weight),
        "ewma_multiple": Key(_ABOVE_ZERO, _DEFAULT.ewma_multiple),
        "constants": Key(choice(CHART_CONSTANTS), _DEFAULT.constants),
        "baseline_results": Key(whole_number(5, 1000), _DEFAULT.baseline_results),
        "fewest_results": Key(whole_number(5, 1000), _DEFAULT.fewest_results),
        "settled_results": Key(whole_number(5, 1000), _DEFAULT.settled_results),
        "performance": Key(_PERFORMANCE, _DEFAULT.performance),
    },
    _control,
    _check_control,
)
"""Reader of the whole table; ``rule`` tables, where there are any, stand instead of a set named by ``rules``."""
