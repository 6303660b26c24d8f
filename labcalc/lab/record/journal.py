"""The journal: entries in the order of their numbers, each with who, when, what, and the digest of the one before.

The tables of the record (``tables.toml``) are made by numbered steps, each an entry; a record is opened with the steps
that it lacks. Triggers refuse to change or delete, and to insert over what is there: ``INSERT OR REPLACE`` deletes
without asking a delete trigger. They guard against accidents; against intent stands the chain.
"""

import json
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from typing import Any

from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import ORIGIN, Head, canonical, linked
from labcalc.lab.record.contents import name_rows, pack_rows
from labcalc.lab.record.database import Connection, Database, database_of

NOT_LABCALCS = "its text is not one that labcalc writes"
_COLUMNS = "n, at, who, kind, corrects, content, previous, digest"
_STEPS = tomllib.loads(files("labcalc.lab.record").joinpath("tables.toml").read_text("utf-8"))["step"]
LATEST = len(_STEPS)
_MOVES = {5: pack_rows, 7: name_rows}  # what a step carries over from the tables before it


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


def bring_up_to_date(connection: Connection, place: str, last: int = LATEST) -> None:
    """Take the steps that the database lacks, each an entry of the journal; the database may be empty.

    RecordError: the database was written by a newer labcalc.
    """
    done = step_of(connection)
    if done > LATEST:
        raise RecordError(place, f"it was written by a newer labcalc (step {done}); this one knows {LATEST} steps")
    for step in range(done + 1, last + 1):
        taken = _STEPS[step - 1]
        if connection.has_table(made := taken["table"][0]["name"]):
            raise RecordError(place, f"it has the table {made} of step {step}, which its table of steps lacks")
        for statement in _statements(step, connection.is_sqlite):
            connection.run(statement)
        if step in _MOVES:
            _MOVES[step](connection)
        before = head_of(connection)
        connection.add("steps", [(step, now(), before.entries, before.digest)])
        told = {"step": step, "tables": sorted(table["name"] for table in taken["table"])}
        told |= {"drops": taken["drops"]} if "drops" in taken else {}
        append(connection, kind="step", who="labcalc", content=told)


def step_of(connection: Connection) -> int:
    """Return the last step that a database took; 0 for one that holds no record."""
    return int(connection.one("SELECT max(step) FROM steps")[0]) if connection.has_table("steps") else 0


def _statements(step: int, is_sqlite: bool) -> Iterator[str]:
    types = {"int": "INTEGER", "bytes": "BLOB"} if is_sqlite else {"int": "BIGINT", "bytes": "BYTEA"}
    if step == 1 and not is_sqlite:
        yield _REFUSE
    for table in _STEPS[step - 1]["table"]:
        name, columns = table["name"], ", ".join(table["columns"])
        ending = (" STRICT" + ", WITHOUT ROWID" * ("PRIMARY KEY (" in columns)) * is_sqlite
        yield f"CREATE TABLE {name} ({columns.format(**types)}){ending}"
        yield from (_kept_by_sqlite(name, table["keys"]) if is_sqlite else _kept_by_postgresql(name))
    yield from (f"DROP TABLE {name}" for name in _STEPS[step - 1].get("drops", ()))
    for place, on in enumerate(_STEPS[step - 1].get("indexes", ())):
        yield f"CREATE INDEX index_{step}_{place} ON {on}"


def changed_triggers(connection: Connection) -> list[str]:
    """Return the triggers that aren't as labcalc made them: gone, others, or somebody else's (in SQLite)."""
    taken = [one for step in range(1, step_of(connection) + 1) for one in _statements(step, connection.is_sqlite)]
    gone = [one.replace("DROP TABLE", " ON") + " " for one in taken if one.startswith("DROP TABLE")]
    made = [one for one in taken if one.startswith("CREATE TRIGGER") and not any(name in one for name in gone)]
    asked = "SELECT sql FROM sqlite_master WHERE type = 'trigger'"
    if not connection.is_sqlite:
        made = [one.split()[2] for one in made]
        asked = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'O'"
    there = [one for (one,) in connection.every(asked)]
    strange = [one for one in there if one not in set(made)] if connection.is_sqlite else []
    changed = [*(one for one in made if one not in set(there)), *strange]
    return [one.removeprefix("CREATE TRIGGER ").split()[0] for one in changed]


def _kept_by_sqlite(table: str, keys: list[str]) -> Iterator[str]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{table}: the record is added to, never changed'); END"
    for event in ("UPDATE", "DELETE"):
        yield f"CREATE TRIGGER {table}_{event.lower()} BEFORE {event} ON {table} {refuse}"
    for place, key in enumerate(keys):
        new = ", ".join(f"NEW.{column.strip()}" for column in key.split(","))
        there = f"EXISTS (SELECT 1 FROM {table} WHERE ({key}) = ({new}))"
        yield f"CREATE TRIGGER {table}_insert_{place} BEFORE INSERT ON {table} WHEN {there} {refuse}"


def _kept_by_postgresql(table: str) -> Iterator[str]:
    for event, each in (("UPDATE OR DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
        name = f"{table}_{each.lower()}"
        yield f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH {each} EXECUTE FUNCTION labcalc_refuse()"


_REFUSE = """
CREATE FUNCTION labcalc_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION USING MESSAGE = TG_TABLE_NAME || ': the record is added to, never changed'; END $$
"""


def opened(laboratory: Laboratory, *, may_create: bool = False) -> Database:
    """Return the laboratory's record, ready to be read and added to.

    RecordError: lab.toml names none, there is none yet and it may not be created, or it can't be opened.
    """
    database, done = database_of(laboratory), 0
    if database.file is None or database.file.exists():
        with database.reading() as connection:
            done = step_of(connection)
    if not (done or may_create):
        raise RecordError(database.place, "there is no record yet; `labcalc record add` begins one")
    if done != LATEST:
        with database.writing() as connection:
            bring_up_to_date(connection, database.place)
    return database
