"""Decisions as entries of the record."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from labcalc.errors import DecisionError, RecordError
from labcalc.lab._decisions_file import decisions_in_file
from labcalc.lab.decisions import Decision, decision_of, decisions_file, refuse_misfit, stated_decision
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import canonical
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import Entry, append, entries_of, opened

_STATED = ("who", "when", "what", "why", "run", "instrument", "quantity", "temperature_C", "file")  # empty or not
_NUMBERS = ("temperature_C", "size", "probability", "leading_probability", "centre", "sigma")  # held as texts


def recorded_decisions(laboratory: Laboratory) -> tuple[list[Decision], tuple[DecisionError, ...]]:
    """Return the decisions in the order of their entries, and what of them or of ``decisions.jsonl`` isn't applied."""
    given, unusable = decisions_in_file(laboratory)
    with opened(laboratory).reading() as connection:
        found, broken = _recorded(connection)
    unusable, file, missing = (*unusable, *broken), str(decisions_file(laboratory)), _taken_over(given, found)
    if missing:
        words = f"{missing} of its decisions {'is' if missing == 1 else 'are'} not in the record"
        unusable = (*unusable, DecisionError(file, 0, f"{words}; `labcalc record add` moves them"))
    return found, unusable


def record_decision(laboratory: Laboratory, decision: Decision) -> int:
    """Add a decision to the record and return the number of its entry. DecisionError: as for ``refuse_misfit``."""
    database = opened(laboratory, may_create=True)
    with database.writing() as connection:
        refuse_misfit(decision, _recorded(connection)[0], laboratory, database.place)
        return _append(connection, decision)


def move_decisions(laboratory: Laboratory) -> int:
    """Take over what ``decisions.jsonl`` holds and the record doesn't; return how many decisions that were."""
    given, _ = decisions_in_file(laboratory)
    database = opened(laboratory, may_create=True)
    with database.reading() as connection:
        if not _taken_over(given, _recorded(connection)[0]):
            return 0
    with database.writing() as connection:
        return _taken_over(given, _recorded(connection)[0], partial(_append, connection))


def _taken_over(given: list[Decision], found: list[Decision], add: Callable[[Decision], int] = lambda _: 0) -> int:
    """Add each decision that isn't among those found, with the numbers that those it refers to have there; count."""
    there = {_key(one): one.number for one in found}
    numbers, before = {0: 0}, len(there)
    for one in given:
        if one.decision in numbers and one.corrects in numbers:
            here = replace(one, decision=numbers[one.decision], corrects=numbers[one.corrects])
            key = _key(here)
            numbers[one.number] = there[key] if key in there else there.setdefault(key, add(here))
    return len(there) - before


def _key(decision: Decision) -> str:
    return canonical([_content(decision), decision.corrects])


def _recorded(connection: Connection) -> tuple[list[Decision], list[DecisionError]]:
    found, broken = list[Decision](), list[DecisionError]()
    for one in entries_of(connection, "kind = 'decision'"):
        try:
            found.append(_decision(one))
        except RecordError as error:
            broken.append(DecisionError(error.place, 0, error.problem))
        except DecisionError as error:
            broken.append(error)
    return found, broken


def _append(connection: Connection, decision: Decision) -> int:
    content, corrects = _content(decision), decision.corrects or None
    return append(connection, kind="decision", who=decision.who, content=content, corrects=corrects)


def _content(decision: Decision) -> dict[str, Any]:
    stated = stated_decision(decision)
    stated.pop("corrects", None)
    return dict.fromkeys(_STATED, "") | stated | {name: repr(stated[name]) for name in _NUMBERS if name in stated}


def _decision(entry: Entry) -> Decision:
    stated: dict[str, Any] = {name: one for name, one in entry.content.items() if one != ""}
    stated |= {name: float(stated[name]) for name in _NUMBERS if name in stated}
    stated |= {"corrects": entry.corrects} if entry.corrects else {}
    return decision_of(stated, "the record", entry.n)
