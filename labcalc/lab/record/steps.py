"""The tables of the record, by numbered steps; a step that was released is never edited, a further one is added.

Triggers refuse to change or delete, and to insert over what is there: ``INSERT OR REPLACE`` deletes without asking
a delete trigger. They guard against accidents; against intent stands the chain.
"""

from __future__ import annotations

from collections.abc import Iterator

from labcalc.errors import RecordError
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import append, head_of, now

_STEPS: tuple[dict[str, tuple[str, tuple[str, ...]]], ...] = (
    {
        "entries": (
            """n {int} PRIMARY KEY CHECK (n > 0), at TEXT NOT NULL, who TEXT NOT NULL CHECK (who <> ''),
            kind TEXT NOT NULL, corrects {int} REFERENCES entries (n) CHECK (corrects < n), content TEXT NOT NULL,
            previous TEXT NOT NULL UNIQUE, digest TEXT NOT NULL UNIQUE""",
            ("n", "previous", "digest"),
        ),
        "steps": (
            "step {int} PRIMARY KEY, at TEXT NOT NULL, entries {int} NOT NULL, head TEXT NOT NULL",
            ("step",),
        ),
        "exports": (
            """entry {int} PRIMARY KEY REFERENCES entries (n), sha256 TEXT NOT NULL UNIQUE, size {int} NOT NULL,
            packed {bytes} NOT NULL""",
            ("entry", "sha256"),
        ),
        "readings": (
            "entry {int} PRIMARY KEY REFERENCES entries (n), export {int} NOT NULL REFERENCES exports (entry)",
            ("entry",),
        ),
        "rows": (
            """entry {int} NOT NULL REFERENCES readings (entry), place {int} NOT NULL, run TEXT, sample TEXT,
            product TEXT, lot TEXT, role TEXT, measured_at_utc TEXT, instrument TEXT, operator TEXT,
            temperature_C TEXT, replicate {int}, kinematic_viscosity_mm2_s TEXT, dynamic_viscosity_mPa_s TEXT,
            density_kg_m3 TEXT, remark TEXT, source_line {int}, PRIMARY KEY (entry, place)""",
            ("entry, place",),
        ),
        "refusals": (
            """entry {int} NOT NULL REFERENCES readings (entry), place {int} NOT NULL, line {int} NOT NULL,
            column_name TEXT, value TEXT, expected TEXT NOT NULL, sheet TEXT NOT NULL,
            sample TEXT NOT NULL, PRIMARY KEY (entry, place)""",
            ("entry, place",),
        ),
        "lines_set_aside": (
            """entry {int} NOT NULL REFERENCES readings (entry), place {int} NOT NULL, line {int} NOT NULL,
            PRIMARY KEY (entry, place)""",
            ("entry, place",),
        ),
    },
    {
        "decisions": (
            """entry {int} PRIMARY KEY REFERENCES entries (n), who TEXT NOT NULL, decided_at TEXT NOT NULL,
            what TEXT NOT NULL, why TEXT NOT NULL, run TEXT NOT NULL, instrument TEXT NOT NULL,
            quantity TEXT NOT NULL, temperature_C TEXT NOT NULL""",
            ("entry",),
        ),
    },
    {
        "stamps": (
            """path TEXT NOT NULL, size {int} NOT NULL, changed_ns {int} NOT NULL,
            export {int} NOT NULL REFERENCES exports (entry), PRIMARY KEY (path, size, changed_ns)""",
            ("path, size, changed_ns",),
        ),
    },
)
"""By step, the tables that it adds: columns, and each key that an insert must not find there already."""

_INDEXES = {3: ("rows (sample)", "rows (instrument, measured_at_utc)", "entries (corrects)", "readings (export)")}
LATEST = len(_STEPS)


def bring_up_to_date(connection: Connection, place: str, last: int = LATEST) -> None:
    """Take the steps that the database lacks, each an entry of the journal; the database may be empty.

    Raises
    ------
    RecordError
        The database was written by a newer labcalc.
    """
    done = step_of(connection)
    if done > LATEST:
        raise RecordError(place, f"it was written by a newer labcalc (step {done}); this one knows {LATEST} steps")
    for step in range(done + 1, last + 1):
        for statement in _statements(step, connection.is_sqlite):
            connection.run(statement)
        before = head_of(connection)
        connection.add("steps", [(step, now(), before.entries, before.digest)])
        append(connection, kind="step", who="labcalc", content={"step": step, "tables": sorted(_STEPS[step - 1])})


def step_of(connection: Connection) -> int:
    """Return the last step that a database took; 0 for one that holds no record."""
    return int(connection.one("SELECT max(step) FROM steps")[0]) if connection.has_table("steps") else 0


def _statements(step: int, is_sqlite: bool) -> Iterator[str]:
    names = {"int": "INTEGER", "bytes": "BLOB"} if is_sqlite else {"int": "BIGINT", "bytes": "BYTEA"}
    if step == 1 and not is_sqlite:
        yield _REFUSE
    for table, (columns, keys) in _STEPS[step - 1].items():
        ending = (" STRICT" + ", WITHOUT ROWID" * ("PRIMARY KEY (" in columns)) * is_sqlite
        yield f"CREATE TABLE {table} ({columns.format(**names)}){ending}"
        yield from (_kept_by_sqlite(table, keys) if is_sqlite else _kept_by_postgresql(table))
    for place, on in enumerate(_INDEXES.get(step, ())):
        yield f"CREATE INDEX index_{step}_{place} ON {on}"


def _kept_by_sqlite(table: str, keys: tuple[str, ...]) -> Iterator[str]:
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
