"""``labcalc record act``, ``limits``, ``close``, ``confirm``, ``open``: who sees to what a month found, and signs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import click

import labcalc.lab
from labcalc import judgement
from labcalc.cli.record import by_option, corrects_option, head_words, json_option, record
from labcalc.cli.words import answer, day_option, json_text, record_option, say, tell, today_at
from labcalc.errors import DecisionError

_number = click.argument("number", type=click.IntRange(min=1), metavar="NUMBER")


@record.command()
@record_option
@by_option
@click.option("--month", required=True, metavar="YYYY-MM", help="The month that found it.")
@click.option("--finding", required=True, metavar="KEY", help="As `record open --month` and the month's page show it.")
@click.option("--owner", required=True, metavar="NAME", help="Who sees to it.")
@day_option("--due", required=True, told="Until when.")
@click.option("--decision", type=int, default=0, metavar="NUMBER", help="The decision that it rests on.")
@corrects_option
@answer
def act(lab: Path, who: str, month: str, finding: str, owner: str, due: date, **numbers: int) -> int:
    """Give a finding of a month to somebody.

    It is carried from month to month until it is closed.
    """
    laboratory = labcalc.lab.load_laboratory(lab)
    found = {one.key: one for one in judgement.report_month(judgement.gather_record(lab), month).actions}
    if finding not in found:
        known = f"{month} found {', '.join(found) or 'nothing'}{labcalc.lab.nearest(finding, found)}"
        raise DecisionError("", 0, f"--finding: '{finding}' is no key of that month; {known}")
    if due < (today := today_at(laboratory)):
        raise DecisionError("", 0, f"--due: {due} is past; today ({today}) or a later day is expected")
    one = found[finding]
    given: dict[str, Any] = {"month": month, "owner": owner, "due": due, "size": float(one.size), **numbers}
    given |= {"what": "action", "why": f"{one.about}: {one.finding}"}
    action = labcalc.lab.add_decision(laboratory, who=who, finding=finding, **given)
    tell(f"Action {action.number}, {owner}, due {action.due}: {one.about}. {head_words(laboratory)}")
    return 0


@record.command()
@record_option
@by_option
@click.option("--month", required=True, metavar="YYYY-MM", help="The month whose page proposes them.")
@day_option("--from", "in_force", required=True, told="The day from which they are in force: today or later.")
@click.option("--why", required=True, metavar="TEXT", help="The reason.")
@click.option("--instrument", default="", metavar="NAME", help="Only its charts.")
@click.option("--oil", default="", metavar="NAME", help="Only those of this reference oil.")
@click.option("--quantity", default="", metavar="NAME", help="Only those of this quantity.")
@click.option("--temperature", type=float, default=math.nan, metavar="°C", help="Only those.")
@answer
def limits(lab: Path, who: str, month: str, in_force: date, why: str, temperature: float, **only: str) -> int:
    """Sign limits of control charts that are due.

    Charts go by them from a day on, and what was judged stays.
    """
    checks = judgement.report_month(judgement.gather_record(lab), month).checks
    due = [one for one in checks.due if one.chart.next_signed is None]
    asked = [one for one in due if one.is_about(**only, temperature_C=temperature)]
    proposed = [one for one in asked if one.proposed is not None]
    for one in asked:
        if one.proposed is None:
            say(f"not signed: {one.words}")
    if not proposed:
        listed = "; ".join(f"{one.chart.instrument}, {one.chart.name}" for one in due) or "none"
        raise DecisionError("", 0, f"{month} proposes no such limits that nobody has signed; due are: {listed}")
    laboratory = labcalc.lab.load_laboratory(lab)
    for one in proposed:
        given = {**one.decided(), "month": month, "in_force": in_force}
        done = _added(laboratory, {"in_force": "--from"}, who=who, what="limits", why=why, **given)
        tell(f"Decision {done.number}, in force from {done.in_force}: {one.words}.")
    tell(head_words(laboratory))
    return 0 if len(proposed) == len(asked) else 1


@record.command()
@_number
@record_option
@by_option
@click.option("--effect", "why", required=True, metavar="TEXT", help="What was measured since, with its figures.")
@corrects_option
@answer
def close(lab: Path, number: int, **given: Any) -> int:
    """Close an action once its effect was checked."""
    return _follow(lab, number, "closed", given)


@record.command()
@_number
@record_option
@by_option
@click.option("--why", default="", metavar="TEXT", help="A remark.")
@answer
def confirm(lab: Path, number: int, **given: Any) -> int:
    """Confirm another person's decision.

    Where lab.toml demands it, none is applied before.
    """
    return _follow(lab, number, "confirmed", given)


def _added(laboratory: labcalc.lab.Laboratory, options: dict[str, str], **given: Any) -> labcalc.lab.Decision:
    """Add a decision; what was typed wrong is named by the option that holds it."""
    try:
        return labcalc.lab.add_decision(laboratory, **given)
    except DecisionError as refusal:
        key, _, problem = refusal.problem.partition(": ")
        raise (DecisionError("", 0, f"{options[key]}: {problem}") if key in options else refusal) from None


def _follow(lab: Path, number: int, what: str, given: dict[str, Any]) -> int:
    laboratory = labcalc.lab.load_laboratory(lab)
    done = _added(laboratory, {"why": "--effect"}, what=what, decision=number, **given)
    tell(f"Decision {done.number}: {number} is {what} by {done.who}. {head_words(laboratory)}")
    return 0


@record.command("open")
@record_option
@click.option("--month", default="", metavar="YYYY-MM", help="With what that month found and nobody sees to.")
@json_option
@answer
def open_actions(lab: Path, month: str, as_json: bool) -> int:
    """List open actions and decisions that wait for somebody."""
    laboratory = labcalc.lab.load_laboratory(lab)
    decided = labcalc.lab.checked_decisions(laboratory)
    for line in decided.unusable:
        say(f"labcalc: {line}")
    listed = [*_open(decided, laboratory), *(_unseen(lab, month) if month else ())]
    if as_json:
        tell(json_text(listed))
    for one in () if as_json else listed or [{"nothing": "is open"}]:
        tell(", ".join(f"{name.replace('_', ' ')} {text}".strip() for name, text in one.items()))
    return 1 if decided.unusable else 0


def _open(decided: labcalc.lab.Decided, laboratory: labcalc.lab.Laboratory) -> Iterator[dict[str, Any]]:
    today = today_at(laboratory)
    actions = (one.action for one in decided.assignments if one.closed is None)
    for one in sorted(actions, key=lambda one: str(one.due)):
        late = {"overdue": ""} if one.due and one.due < today else {}
        said = {"action": one.number, "owner": one.owner, "due": str(one.due), **late, "since": one.month}
        yield {**said, "finding": one.finding, "found": one.why}
    for one in decided.waiting:
        yield {"decision": one.number, "waits_for_a_second_person": one.what, "by": one.who}


def _unseen(lab: Path, month: str) -> Iterator[dict[str, Any]]:
    found = (one for one in judgement.report_month(judgement.gather_record(lab), month).actions if not one.followed)
    return ({"finding": one.key, "about": one.about, "found": one.finding} for one in found)
