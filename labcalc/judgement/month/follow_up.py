"""Who sees to what a month found: actions beside their findings, carried from month to month until they are closed."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from labcalc.judgement.checks import IMPORTANT, URGENT, Action
from labcalc.judgement.period import Month
from labcalc.lab import Assignment

_GROWN = 1.1
"""Ratio of a finding's size to that when the action was opened, from which it is growing, [-]: our own choice."""


def followed(found: Sequence[Action], assignments: Sequence[Assignment], month: Month) -> tuple[Action, ...]:
    """Return what was found with the actions about it, and those whose finding is gone; the overdue first.

    A month shows what was open in it: an action appears from its month on, and goes with the month after its closing.
    """
    of_month = [
        one for one in assignments if one.action.month <= month.parts[-1].name and not _closed_before(one, month.first)
    ]
    month = month.parts[-1]
    keys = {one.key for one in found}
    beside = [_beside(one, [own for own in of_month if own.action.finding == one.key], month) for one in found]
    gone = [one for one in of_month if one.action.finding not in keys and not _closed_before(one, month.last)]
    ranked = sorted([*beside, *(_gone(one, month) for one in gone)], key=lambda one: (not one.overdue, not one.urgent))
    return tuple(replace(one, rank=rank) for rank, one in enumerate(ranked, 1))


def _closed_before(one: Assignment, moment: pd.Timestamp) -> bool:
    return one.closed is not None and one.closed.when < moment


def _is_overdue(one: Assignment, month: Month) -> bool:
    """Tell whether it was open and overdue on the last day of the month: a page depends on no clock."""
    due = one.action.due
    return one.closed is None and due is not None and due < (month.last - pd.Timedelta(days=1)).date()


def _beside(found: Action, own: list[Assignment], month: Month) -> Action:
    late = any(_is_overdue(one, month) for one in own)
    words = "; ".join(_in_words(one, month, found.size) for one in own)
    return replace(found, followed=words, overdue=late, severity=URGENT if late else found.severity)


def _gone(one: Assignment, month: Month) -> Action:
    number, late = one.action.number, _is_overdue(one, month)
    to_do = f"Check the effect and close it: `labcalc record close {number} --effect TEXT`."
    finding = f"finding gone: check the effect and close. It was: {one.action.why}"
    severity, words = URGENT if late else IMPORTANT, _in_words(one, month, math.nan)
    return Action(f"Action {number}", finding, to_do, severity, key=one.action.finding, followed=words, overdue=late)


def _in_words(one: Assignment, month: Month, size: float) -> str:
    action, closed = one.action, one.closed
    said = [f"action {action.number}", action.owner, f"due {action.due}"]
    if closed is not None:
        return ", ".join([*said, f"closed {closed.when:%Y-%m-%d} by {closed.who}: {closed.why}"])
    said += ["overdue"] if _is_overdue(one, month) else []
    if action.month != month.name:
        since, ratio = pd.Timestamp(f"{action.month}-01"), size / action.size if action.size else math.nan
        said.append(f"open since {since.month_name()}" + (f" {since.year}" if since.year != month.first.year else ""))
        if not math.isnan(ratio):
            said.append("growing" if ratio > _GROWN else "shrinking" if ratio < 1.0 / _GROWN else "as large as then")
    return ", ".join(said)
