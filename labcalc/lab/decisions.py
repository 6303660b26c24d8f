"""What people decided about runs and signals: ``decisions.jsonl`` beside lab.toml, added to and never rewritten.

A laboratory with a record has its decisions there. In the file, one JSON object a line, in UTF-8. Not a CSV file: a
spreadsheet that opens one rewrites dates and numbers when it saves, and a reason with a line break would spread over
two lines. Here a line is a decision, whole or torn, and a line torn by a full disk or a pulled plug is told from a
whole one at once.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

from labcalc.errors import DecisionError
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.lab._tables import Key, Problems, choice, number, shown, table, text
from labcalc.lab.clock import present_moment
from labcalc.lab.laboratory import Laboratory

DECISION_KINDS = ("exclude", "accept", "count", "corrective action", "conclusion")
"""Leave a result out of limits and means; accept a signal as explained; let a run count whose time is doubted or that
another file contradicts; what was done; what was concluded."""

_FILE_NAME = "decisions.jsonl"
_WAIT_S, _LOOK_S = 1.0, 0.05
"""How long, and how often, a last line without an end is looked at again: somebody may be writing it, [s]."""
_ABOUT_A_RUN = ("exclude", "accept")


@dataclass(frozen=True)
class Decision:
    """One decision: who, when, what and why, and what it is about.

    ``run`` names the run; ``quantity`` and ``temperature_C`` narrow it down to one chart, empty and NaN mean every
    chart that the run stands on. A corrective action or a conclusion may be about an ``instrument`` instead. Of several
    versions of a run, ``file`` names the export whose version counts; without a run, all of that export counts.
    """

    who: str
    when: datetime
    """With its time zone."""
    what: str
    """One of ``DECISION_KINDS``."""
    why: str
    run: str = ""
    instrument: str = ""
    quantity: str = ""
    temperature_C: float = math.nan
    """Temperature of the chart, [°C]; NaN for every one."""
    file: str = ""
    """Name of the export that counts, without its folder."""


def decisions_file(laboratory: Laboratory) -> Path | None:
    """Return where the laboratory's decisions stand, whether there are any or not; None without a lab.toml."""
    return None if laboratory.file is None else laboratory.file.parent / _FILE_NAME


def read_decisions(laboratory: Laboratory) -> tuple[Decision, ...]:
    """Return every decision of the laboratory that can be used, in the order in which they were added."""
    return checked_decisions(laboratory)[0]


def checked_decisions(laboratory: Laboratory) -> tuple[tuple[Decision, ...], tuple[DecisionError, ...]]:
    """Read and check every decision of the laboratory; a line that can't be used stops no other.

    Parameters
    ----------
    laboratory : Laboratory
        The laboratory; its decisions stand beside its lab.toml.

    Returns
    -------
    tuple
        The decisions in the order in which they were added, those that another takes the place of left out, and for
        each other line its number and what was expected.
    """
    if laboratory.record is not None:
        from labcalc.lab.record.decided import recorded_decisions

        return recorded_decisions(laboratory)
    return decisions_in_file(laboratory)


def decisions_in_file(laboratory: Laboratory) -> tuple[tuple[Decision, ...], tuple[DecisionError, ...]]:
    """Read ``decisions.jsonl`` as ``checked_decisions`` does, also beside a record."""
    path = decisions_file(laboratory)
    decisions, unusable = list[Decision](), list[DecisionError]()
    lines = _whole(path).split(b"\n") if path is not None and path.exists() else []
    for place, line in enumerate(lines, 1):
        try:
            if line.strip():
                decisions.append(_decision(_record(line, str(path), place), str(path), place))
        except DecisionError as error:
            unusable.append(error if place < len(lines) else DecisionError(str(path), place, _TORN))
    return tuple(decisions), tuple(unusable)


_TORN = "the line has no end: it was torn while it was written. Decide again, and leave the line as it is"


def _whole(path: Path) -> bytes:
    """Return the content of the file; a line that somebody is writing at the moment is waited for."""
    end = time.monotonic() + _WAIT_S
    while True:
        content = path.read_bytes()
        is_new = time.time() - path.stat().st_mtime < _WAIT_S
        if content[-1:] in (b"", b"\n", b"}") or not is_new or time.monotonic() > end:
            return content
        time.sleep(_LOOK_S)


