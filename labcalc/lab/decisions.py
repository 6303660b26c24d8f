"""What people decided about runs, signals and findings: in the record, or in ``decisions.jsonl`` beside lab.toml.

Both hold the same, are added to and never rewritten, and number decisions: by their entry, or by their line.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, cast
from zoneinfo import ZoneInfo

import labcalc.lab._tables as toml
from labcalc.errors import DecisionError
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab.clock import present_moment
from labcalc.lab.laboratory import Laboratory

DECISION_KINDS = ("exclude", "accept", "count", "corrective action", "conclusion", "limits")
"""Leave a result out of limits and means; accept a signal as explained; let a run count whose time is doubted or that
another file contradicts; what was done; what was concluded; limits of a control chart that are signed."""
_FOLLOWING = ("action", "closed", "confirmed")  # to be seen to by somebody; seen to; agreed with by a second person
_ABOUT_A_RUN = ("exclude", "accept")
_OF_LIMITS = ("instrument", "oil", "quantity", "temperature_C", "month", "in_force", "centre", "sigma", "sigma_from")
_MOST = 2**53 - 1
_What = Annotated[str, toml.Key(toml.choice((*DECISION_KINDS, *_FOLLOWING)))]
_Share = Annotated[float, toml.Key(toml.number(0, 1))]
_Number = Annotated[int, toml.Key(toml.whole_number(1, _MOST))]


@dataclass(frozen=True)
class Decision:
    """One decision: who, when, what and why, and what it is about.

    ``run`` names the run; ``quantity`` and ``temperature_C`` narrow it down to one chart, empty and NaN mean every
    chart that the run stands on. A corrective action or a conclusion may be about an ``instrument`` instead. Of several
    versions of a run, ``file`` names the export whose version counts; without a run, all of that export counts.
    """

    who: toml.Text
    when: datetime  # with its time zone
    what: _What  # one of ``DECISION_KINDS``, or ``action``, ``closed``, ``confirmed``
    why: toml.Text = ""  # the reason; of an action what was found, of one that is closed what was measured since
    run: toml.Text = ""
    instrument: toml.Text = ""
    quantity: Annotated[str, toml.Key(toml.choice(QUANTITY_COLUMNS))] = ""
    temperature_C: toml.Celsius = math.nan  # temperature of the chart, [°C]; NaN for every one
    file: toml.Text = ""  # name of the export that counts, without its folder
    finding: toml.Text = ""  # of an action: the key of its finding
    month: str = ""  # of an action: the month in which it was found, such as ``2026-03``
    owner: toml.Text = ""
    due: date | None = None
    size: toml.Number = math.nan
    """Of an action: how large its finding was, in the finding's own measure; of a conclusion: how large its cause, in
    the cause's unit; NaN where it has none."""
    cause: toml.Text = ""  # of a conclusion: the key of its cause
    probability: _Share = math.nan  # of the cause as labcalc ranked it before anything more was measured, [-]
    leading_probability: _Share = math.nan  # of the cause that was ranked first then, [-]
    decided_by: toml.Text = ""  # of a conclusion: the measurement that decided
    decision: _Number = 0  # number of what an action rests on, of the action that is closed, of what is confirmed
    oil: toml.Text = ""  # of limits: the reference oil of their chart, with its lot
    lot: toml.Text = ""
    in_force: date | None = None  # of limits: the day from which they hold; what was judged before stays judged
    centre: toml.Number = math.nan  # of limits, [unit of their chart], as is sigma
    sigma: toml.Positive = math.nan
    sigma_from: Annotated[str, toml.Key(toml.choice(("moving range", "standard deviation")))] = ""  # of limits
    results: Annotated[int, toml.Key(toml.whole_number(2, _MOST))] = 0
    """Of limits: how many results in control they rest on, the last of them in ``month``."""
    corrects: _Number = 0  # number of the decision that this one takes the place of
    number: int = 0  # its own: of its entry in the record, or of its line


@dataclass(frozen=True)
class Assignment:
    """An action and, once its effect was checked, what closed it."""

    action: Decision
    closed: Decision | None = None


@dataclass(frozen=True)
class Decided:
    """All that was decided, as it holds: what another decision takes the place of is left out."""

    decisions: tuple[Decision, ...] = ()  # those that are applied, in the order in which they were added
    unusable: tuple[DecisionError, ...] = ()  # lines that can't be used or were changed, and what was expected
    waiting: tuple[Decision, ...] = ()  # those that a second person must confirm before they are applied
    assignments: tuple[Assignment, ...] = ()


