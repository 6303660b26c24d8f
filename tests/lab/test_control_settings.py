"""The table [control]: defaults, what it becomes, and the exact words for its mistakes."""

from __future__ import annotations

import copy
import tomllib
from datetime import date
from typing import Any

import pytest

from labcalc.errors import SettingsError
from labcalc.lab import Baseline, ControlChoices
from labcalc.lab._schema import FILE
from labcalc.lab._tables import UNFIT, Problems
from labcalc.statistics import Beyond, PerformanceThresholds
from labcalc.statistics.charts.run_rules import PETROLEUM
from tests.lab.conftest import Load
from tests.lab.test_wrong_values import ODD, places

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
    rules = "[control]\nrules = [{ count = 1, of = 1, beyond_sigmas = 3 }, { count = 7, of = 7, beyond_sigmas = 0 }]"
    assert load(new=rules).control.rules == (Beyond(1, 1, 3.0), Beyond(7, 7, 0.0))


MISTAKES = [
    ("rules = 3", "control.rules: 3: one of 'western electric', 'nelson', 'petroleum', 'limits only' is expected"),
    ("rules = []", "control.rules: an empty list: tables are expected, each under a heading [[control.rules]]"),
    (
        "rules = 'petrol'",
        "control.rules: 'petrol': one of 'western electric', 'nelson', 'petroleum', 'limits only' is ",
    ),
    ("ewma_weight = 1.5", "control.ewma_weight: 1.5: a number from 0 to 1 is expected"),
    ("rules = [{ count = 3, of = 2, beyond_sigmas = 2 }]", "control.rules[1].count: 3: at most of (2) is expected"),
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


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: repr(odd)[:20])
def test_an_odd_value_anywhere_is_taken_or_named(odd: Any) -> None:
    whole = {"laboratory": {"name": "L", "time_zone": "UTC"}, **tomllib.loads(CONTROL)}
    whole["control"]["rules"] = [{"count": 7, "of": 7, "beyond_sigmas": 0}]
    for path in places(whole):
        altered = copy.deepcopy(whole)
        parent: Any = altered
        for key in path[:-1]:
            parent = parent[key]
        parent[path[-1]] = odd
        problems = Problems()
        assert (FILE(altered, "", problems) is UNFIT) == bool(problems)
        assert all(key for key, _ in problems)
