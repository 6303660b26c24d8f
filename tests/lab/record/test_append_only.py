"""The database itself refuses to change what is there, on any connection, also by another program's."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from labcalc.lab import Issue, Laboratory, add_decision, add_exports, add_issued, verify_record
from labcalc.lab.record.journal import LATEST
from tests.lab.record.conftest import export_files, lab_with, new_database

TABLES = (
    "entries", "exports", "lines_set_aside", "names", "packed_rows", "issued", "readings",
    "refusals", "refused", "stamps", "steps",
)  # fmt: skip
KEPT = "the record is added to, never changed"


def fill(laboratory: Laboratory, folder: Path) -> None:
    """Put something into every table."""
    (file,) = export_files(folder / "exports", 1)
    file.write_text(file.read_text("utf-8") + "S9;2026-03-02 09:00;40;broken;838.9;\n----------\n", encoding="utf-8")
    os.utime(file, (1_700_000_000, 1_700_000_000))
    (folder / "exports" / "notes.csv").write_text("nothing", encoding="utf-8")
    list(add_exports(laboratory, [file, folder / "exports" / "notes.csv"], who="Inês"))
    add_decision(laboratory, who="Inês", what="conclusion", why="seen", instrument="VD-1")
    add_issued(laboratory, Issue("R1", "R1 / 1a2b3c4d", "2026-03-30"), b"<p>a page</p>", who="Inês")


@pytest.fixture
def plain(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """A connection with the settings of any other program: no recursive triggers, no foreign keys."""
    fill(lab_with(tmp_path), tmp_path)
    with closing(sqlite3.connect(tmp_path / "record.sqlite", isolation_level=None)) as connection:
        yield connection


def test_every_table_is_tried(plain: sqlite3.Connection) -> None:
    names = {name for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert names == set(TABLES)
    for table in TABLES:
        assert plain.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0, table
    strict = {
        name for name, _, is_strict in plain.execute("SELECT name, wr, strict FROM pragma_table_list") if is_strict
    }
    assert strict == names


@pytest.mark.parametrize("table", TABLES)
def test_nothing_is_changed_deleted_or_put_in_its_place(plain: sqlite3.Connection, table: str) -> None:
    columns = [row[1] for row in plain.execute(f"PRAGMA table_info({table})")]
    before = plain.execute(f"SELECT * FROM {table}").fetchall()
    statements = [
        *(f"UPDATE {table} SET {column} = {column}" for column in columns),
        f"DELETE FROM {table}",
        f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
        f"REPLACE INTO {table} SELECT * FROM {table}",
        f"INSERT INTO {table} SELECT * FROM {table} WHERE true ON CONFLICT DO UPDATE SET {columns[0]} = {columns[0]}",
    ]
    for statement in statements:
        with pytest.raises(sqlite3.IntegrityError, match=f"{table}: {KEPT}"):
            plain.execute(statement)
    assert plain.execute(f"SELECT * FROM {table}").fetchall() == before


@pytest.mark.parametrize(
    ("table", "changed"),
    [
        ("entries", {"n": "99", "previous": "'x'"}),
        ("entries", {"n": "99", "digest": "'x'"}),
        ("exports", {"entry": "2"}),
    ],
)
def test_nothing_is_replaced_by_way_of_another_key(
    plain: sqlite3.Connection, table: str, changed: dict[str, str]
) -> None:
    """``INSERT OR REPLACE`` deletes whatever stands in the way of any unique key, of which one is enough."""
    columns = [row[1] for row in plain.execute(f"PRAGMA table_info({table})")]
    values = ", ".join(changed.get(column, column) for column in columns)
    with pytest.raises(sqlite3.IntegrityError, match=KEPT):
        plain.execute(f"INSERT OR REPLACE INTO {table} SELECT {values} FROM {table} ORDER BY 1 DESC LIMIT 1")


def test_a_row_of_the_wrong_type_is_refused(plain: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match=r"TEXT value in INTEGER column lines_set_aside\.line"):
        plain.execute("INSERT INTO lines_set_aside VALUES (4, 99, 'two')")


@pytest.mark.parametrize("table", TABLES)
def test_postgresql_refuses_too(server: str, tmp_path: Path, table: str) -> None:
    import psycopg

    name = new_database(server)
    laboratory = lab_with(tmp_path, f'url = "{server}/{name}"')
    fill(laboratory, tmp_path)
    with psycopg.connect(f"{server.replace('+psycopg', '')}/{name}", autocommit=True) as connection:
        cursor = connection.execute(f"SELECT * FROM {table}")
        assert cursor.description is not None
        column = cursor.description[0].name
        for statement in (
            f"UPDATE {table} SET {column} = {column}",
            f"DELETE FROM {table}",
            f"TRUNCATE {table} CASCADE",
            f"INSERT INTO {table} SELECT * FROM {table} "
            f"ON CONFLICT ON CONSTRAINT {table}_pkey DO UPDATE SET {column} = EXCLUDED.{column}",
        ):
            with pytest.raises(psycopg.errors.RaiseException, match=KEPT):
                connection.execute(statement)
    assert verify_record(laboratory)[1] is None


def test_a_bench_needs_no_more_than_to_read_and_to_add(
    server: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As README advises: the tables are another role's, the benches have SELECT and INSERT."""
    import psycopg

    name = new_database(server)
    fill(lab_with(tmp_path, f'url = "{server}/{name}"'), tmp_path)
    role = f"only_{name}"
    with psycopg.connect(f"{server.replace('+psycopg', '')}/{name}", autocommit=True) as connection:
        connection.execute(f"CREATE ROLE {role} LOGIN PASSWORD '{role}'")
        connection.execute(f"GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA public TO {role}")
    monkeypatch.setenv("PGPASSWORD", role)
    url = f"{server.replace('bench@', f'{role}@')}/{name}"
    laboratory = lab_with(tmp_path, f'url = "{url}"')
    assert [one.is_new for one in add_exports(laboratory, export_files(tmp_path / "more", 1, 5), who="Bo")] == [True]
    assert verify_record(laboratory)[1] is None
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
        for statement in ("UPDATE names SET entry = 1", "DROP TRIGGER names_row ON names", "TRUNCATE names"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement)


def test_there_are_as_many_steps_as_the_tests_know(plain: sqlite3.Connection) -> None:
    assert plain.execute("SELECT max(step) FROM steps").fetchone() == (LATEST,) == (7,)
