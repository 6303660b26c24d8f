"""Actions beside the findings of a month: carried, growing, overdue, closed, their finding gone. Invented, by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from typing import Any, cast

import pandas as pd
import pytest

from labcalc.judgement import Action, month_of
from labcalc.judgement.checks import HOW_SOON, URGENT
from labcalc.judgement.month.actions import followed
from labcalc.lab import Assignment, Decision
from tests.judgement.test_control import ZONE

BIAS = Action("VD-2, density", "bias 0.30", "Adjust.", rank=1, key="bias-vd-2-density", size=0.30)
INDEX = Action("VD-1, density", "index 0.7", "Review.", URGENT, rank=2, key="index-vd-1-density")


def moment(day: str) -> datetime:
    return datetime.fromisoformat(f"{day}T10:00:00+00:00")


OPENED = Decision(
    who="Q. Reis",
    when=moment("2026-02-02"),
    what="action",
    why="VD-2, density: bias 0.20",
    finding=BIAS.key,
    month="2026-01",
    owner="Ines Falk",
    due=date(2026, 4, 15),
    size=0.20,
    number=7,
)
CLOSED = replace(OPENED, what="closed", why="adjusted: bias 0.02", when=moment("2026-03-10"), decision=7, number=9)


def in_month(name: str, *assignments: Assignment, found: tuple[Action, ...] = (BIAS, INDEX)) -> tuple[Action, ...]:
    return followed(found, assignments, month_of(name, ZONE))


@pytest.mark.parametrize(
    ("month", "size", "told"),
    [
        ("2026-01", 0.20, "action 7, Ines Falk, due 2026-04-15"),
        ("2026-02", 0.15, "action 7, Ines Falk, due 2026-04-15, open since January, second month, shrinking"),
        ("2026-03", 0.21, "action 7, Ines Falk, due 2026-04-15, open since January, third month, as large as then"),
        ("2026-03", 0.30, "action 7, Ines Falk, due 2026-04-15, open since January, third month, growing"),
        ("2026-03", float("nan"), "action 7, Ines Falk, due 2026-04-15, open since January, third month"),
        ("2027-01", 0.30, "action 7, Ines Falk, due 2026-04-15, overdue, open since January 2026, month 13, growing"),
    ],
)
def test_an_action_stands_beside_its_finding_month_after_month(month: str, size: float, told: str) -> None:
    found = in_month(month, Assignment(OPENED), found=(replace(BIAS, size=size), INDEX))
    (bias,) = (one for one in found if one.key == BIAS.key)
    assert (bias.followed, bias.finding) == (told, BIAS.finding)
    assert [one.followed for one in found if one.key == INDEX.key] == [""]


def test_an_action_is_unknown_to_the_months_before_it() -> None:
    assert [one.followed for one in in_month("2025-12", Assignment(OPENED))] == ["", ""]


@pytest.mark.parametrize(("due", "late"), [("2026-03-30", True), ("2026-03-31", False), ("2026-04-01", False)])
def test_what_was_overdue_on_the_last_day_of_the_month_comes_first(due: str, late: bool) -> None:
    found = in_month("2026-03", Assignment(replace(OPENED, due=date.fromisoformat(due))))
    assert [one.key for one in found] == ([BIAS.key, INDEX.key] if late else [INDEX.key, BIAS.key])
    assert [one.rank for one in found] == [1, 2]
    bias = next(one for one in found if one.key == BIAS.key)
    assert (bias.overdue, bias.urgent, "overdue" in bias.followed) == (late, late, late)


def test_what_was_closed_is_last_and_asks_for_nothing_unless_it_is_found_again() -> None:
    closed = Assignment(OPENED, CLOSED)
    told = "action 7, Ines Falk, due 2026-04-15, closed 2026-03-10 by Q. Reis: adjusted: bias 0.02"
    asked: list[pd.Timestamp] = []

    def shown(*keys: str) -> tuple[Action, ...]:
        return followed((BIAS, INDEX), (closed,), month_of("2026-03", ZONE), again=lambda at: asked.append(at) or keys)

    for found in (in_month("2026-02", closed), shown(INDEX.key)):
        assert [(one.key, one.rank) for one in found] == [(INDEX.key, 1), (BIAS.key, 2)]
        assert (found[1].followed, found[1].what_to_do) == (told, "")
        assert (found[1].finding, HOW_SOON[found[1].severity]) == ("bias 0.30", "closed")
    assert asked == [CLOSED.when], "only the month of the closing has results on both sides of it"
    for found in (in_month("2026-04", closed), shown(BIAS.key)):
        (bias,) = (one for one in found if one.key == BIAS.key)
        assert bias.finding == f"bias 0.30; found again in results after that: {told}"
        assert (bias.followed, bias.what_to_do, bias.severity) == ("", "Adjust.", BIAS.severity)


@pytest.mark.parametrize(("last_day", "unseen"), [("2026-02-01", True), ("2026-02-03", False)])
def test_an_effect_that_no_check_saw_is_not_shown(last_day: str, unseen: bool) -> None:
    """The action is of 2 February; what counts is a check of a chart that the finding names."""
    months = pd.DatetimeIndex(["2026-01-05T08:00Z", f"{last_day}T08:00Z"])
    names = {"oil": "R", "lot": "A", "quantity": "density"}
    charts = [SimpleNamespace(instrument="VD-2", measured_at=months, **names)]
    charts += [SimpleNamespace(instrument="VD-1", measured_at=months + pd.Timedelta(days=60), **names)]
    named = replace(BIAS, facts={"instrument": "VD-2", "quantity": "density", "oil": "R lot A"})
    found = followed((named,), (Assignment(OPENED, CLOSED),), month_of("2026-02", ZONE), charts=cast(Any, charts))
    assert found[0].followed.endswith("its effect isn't shown yet") == unseen


def test_a_year_counts_months_to_its_last_result_and_compares_no_size_of_a_month() -> None:
    year, action = month_of("2026", ZONE, 12), Assignment(replace(OPENED, due=date(2026, 12, 31)))
    for last, words in (("2026-01-30", ""), ("2026-03-30", ", open since January, third month")):
        found = followed((BIAS,), (action,), year, pd.Timestamp(last, tz=ZONE))
        assert found[0].followed == f"action 7, Ines Falk, due 2026-12-31{words}"


def test_an_open_action_whose_finding_is_gone_asks_for_the_check_of_its_effect() -> None:
    for month, assignment, shown in (
        ("2026-02", Assignment(OPENED), True),
        ("2026-02", Assignment(OPENED, CLOSED), True),  # the month ended before it was closed
        ("2026-03", Assignment(OPENED, CLOSED), False),
    ):
        gone = [one for one in in_month(month, assignment, found=(INDEX,)) if one.about == "Action 7"]
        assert len(gone) == shown
        for one in gone:
            open_ = assignment.closed is None
            asked = ": check the effect and close" * open_
            assert one.finding == f"finding gone{asked}. It was: VD-2, density: bias 0.20"
            assert ("record close 7" in one.what_to_do) == open_
            assert (one.key, one.urgent) == (BIAS.key, False)
    (late,) = in_month("2026-05", Assignment(OPENED), found=())
    assert (late.rank, late.urgent, late.overdue) == (1, True, True)
