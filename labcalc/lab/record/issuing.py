"""Issued reports: each kept as the bytes that were handed out, never written over; a change is an amendment."""

import hashlib
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from labcalc import __version__
from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import append, entries_of
from labcalc.lab.record.steps import opened


@dataclass(frozen=True)
class Issue:
    """What is said when a report is issued."""

    run: str
    number: str
    issued: str  # day of issue, ISO 8601
    replaces: str = ""  # number of the report that this one amends; empty: none
    changed: str = ""  # what changed since that one


@dataclass(frozen=True)
class IssuedReport:
    """A report that was issued."""

    issue: Issue
    entry: int  # number of its entry in the record


def issued_report(laboratory: Laboratory, issue: Issue) -> IssuedReport | None:
    """Return the report that was issued in these words already; None where it may be issued.

    RecordError: the run has an issued report that the new one doesn't amend, or it amends one that isn't the last.
    """
    database = opened(laboratory, may_create=True)
    with database.reading() as connection:
        return _held(connection, issue, database.place)


def add_issued(laboratory: Laboratory, issue: Issue, page: bytes, *, who: str) -> IssuedReport:
    """Keep the page of a report that is issued, as its bytes; one that was issued in these words already is returned.

    RecordError: as for ``issued_report``.
    """
    database = opened(laboratory, may_create=True)
    with database.writing() as connection:
        if held := _held(connection, issue, database.place):
            return held
        last = next((one.entry for one in _of_run(connection, issue.run) if one.issue.number == issue.replaces), None)
        stated = {**asdict(issue), "sha256": hashlib.sha256(page).hexdigest(), "size": len(page)}
        content = {**stated, "labcalc": __version__}
        n = append(connection, kind="issued", who=who, content=content, corrects=last)
        connection.add("issued", [(n, issue.number, issue.run, zlib.compress(page, 9))])
    return IssuedReport(issue, n)


def _held(connection: Connection, issue: Issue, place: str) -> IssuedReport | None:
    before = _of_run(connection, issue.run)
    for one in before:
        if one.issue == issue:
            return one
    last = before[-1].issue.number if before else ""
    if last == issue.replaces:
        return None
    if not issue.replaces:
        told = f"'{last}', of {before[-1].issue.issued}, entry {before[-1].entry}"
        way_out = f"--amends '{last}' --changed TEXT issues another"
        raise RecordError(place, f"a report of this run was issued: {told}. It stays; {way_out}")
    known = f"the last one is '{last}'" if last else "none was issued"
    raise RecordError(place, f"'{issue.replaces}' is not the last report issued of run '{issue.run}': {known}")


def _of_run(connection: Connection, run: str) -> Sequence[IssuedReport]:
    found = entries_of(connection, "n IN (SELECT entry FROM issued WHERE run = :run)", run=run)
    return [IssuedReport(Issue(*(one.content[name] for name in Issue.__match_args__)), one.n) for one in found]
