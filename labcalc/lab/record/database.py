"""The database under the record: a SQLite file, or a PostgreSQL server by URL; transactions, and errors in words."""

import re
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory

_WAIT_MS = 60_000  # how long a writer waits for another, [ms]
_PRAGMAS = (
    f"busy_timeout = {_WAIT_MS}", "journal_mode = DELETE", "synchronous = FULL", "fullfsync = ON", "foreign_keys = ON",
    "recursive_triggers = ON",
)  # fmt: skip
"""A rollback journal: SQLite 3.7.0 to 3.51.2 can damage a file in WAL mode, though rarely. Full: down to the disk."""
_ONE_WRITER = 0x6C616263  # the advisory lock of PostgreSQL that a writer holds until its transaction ends
_AT_ONCE = 5_000  # rows that are handed over at a time, [-]


@dataclass(frozen=True)
class Connection:
    """A transaction that is open."""

    under: sqlalchemy.Connection

    @property
    def is_sqlite(self) -> bool:
        """Tell SQLite from PostgreSQL."""
        return self.under.dialect.name == "sqlite"

    def has_table(self, name: str) -> bool:
        """Tell whether there is a table of this name."""
        return sqlalchemy.inspect(self.under).has_table(name)

    def run(self, statement: str) -> None:
        """Run a statement as it is written."""
        self.under.exec_driver_sql(statement)

    def one(self, query: str, **given: Any) -> Sequence[Any]:
        """Return the first row; an empty one where there is none."""
        return self.under.execute(sqlalchemy.text(query), given).first() or ()

    def every(self, query: str, **given: Any) -> Iterator[Sequence[Any]]:
        """Yield row by row, without holding all of them."""
        found = self.under.execute(sqlalchemy.text(query), given, execution_options={"yield_per": _AT_ONCE})
        if not self.is_sqlite:
            yield from found
        elif found.cursor is not None:  # SQLite's own rows: SQLAlchemy would make each one anew
            while some := found.cursor.fetchmany(_AT_ONCE):
                yield from some

    def add(self, table: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Add rows, tuples that are whole and in the order of the columns."""
        rest = iter(rows)
        while some := list(islice(rest, _AT_ONCE)):
            mark = "?" if self.is_sqlite else "%s"
            self.under.exec_driver_sql(f"INSERT INTO {table} VALUES ({', '.join([mark] * len(some[0]))})", some)


@dataclass(frozen=True)
class Database:
    """Where a record is kept; nothing is open but within a transaction."""

    engine: sqlalchemy.Engine
    place: str  # as messages name it, without a password
    file: Path | None = None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Read the record as it is at one moment."""
        with _in_words(self.place), self.engine.begin() as connection:
            yield Connection(connection)

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Write all or nothing, alone; others wait."""
        with _in_words(self.place), self.engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                yield Connection(connection)


def database_of(laboratory: Laboratory) -> Database:
    """Return the database that lab.toml names; nothing is opened yet.

    RecordError: lab.toml names no record, or what PostgreSQL needs isn't installed.
    """
    named = laboratory.record
    if named is None:
        place = str(laboratory.file or "without a lab.toml")
        raise RecordError(place, 'no record is named; [record] file = "record.sqlite" in lab.toml names one')
    file = None if named.url else (laboratory.file.parent if laboratory.file else Path.cwd()) / named.file
    url = sqlalchemy.make_url(named.url or f"sqlite:///{file}")
    place = str(file or url.render_as_string(hide_password=True))
    try:
        engine = sqlalchemy.create_engine(url, poolclass=NullPool)
    except ModuleNotFoundError as missing:
        raise RecordError(place, f"needs {missing.name}: pip install 'labcalc[postgres]'") from None
    sqlalchemy.event.listen(engine, "begin", _begin_in_sqlite if file else _begin_in_postgresql)
    if file:
        sqlalchemy.event.listen(engine, "connect", _set_up_sqlite)
    return Database(engine, place, file)


def _set_up_sqlite(connection: Any, _: object) -> None:
    connection.isolation_level = None  # the driver would begin transactions at its own times
    for pragma in _PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _begin_in_sqlite(connection: sqlalchemy.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writes") else "BEGIN")


def _begin_in_postgresql(connection: sqlalchemy.Connection) -> None:
    if connection.get_execution_options().get("writes"):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ONE_WRITER})")
    else:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")


@contextmanager
def _in_words(place: str) -> Iterator[None]:
    """Turn what a database says into one line without statement, values or password."""
    try:
        yield
    except DBAPIError as error:
        raise RecordError(place, _first_line(error.orig)) from None
    except (SQLAlchemyError, sqlite3.Error, UnicodeError, OverflowError) as error:  # of SQLite past SQLAlchemy
        raise RecordError(place, _first_line(error)) from None


def _first_line(error: object) -> str:
    lines = str(error).strip().splitlines()
    return re.sub(r"(password\s*=\s*|://[^/@\s:]*:)[^\s@]+", r"\1***", lines[0]) if lines else "the database gave up"
