"""The table [duplicates]: defaults, what it becomes, and the exact words for its mistakes."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest

from labcalc.errors import SettingsError
from labcalc.lab import DuplicateChoices
from labcalc.lab._schema import FILE
from labcalc.lab._tables import UNFIT, Problems
from tests.lab.conftest import Load
from tests.lab.test_wrong_values import ODD, places

DUPLICATES = """
[duplicates]
count = ["within a run", "reference oils between runs"]
second_fill_endings = ["/2", " b"]
repeatability_window_h = 4
intermediate_window_d = 90
"""


def test_without_the_table_there_are_defaults(load: Load) -> None:
    assert load().duplicates == DuplicateChoices(("within a run", "between runs"), (), 8.0, 31.0)


def test_the_table_becomes_choices(load: Load) -> None:
    assert load(new=DUPLICATES).duplicates == DuplicateChoices(
        ("within a run", "reference oils between runs"), ("/2", " b"), 4.0, 90.0
    )


MISTAKES = [
    ("count = []", "count: an empty list: a list in square brackets is expected, at least one of 'within a run', "),
    ("count = ['in a run']", "count[1]: 'in a run': one of 'within a run', 'between runs', 'reference oils between "),
    ("second_fill_endings = ['']", "second_fill_endings[1]: '': a text in quotes, not empty, is expected"),
    ("repeatability_window_h = 0", "repeatability_window_h: 0: a number greater than 0 is expected"),
    (
        "repeatability_window_h = 48\nintermediate_window_d = 1",
        "intermediate_window_d: 1: at least repeatability_window_h (48 h) is expected",
    ),
    ("window_h = 8", "window_h: unknown key; known here: count, second_fill_endings, repeatability_window_h, "),
]


@pytest.mark.parametrize(("line", "problem"), MISTAKES)
def test_a_mistake_is_named(load: Load, line: str, problem: str) -> None:
    with pytest.raises(SettingsError) as refused:
        load(new=f"[duplicates]\n{line}")
    assert f"lab.toml: duplicates.{problem}" in str(refused.value)


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: repr(odd)[:20])
def test_an_odd_value_anywhere_is_taken_or_named(odd: Any) -> None:
    whole = {"laboratory": {"name": "L", "time_zone": "UTC"}, **tomllib.loads(DUPLICATES)}
    for path in places(whole):
        altered = copy.deepcopy(whole)
        parent: Any = altered
        for key in path[:-1]:
            parent = parent[key]
        parent[path[-1]] = odd
        problems = Problems()
        assert (FILE(altered, "", problems) is UNFIT) == bool(problems)
        assert all(key for key, _ in problems)