def decisions_file(laboratory: Laboratory) -> Path | None:
    """Return where the laboratory's decisions stand, whether there are any or not; None without a lab.toml."""
    return None if laboratory.file is None else laboratory.file.parent / "decisions.jsonl"


def checked_decisions(laboratory: Laboratory) -> Decided:
    """Read and check every decision of the laboratory; a line that can't be used stops no other."""
    if laboratory.record is not None:
        from labcalc.lab.record.decided import recorded_decisions as of
    else:
        from labcalc.lab._decisions_file import decisions_in_file as of
    found, unusable = of(laboratory)
    held = _Held(found, laboratory)
    file = str(decisions_file(laboratory)) if laboratory.record is None else "the record"
    misfits = (DecisionError(file, one.number, problem) for one, problem in held.misfits)
    return held.decided(tuple(sorted((*unusable, *misfits), key=lambda one: one.line)))


def refuse_misfit(decision: Decision, before: Sequence[Decision], laboratory: Laboratory, place: str) -> None:
    """Refuse, by a DecisionError, a decision that corrects, closes or confirms what can't be."""
    if problem := _Held(before, laboratory).problem(decision):
        raise DecisionError(place, 0, problem)


class _Held:
    """Decisions in their order, each held against those before it."""

    def __init__(self, decisions: Sequence[Decision], laboratory: Laboratory) -> None:
        self._known: dict[int, Decision] = {}
        self._followed: dict[tuple[str, int], Decision] = {}
        self._from = laboratory.decisions.second_person
        self.misfits: list[tuple[Decision, str]] = []
        for one in decisions:
            if problem := self.problem(one):
                self.misfits.append((one, problem))
            else:
                self._known[one.number] = one
                self._followed["corrects", one.corrects] = self._followed[one.what, one.decision] = one

    def problem(self, one: Decision) -> str:
        """Return why what it refers to can't be; empty where it can."""
        corrected, about = self._known.get(one.corrects), self._known.get(one.decision)
        if one.corrects and (corrected is None or corrected.what == "confirmed" or self._is_corrected(corrected)):
            return f"{one.corrects} is no decision in force, which one can correct"
        if corrected is not None and corrected.in_force is not None and one.when.date() >= corrected.in_force:
            return f"the limits of {one.corrects} are in force and have judged: sign others from a later day"
        if one.decision and about is None:
            return f"there is no decision {one.decision} before it"
        if about is None:
            return ""
        is_open = about.what == "action" and not self._is_corrected(about) and not self._is_closed(about, one)
        if one.what == "closed" and not is_open:
            return f"{about.number} is no open action"
        if one.what == "confirmed" and about.what in ("action", "confirmed"):
            return f"{about.number} is nothing that a second person confirms"
        if one.what == "confirmed" and one.who.casefold().split() == about.who.casefold().split():
            return f"{about.who} decided {about.number}: another person is expected"
        return ""

    def _is_corrected(self, one: Decision) -> bool:
        return ("corrects", one.number) in self._followed

    def _is_closed(self, action: Decision, by: Decision) -> bool:
        closing = self._followed.get(("closed", action.number))
        return closing is not None and closing.number != by.corrects and not self._is_corrected(closing)

    def _waits(self, one: Decision) -> bool:
        asked = self._from is not None and one.what not in ("action", "confirmed") and one.when.date() >= self._from
        return asked and ("confirmed", one.number) not in self._followed

    def decided(self, unusable: tuple[DecisionError, ...] = ()) -> Decided:
        """Return what holds."""
        replaced = {one.corrects for one in self._known.values() if not self._waits(one)}
        left = [one for one in self._known.values() if one.number not in replaced]
        in_force = [one for one in left if not self._waits(one)]
        closed = {one.decision: one for one in in_force if one.what == "closed"}
        return Decided(
            tuple(self._since_confirmed(one) for one in in_force if one.what in DECISION_KINDS),
            unusable,
            tuple(one for one in left if self._waits(one)),
            tuple(Assignment(self._begun(one), closed.get(one.number)) for one in in_force if one.what == "action"),
        )

    def _since_confirmed(self, one: Decision) -> Decision:
        """Return limits as signed when the second person did: before, the others judged."""
        by = self._followed.get(("confirmed", one.number)) if one.what == "limits" else None
        return one if by is None else replace(one, when=max(one.when, by.when))

    def _begun(self, action: Decision) -> Decision:
        """Return an action as open since what it takes the place of was."""
        first = action
        while (before := self._known.get(first.corrects)) is not None and before.what == "action":
            first = before
        return replace(action, month=first.month, size=first.size)


