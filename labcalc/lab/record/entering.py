"""What the record is told beside exports and decisions: certificates, and the pages that were rendered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from labcalc import __version__
from labcalc.lab.certified import certificates
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import append, entries_of
from labcalc.lab.record.opening import opened


def add_certificates(laboratory: Laboratory, *, who: str) -> int:
    """Add each certificate of a reference oil that is new or was changed, and return how many that were."""
    database, stated = opened(laboratory, may_create=True), [one.stated for one in certificates(laboratory)]
    with database.reading() as connection:
        if not list(_due(connection, stated)):
            return 0
    with database.writing() as connection:
        due = list(_due(connection, stated))
        for one, corrects in due:
            append(connection, kind="certificate", who=who, content=one, corrects=corrects)
    return len(due)


def _due(connection: Connection, stated: Sequence[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], int | None]]:
    """Yield what the last entry about the same lot doesn't say, and the number of that entry."""
    last = {(one.content["oil"], one.content["lot"]): one for one in entries_of(connection, "kind = 'certificate'")}
    for one in stated:
        before = last.get((one["oil"], one["lot"]))
        if before is None or before.content != one:
            yield one, before.n if before else None


def add_pages(laboratory: Laboratory, pages: Sequence[Mapping[str, str]], *, who: str) -> int:
    """Add an entry that names pages which were rendered, and return its number."""
    with opened(laboratory, may_create=True).writing() as connection:
        return append(connection, kind="report", who=who, content={"labcalc": __version__, "pages": list(pages)})