def add_decision(
    laboratory: Laboratory,
    *,
    who: str,
    what: str,
    why: str,
    run: str = "",
    instrument: str = "",
    quantity: str = "",
    temperature_C: float = math.nan,
    file: str = "",
    when: datetime | None = None,
    corrects: int | None = None,
) -> Decision:
    """Add a decision at the end of the laboratory's file or record; what stands there already is not touched.

    One at a time adds; others wait.

    Parameters
    ----------
    laboratory : Laboratory
        The laboratory; it needs a lab.toml.
    who, what, why : str
        The person, one of ``DECISION_KINDS``, the reason.
    run, instrument : str
        What it is about: to exclude or to accept needs a run, the others a run or an instrument.
    quantity : str
        Narrows it down to the charts of one quantity, such as ``kinematic viscosity``.
    temperature_C : float
        Narrows it down to one temperature, [°C]; NaN for every one.
    file : str
        The export that counts, where it is about one.
    when : datetime.datetime, optional
        With its time zone; none: now.
    corrects : int, optional
        In a record: number of the decision's entry that this one takes the place of.

    Returns
    -------
    Decision
        As it was written.

    Raises
    ------
    DecisionError
        A field is missing or wrong, or there is no lab.toml.
    """
    path = decisions_file(laboratory)
    if path is None:
        raise DecisionError("", 0, "a decision stands beside a lab.toml; this laboratory has none")
    moment = when or present_moment().astimezone(ZoneInfo(laboratory.time_zone)).replace(microsecond=0)
    given = {"who": who, "when": moment.isoformat(), "what": what, "why": why}
    given |= {"run": run, "instrument": instrument, "quantity": quantity, "file": file}
    record: dict[str, Any] = {name: value for name, value in given.items() if value}
    if not math.isnan(temperature_C):
        record["temperature_C"] = temperature_C
    decision = _decision(record, str(path), 0)
    if laboratory.record is not None:
        from labcalc.lab.record.decided import record_decision

        record_decision(laboratory, decision, corrects)
        return decision
    if corrects is not None:
        raise DecisionError(str(path), 0, "only a decision in a record has a number that another can correct")
    _append(path, (json.dumps(record, ensure_ascii=False) + "\n").encode("utf-8"))
    return decision


def _append(path: Path, line: bytes) -> None:
    """Write one line at the end, in one piece, and wait until it is on the disk; a torn line before it gets an end."""
    from filelock import FileLock

    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    with FileLock(path.with_name(f".{path.name}.lock")):
        if path.exists() and _whole(path)[-1:] not in (b"", b"\n"):
            line = b"\n" + line
        descriptor = os.open(path, flags, 0o644)
        try:
            written = os.write(descriptor, line)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    if written < len(line):
        raise DecisionError(str(path), 0, "the disk took only part of the line; make room and mend the last line")


def _record(line: bytes, file: str, place: int) -> Any:
    try:
        return json.loads(line.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise DecisionError(file, place, "not UTF-8") from None
    except ValueError:
        start = line.decode("utf-8", "replace")[:40]
        raise DecisionError(file, place, f"{shown(start)}: a decision in braces is expected") from None


def _moment(value: Any, path: str, problems: Problems) -> Any:
    try:
        moment = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        moment = None
    if moment is None or moment.tzinfo is None:
        expected = "a time with its time zone, such as '2026-03-31T16:20:00+01:00', is expected"
        return problems.note(path, f"{shown(value)}: {expected}")
    return moment


def _check_decision(decision: Decision) -> Iterator[tuple[str, str]]:
    if decision.what in _ABOUT_A_RUN and not decision.run:
        yield "run", f"missing, and must be given to {decision.what}"
    if decision.what == "count" and not decision.run and not decision.file:
        yield "run", "missing: what counts is a run, an export as file, or a run of an export"
    elif not decision.run and not decision.instrument and not decision.file:
        yield "run", "missing: a run or an instrument must be named"


_DECISION = table(
    {
        "who": Key(text),
        "when": Key(_moment),
        "what": Key(choice(DECISION_KINDS)),
        "why": Key(text),
        "run": Key(text, ""),
        "instrument": Key(text, ""),
        "quantity": Key(choice(QUANTITY_COLUMNS), ""),
        "file": Key(text, ""),
        "temperature_C": Key(number(-80, 400, unit="°C"), math.nan),
    },
    Decision,
    _check_decision,
)


def _decision(record: Mapping[str, Any], file: str, line: int) -> Decision:
    problems = Problems()
    decision = _DECISION(record, "", problems)
    if problems:
        key, problem = problems[0]
        raise DecisionError(file, line, f"{key}: {problem}" if key else problem)
    return cast("Decision", decision)
