"""The tables of the record (``tables.toml``), by numbered steps; a record is opened with the steps that it lacks.

Triggers refuse to change or delete, and to insert over what is there: ``INSERT OR REPLACE`` deletes without asking
a delete trigger. They guard against accidents; against intent stands the chain.
"""

import tomllib
from collections.abc import Iterator
from importlib.resources import files

from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.contents import name_rows, pack_rows
from labcalc.lab.record.database import Connection, Database, database_of
from labcalc.lab.record.journal import append, head_of, now

_STEPS = tomllib.loads(files("labcalc.lab.record").joinpath("tables.toml").read_text("utf-8"))["step"]
LATEST = len(_STEPS)
_MOVES = {5: pack_rows, 7: name_rows}  # what a step carries over from the tables before it


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
