"""The table [conformity], a limit's own decision rule and [report] replicates: defaults, and words for mistakes."""

from __future__ import annotations

import pytest

from labcalc.errors import SettingsError
from labcalc.lab import ConformityChoices, Limit
from tests.lab.conftest import Load

PRODUCT = """
[[product]]
name = "Oil 46"
limit = [{ quantity = "viscosity index", lowest = 95, decimals = 0%s }]
"""

ALLOWED = (
    "one of 'rounding, second look', 'rounding', 'simple acceptance', 'guarded acceptance', 'guarded rejection', "
    "'guarded both ways', 'supplier, 0.59 R', 'recipient, 0.59 R' is expected"
)


def test_without_the_table_there_are_defaults(load: Load) -> None:
    assert load().conformity == ConformityChoices("rounding, second look", 1.0)
    assert load().report.replicates == "fills"


def test_a_limit_may_have_a_rule_of_its_own(load: Load) -> None:
    lab = load(
        new='[conformity]\ndecision_rule = "guarded acceptance"\nguard_band = 0.5\n'
        + PRODUCT % ', decision_rule = "simple acceptance"'
    )
    assert lab.conformity == ConformityChoices("guarded acceptance", 0.5)
    (limit,) = next(one for one in lab.products if one.name == "Oil 46").limits
    assert isinstance(limit, Limit)
    assert limit.decision_rule == "simple acceptance"


@pytest.mark.parametrize(
    ("new", "words"),
    [
        (
            "[conformity]\ndecision_rule = 'guarded acceptence'",
            f"conformity.decision_rule: 'guarded acceptence': {ALLOWED}; did you mean 'guarded acceptance'?",
        ),
        ("[conformity]\ndecision_rule = 1", f"conformity.decision_rule: 1: {ALLOWED}"),
        ("[conformity]\nguard_band = -1", "conformity.guard_band: -1: a number from 0 to 5 is expected"),
        (
            "[conformity]\nguard = 1",
            "conformity.guard: unknown key; known here: decision_rule, guard_band; did you mean 'guard_band'?",
        ),
        (
            PRODUCT % ', decision_rule = "rounded"',
            f"product[3].limit[1].decision_rule: 'rounded': {ALLOWED}; did you mean 'rounding'?",
        ),
    ],
)
def test_words_for_mistakes(load: Load, new: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(new=new)
    assert words in str(caught.value)
