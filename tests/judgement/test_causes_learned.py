"""What conclusions say of causes, by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from labcalc.judgement.causes import PRIOR_ODDS, laboratory_odds
from labcalc.lab import Decision

WHEN = datetime(2026, 3, 19, tzinfo=UTC)


def concluded(run: str, cause: str, **more: Any) -> Decision:
    return Decision(who="T", when=WHEN, what="conclusion", why="seen", run=run, cause=cause, **more)


DECISIONS = (
    concluded("R1", "residue", size=2.0, probability=0.93, leading_probability=0.93),
    concluded("R2", "residue", size=8.0, probability=0.30, leading_probability=0.65),
    concluded("R3", "solvent", probability=0.02, leading_probability=0.97),
    concluded("R4", "noise"),
    concluded("R5", "water"),
    concluded("R5", "something else", probability=0.0, leading_probability=0.90),
    Decision(who="T", when=WHEN, what="exclude", why="bubble", run="R6"),
    Decision(who="T", when=WHEN, what="conclusion", why="before causes were stored", run="R7"),
)


def test_the_last_conclusion_of_each_run_counts() -> None:
    found = laboratory_odds(DECISIONS)
    assert dict(found.counts) == {"residue": 2, "solvent": 1, "noise": 1, "something else": 1}
    assert (found.total, found.stated, found.right) == (5, 3, 1)
    assert found.of("residue") == "yours: 2 of 5"
    assert "90 % or more was said of 3 of them, and was right in 1: fewer than that promises" in found.words
    assert dict(laboratory_odds(DECISIONS, without="R3").counts)["residue"] == 2
    assert "solvent" not in laboratory_odds(DECISIONS, without="R3").counts


def test_odds_are_those_of_the_catalogue_worth_twenty_conclusions_and_the_own() -> None:
    odds = laboratory_odds(DECISIONS).odds({"noise": 0.9, "residue": 0.06, "solvent": 0.04})
    assert odds == pytest.approx({"noise": 0.9, "residue": 0.1 * (12 + 2) / 23, "solvent": 0.1 * (8 + 1) / 23})
    assert laboratory_odds(()).odds() == pytest.approx(dict(PRIOR_ODDS))
    assert laboratory_odds(()).words == laboratory_odds(()).of("residue") == ""


def test_a_promise_of_90_percent_that_is_not_kept_is_said() -> None:
    """3 of 3 right and 2 of 3 come by chance (P(X ≤ 2) = 1 − 0.9³ = 0.27), 1 of 3 doesn't (0.028): by hand."""
    for right, kept in ((3, True), (2, True), (1, False)):
        found = replace(laboratory_odds(DECISIONS), stated=3, right=right)
        assert found.keeps_its_word == kept
        assert ("fewer than that promises" not in found.words) == kept
