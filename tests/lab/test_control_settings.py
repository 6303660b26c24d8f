"""The table [control]: defaults, what it becomes, and the exact words for its mistakes."""

from __future__ import annotations

from datetime import date

import pytest

from labcalc.errors import SettingsError
from labcalc.lab import Baseline, ControlChoices
from labcalc.statistics import PETROLEUM, Beyond, PerformanceThresholds
from tests.lab.conftest import Load

CONTROL = """
[control]
rules = "petroleum"
ewma_weight = 0
[[control.baseline]]
from = 2026-01-02
to = 2026-02-13
lot = "A"
[control.performance]
satisfactory = [1.3, 2.5]
"""


def test_without_the_table_there_are_defaults(load: Load) -> None:
    assert load().control == ControlChoices()
    assert [str(rule) for rule in load().control.rules] == ["1 beyond 3 s"]


def test_the_table_becomes_choices(load: Load) -> None:
    control = load(new=CONTROL).control
    assert (control.rules, control.ewma_weight) == (PETROLEUM, 0.0)
    assert control.baselines == (Baseline(date(2026, 1, 2), date(2026, 2, 13), "A", ""),)
    assert control.performance == PerformanceThresholds(4.0, (1.3, 2.5), (0.8, 1.6), "lab.toml, [control.performance]")


def test_rules_of_its_own_stand_instead_of_a_set(load: Load) -> None:
    rules = "[control]\nrule = [{ count = 1, of = 1, beyond_sigmas = 3 }, { count = 7, of = 7, beyond_sigmas = 0 }]"
    assert load(new=rules).control.rules == (Beyond(1, 1, 3.0), Beyond(7, 7, 0.0))


MISTAKES = [
    (
        "rules = 'petrol'",
        "control.rules: 'petrol': one of 'western electric', 'nelson', 'petroleum', 'limits only' is ",
    ),
    ("ewma_weight = 1.5", "control.ewma_weight: 1.5: a number from 0 to 1 is expected"),
    ("rule = [{ count = 3, of = 2, beyond_sigmas = 2 }]", "control.rule[1].count: 3: at most of (2) is expected"),
    (
        "baseline = [{ from = 2026-02-01, to = 2026-01-01 }]",
        "control.baseline[1].to: 2026-01-01: a day on or after from (2026-02-01) is expected",
    ),
    ("settled_results = 6", "control.settled_results: 6: at least fewest_results (8) is expected"),
    (
        "performance = { satisfactory = [1.2] }",
        "control.performance.satisfactory: two numbers are expected: one for a ratio R/r below ratio, one for the ",
    ),
    (
        "performance = { inconsistent = [1.5, 1.6] }",
        "control.performance.inconsistent: numbers not greater than those of satisfactory are expected",
    ),
]


@pytest.mark.parametrize(("line", "problem"), MISTAKES)
def test_a_mistake_is_named(load: Load, line: str, problem: str) -> None:
    with pytest.raises(SettingsError) as refused:
        load(new=f"[control]\n{line}")
    assert f"lab.toml: {problem}" in str(refused.value)
