"""Decisions as entries of the record."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from labcalc.errors import DecisionError
from labcalc.lab.decisions import Decision, decisions_file, decisions_in_file
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import append, entries_of
from labcalc.lab.record.opening import opened

COLUMNS = ("who", "when", "what", "why", "run", "instrument", "quantity", "temperature_C", "file")
_IN_FORCE = "kind = 'decision' AND n NOT IN (SELECT corrects FROM entries WHERE corrects IS NOT NULL)"


def recorded_decisions(laboratory: Laboratory) -> tuple[tuple[Decision, ...], tuple[DecisionError, ...]]:
    """Return the decisions in force, in the order of their entries, and what of ``decisions.jsonl`` isn't applied."""
    _, unusable = decisions_in_file(laboratory)
    with opened(laboratory).reading() as connection:
        missing = len(list(_not_yet(connection, laboratory)))
        found = tuple(_decision(one.content) for one in entries_of(connection, _IN_FORCE))
    if not missing:
        return found, unusable
    file, are = str(decisions_file(laboratory)), "is" if missing == 1 else "are"
    words = f"{missing} of its decisions {are} not in the record; `labcalc record add` moves them"
    return found, (*unusable, DecisionError(file, 0, words))


def record_decision(laboratory: Laboratory, decision: Decision, corrects: int | None = None) -> int:
    """Add a decision to the record and return the number of its entry.

    Raises
    ------
    DecisionError
        What it corrects is no decision in force.
    RecordError
        The record can't be opened or written.
    """
    database = opened(laboratory, may_create=True)
    with database.writing() as connection:
        in_force = {one.n for one in entries_of(connection, _IN_FORCE)} if corrects is not None else set()
        if corrects is not None and corrects not in in_force:
            raise DecisionError(database.place, 0, f"entry {corrects} is no decision in force, which one can correct")
        return _append(connection, _content(decision), corrects)


def move_decisions(laboratory: Laboratory) -> int:
    """Take over what ``decisions.jsonl`` holds and the record doesn't; return how many decisions that were."""
    database = opened(laboratory, may_create=True)
    with database.reading() as connection:
        if not any(True for _ in _not_yet(connection, laboratory)):
            return 0
    with database.writing() as connection:
        return len([_append(connection, one, None) for one in list(_not_yet(connection, laboratory))])


def _not_yet(connection: Connection, laboratory: Laboratory) -> Iterator[dict[str, str]]:
    given, _ = decisions_in_file(laboratory)
    known = [one.content for one in entries_of(connection, "kind = 'decision'")] if given else []
    return (content for content in map(_content, given) if content not in known)


def _append(connection: Connection, content: dict[str, str], corrects: int | None) -> int:
    n = append(connection, kind="decision", who=content["who"], content=content, corrects=corrects)
    connection.add("decisions", [(n, *(content[name] for name in COLUMNS))])
    return n


def _content(decision: Decision) -> dict[str, str]:
    temperature = decision.temperature_C
    texts = {"when": decision.when.isoformat(), "temperature_C": "" if math.isnan(temperature) else repr(temperature)}
    return {**{name: str(getattr(decision, name)) for name in COLUMNS}, **texts}


def _decision(content: dict[str, Any]) -> Decision:
    temperature = float(content["temperature_C"] or math.nan)
    return Decision(**content | {"when": datetime.fromisoformat(content["when"]), "temperature_C": temperature})