def add_decision(laboratory: Laboratory, *, when: datetime | None = None, **given: Any) -> Decision:
    """Add a decision at the end of the laboratory's file or record; what stands there already is not touched.

    ``given`` are the fields of ``Decision``, temperatures in [°C]; its number comes of itself, and without ``when`` it
    is of now. One at a time adds; others wait. Return it as it was written. DecisionError: a field is missing or wrong,
    what it refers to is not there, or there is no lab.toml; RecordError: the record can't be opened or written.
    """
    path = decisions_file(laboratory)
    if path is None:
        raise DecisionError("", 0, "a decision stands beside a lab.toml; this laboratory has none")
    moment = when or present_moment().astimezone(ZoneInfo(laboratory.time_zone)).replace(microsecond=0)
    decision = decision_of(stated_decision(Decision(when=moment, **given)), "", 0)
    if laboratory.record is not None:
        from labcalc.lab.record.decided import record_decision as add
    else:
        from labcalc.lab._decisions_file import add_line as add
    return replace(decision, number=add(laboratory, decision))


def stated_decision(decision: Decision) -> dict[str, Any]:
    """Return what a decision says, as JSON can carry it: without its number, and without what is empty."""
    values = {one.name: getattr(decision, one.name) for one in fields(decision) if one.name != "number"}
    texts = {name: one.isoformat() for name, one in values.items() if isinstance(one, date)}
    stated = (values | texts).items()
    return {name: one for name, one in stated if one not in ("", None) and one == one and (one or name not in _NUMBERS)}


def decision_of(record: Mapping[str, Any], file: str, line: int) -> Decision:
    """Return the decision that ``stated_decision`` said. DecisionError: a key is missing or wrong, on which line."""
    problems = toml.Problems()
    decision = _DECISION(record, "", problems)
    if problems:
        key, problem = problems[0]
        raise DecisionError(file, line, f"{key}: {problem}" if key else problem)
    return replace(cast("Decision", decision), number=line)


_MOMENT = toml.one_that(
    lambda moment: moment.tzinfo is not None,
    "a time with its time zone, such as '2026-03-31T16:20:00+01:00', is expected",
    make=datetime.fromisoformat,
)
_DAY = toml.one_that(bool, "a day such as '2026-04-15' is expected", make=date.fromisoformat)
_MONTH = toml.one_that(
    re.compile(r"(19|20|21)\d\d-(0[1-9]|1[0-2])", re.ASCII).fullmatch, "a month such as '2026-03' is expected"
)


def _check_decision(decision: Decision) -> Iterator[tuple[str, str]]:
    if decision.what in _FOLLOWING:
        needed = ("finding", "month", "owner", "due") if decision.what == "action" else ("decision",)
        yield from ((name, f"missing: {decision.what} needs it") for name in needed if not getattr(decision, name))
        if decision.what == "closed" and not re.search(r"\d", decision.why):
            yield "why", f"{toml.shown(decision.why)}: what was measured since, with its figures, is expected"
        return
    if not decision.why:
        yield "why", "missing, and must be given"
    if decision.what == "limits":
        stated = stated_decision(decision)
        yield from ((name, "missing: limits need it") for name in _OF_LIMITS if name not in stated)
        if decision.results < 2:
            yield "results", f"{decision.results}: limits rest on 2 results or more"
        if decision.in_force is not None and decision.in_force < decision.when.date():
            expected = f"the day on which they are signed ({decision.when.date()}) or a later one is expected"
            yield "in_force", f"{decision.in_force}: {expected}, as what was judged stays judged"
    if decision.what in _ABOUT_A_RUN and not decision.run:
        yield "run", f"missing, and must be given to {decision.what}"
    if decision.what == "count" and not decision.run and not decision.file:
        yield "run", "missing: what counts is a run, an export as file, or a run of an export"
    elif not decision.run and not decision.instrument and not decision.file:
        yield "run", "missing: a run or an instrument must be named"


_NUMBERS = ("decision", "corrects", "results")
_DAYS = dict.fromkeys(("due", "in_force"), toml.Key(_DAY))
_DECISION = toml.record_of(Decision, _check_decision, when=toml.Key(_MOMENT), month=toml.Key(_MONTH), **_DAYS)
