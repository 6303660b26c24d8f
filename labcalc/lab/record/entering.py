"""What the record is told beside exports and decisions: certificates, and the pages that were rendered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from labcalc import __version__
from labcalc.lab.certified import certificates
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import append, entries_of, head_of
from labcalc.lab.record.opening import opened

_AN_ENTRY = 500  # most pages that an entry names, [-]


def add_certificates(laboratory: Laboratory, *, who: str) -> int:
    """Add each certificate of a reference oil that is new or was changed, and return how many that were."""
    database, stated = opened(laboratory, may_create=True), list(certificates(laboratory))
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


def add_pages(laboratory: Laboratory, pages: Sequence[Mapping[str, str]], *, who: str) -> dict[str, str]:
    """Add entries that name pages which were rendered: ``stem``, ``inputs``, ``sha256`` and ``entry`` of each.

    ``inputs`` is the SHA-256 [hex] of all that a page depends on, ``entry`` that of the entry which names it; a page
    whose entry the record holds is passed over. Return the entry of each other page by its stem.
    """
    database, entered = opened(laboratory, may_create=True), dict[str, str]()
    with database.reading() as connection:
        known = {digest for (digest,) in connection.every("SELECT digest FROM entries WHERE kind = 'report'")}
    new = [page for page in pages if page["entry"] not in known]
    for some in (new[at : at + _AN_ENTRY] for at in range(0, len(new), _AN_ENTRY)):
        named = [{name: page[name] for name in ("stem", "inputs", "sha256")} for page in some]
        with database.writing() as connection:
            append(connection, kind="report", who=who, content={"labcalc": __version__, "pages": named})
            entered |= dict.fromkeys((page["stem"] for page in some), head_of(connection).digest)
    return entered
