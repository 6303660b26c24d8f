"""The journal: entries in the order of their numbers, each with who, when, what, and the digest of the one before."""

import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from labcalc.errors import RecordError
from labcalc.lab.record.chain import ORIGIN, Head, canonical, linked
from labcalc.lab.record.database import Connection

NOT_LABCALCS = "its text is not one that labcalc writes"
_COLUMNS = "n, at, who, kind, corrects, content, previous, digest"


@dataclass(frozen=True)
class Entry:
    """One entry of the journal."""

    n: int
    at: str  # when it was written: UTC, ISO 8601
    who: str
    kind: str
    """``export`` (bytes that came in, with their first reading), ``reading`` (again), ``refused`` (not to be read),
    ``decision``, ``certificate``, ``report`` (pages rendered), ``issued`` (a report's page as handed out), ``step``."""
    corrects: int | None  # the entry that it takes the place of
    text: str  # all of the above with the content, as it was digested
    previous: str
    digest: str

    @property
    def content(self) -> dict[str, Any]:
        """What it says, by the names of its kind; RecordError where somebody wrote something else over it."""
        return dict(self._stated["content"])

    @property
    def for_programs(self) -> dict[str, Any]:
        """All of it for other programs."""
        return {**self._stated, "previous": self.previous, "digest": self.digest}

    @property
    def _stated(self) -> dict[str, Any]:
        with suppress(ValueError):
            stated = json.loads(self.text)
            if isinstance(stated, dict) and isinstance(stated.get("content"), dict):
                return stated
        raise RecordError("the record", f"entry {self.n}: {NOT_LABCALCS}")


def now() -> str:
    """Return this moment as an entry states it."""
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"


def head_of(connection: Connection, where: str = "") -> Head:
    """Return the last entry's number and digest."""
    found = connection.one(f"SELECT n, digest FROM entries {where} ORDER BY n DESC LIMIT 1")
    return Head(int(found[0]), str(found[1])) if found else Head(0, ORIGIN)


def append(connection: Connection, *, kind: str, who: str, content: dict[str, Any], corrects: int | None = None) -> int:
    """Add an entry and return its number; within a transaction that writes, where nobody else can."""
    head, at = head_of(connection), now()
    n = head.entries + 1
    text = entry_text(n, at, who, kind, corrects, content)
    try:
        digest = linked(head.digest, text)
    except ValueError:
        raise RecordError("the record", f"entry {head.entries}: its digest is none") from None
    connection.add("entries", [(n, at, who, kind, corrects, text, head.digest, digest)])
    return n


def entry_text(n: int, at: str, who: str, kind: str, corrects: int | None, content: dict[str, Any]) -> str:
    """Return the text of an entry that is digested; what corrects nothing doesn't say so."""
    stated = {"n": n, "at": at, "who": who, "kind": kind, "content": content}
    return canonical(stated if corrects is None else {**stated, "corrects": corrects})


def entries_of(connection: Connection, where: str = "n > 0", **given: Any) -> Iterator[Entry]:
    """Yield entries in the order of their numbers."""
    query = f"SELECT {_COLUMNS} FROM entries WHERE {where} ORDER BY n"
    return (Entry(*row) for row in connection.every(query, **given))
