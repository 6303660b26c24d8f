"""Whoever changes the file by hand, triggers dropped, is told by the number of the entry."""

from __future__ import annotations

import json
import os
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing, nullcontext
from pathlib import Path

import pytest

from labcalc.errors import RecordError
from labcalc.lab import (
    Laboratory,
    add_decision,
    add_exports,
    checked_decisions,
    exports_not_held,
    find_entries,
    read_record,
    verify_record,
)
from labcalc.lab.record.chain import ORIGIN, canonical, linked
from labcalc.lab.record.contents import ROW_COLUMNS, packed_rows, rows_of
from tests.lab.record.conftest import export_files, lab_with

Change = Callable[[sqlite3.Connection], object]


@pytest.fixture
def filled(tmp_path: Path) -> Laboratory:
    """Entries 1 to 7 are steps, 8 to 11 exports of three rows, 12 and 13 decisions; 13 takes the place of 11."""
    laboratory = lab_with(tmp_path)
    files = export_files(tmp_path / "exports", 4)
    files[1].write_text(files[1].read_text("utf-8") + "S9;2026-03-02 09:00;40;broken;838.9;\n----------\n", "utf-8")
    list(add_exports(laboratory, files, who="Inês"))
    add_decision(laboratory, who="Inês", what="conclusion", why="seen", instrument="VD-1")
    add_decision(laboratory, who="Inês", what="conclusion", why="seen better", instrument="VD-1", corrects=12)
    return laboratory


def change(laboratory: Laboratory, *statements: str | Change) -> None:
    """Change the file as someone does who knows how."""
    assert laboratory.file is not None
    with closing(sqlite3.connect(laboratory.file.parent / "record.sqlite", isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement) if isinstance(statement, str) else statement(connection)
        for _, made in triggers:
            connection.execute(made)


def test_what_was_written_holds(filled: Laboratory) -> None:
    head, fault = verify_record(filled)
    assert (head.entries, fault) == (13, None)
    assert verify_record(filled, {13: head.digest[:16].upper()}) == (head, None)


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE entries SET content = replace(content, 'run_001', 'run_100') WHERE n = 9", "entry 9: its text is not"),
        ("UPDATE entries SET who = 'Bo' WHERE n = 8", "entry 8: its columns say something else than its text"),
        ("UPDATE entries SET at = '2020-01-01T00:00:00Z' WHERE n = 8", "entry 8: its columns say something else"),
        ("UPDATE entries SET corrects = NULL WHERE n = 13", "entry 13: its columns say something else"),
        ("UPDATE entries SET kind = 'note' WHERE n = 8", "entry 8: its columns say something else"),
        ("DELETE FROM entries WHERE n = 10", "entry 10: it is missing"),
        ("UPDATE entries SET n = CASE n WHEN 9 THEN 61 ELSE n END", "entry 9: it is missing"),
        (lambda connection: _edit(connection, 9, 1, "kinematic_viscosity_mm2_s", "15.5"), "entry 9: its rows, refused"),
        (lambda connection: _edit(connection, 9, 1, "measured_at", None), "entry 9: its rows, refused rows"),
        (lambda connection: _edit(connection, 9, 1, "sample", "S99"), "entry 9: its rows, refused rows"),
        (lambda connection: _edit(connection, 11, 2), "entry 11: its rows, refused rows or lines set aside"),
        ("UPDATE names SET name = 'S99' WHERE entry = 9 AND name = 'S4'", "entry 9: it is found by other names"),
        ("DELETE FROM names WHERE entry = 10", "entry 10: it is found by other names than those of its rows"),
        ("INSERT INTO names VALUES (10, 'sample', 'S99')", "entry 10: it is found by other names"),
        ("INSERT INTO names VALUES (12, 'sample', 'S99')", "entry 12: the table names holds something for it"),
        ("UPDATE refusals SET expected = 'nothing'", "entry 9: its rows, refused rows or lines set aside"),
        ("DELETE FROM lines_set_aside", "entry 9: its rows, refused rows or lines set aside"),
        ("UPDATE readings SET export = 9 WHERE entry = 8", "entry 8: it is the reading of another export"),
        ("DELETE FROM readings WHERE entry = 8", "entry 8: it is the reading of another export"),
        ("DELETE FROM exports WHERE entry = 8", "entry 8: its export is missing"),
        ("UPDATE exports SET packed = x'00' WHERE entry = 8", "entry 8: its export can't be unpacked"),
        ("UPDATE exports SET size = size + 1 WHERE entry = 8", "entry 8: its export is not the one that was added"),
        (
            lambda connection: connection.execute("UPDATE exports SET packed = ?", (zlib.compress(b"other"),)),
            "entry 8: its export is not the one that was added",
        ),
        ("INSERT INTO exports VALUES (12, 'x', 1, x'00')", "entry 12: the table exports holds something for it"),
        ("UPDATE packed_rows SET packed = x'00' WHERE entry = 9", "entry 9: its rows are missing or can't be unpacked"),
        ("DELETE FROM packed_rows WHERE entry = 9", "entry 9: its rows are missing"),
        (
            "UPDATE packed_rows SET packed = (SELECT packed FROM packed_rows WHERE entry = 10) WHERE entry = 9",
            "entry 9: its rows, refused rows or lines set aside",
        ),
        (
            lambda connection: connection.execute("UPDATE packed_rows SET packed = ?", (packed_rows([]),)),
            "entry 8: its rows, refused rows or lines set aside",
        ),
        ("INSERT INTO packed_rows VALUES (12, x'00')", "entry 12: the table packed_rows holds something for it"),
        ("UPDATE steps SET head = 'x' WHERE step = 2", "entry 2: its step is not the one that was taken"),
        ("DELETE FROM steps WHERE step = 1", "entry 1: its step is not the one that was taken"),
    ],
)  # fmt: skip
def test_the_first_bad_entry_is_named(filled: Laboratory, statement: str | Change, told: str) -> None:
    change(filled, statement)
    assert str(verify_record(filled)[1]).startswith(told)


def _edit(connection: sqlite3.Connection, entry: int, at: int, column: str = "", value: str | None = None) -> None:
    """Write another value into a packed row, or leave the row out."""
    (packed,) = connection.execute("SELECT packed FROM packed_rows WHERE entry = ?", (entry,)).fetchone()
    rows = [list(row) for row in rows_of(packed)]
    if column:
        rows[at][ROW_COLUMNS.index(column)] = value
    else:
        del rows[at]
    connection.execute("UPDATE packed_rows SET packed = ? WHERE entry = ?", (packed_rows(rows), entry))


def test_entries_that_changed_places(filled: Laboratory) -> None:
    swap = "UPDATE entries SET n = CASE n WHEN 51 THEN 10 WHEN 10 THEN 9 ELSE n END WHERE n IN (51, 10)"
    change(filled, "UPDATE entries SET n = 51 WHERE n = 9", "UPDATE entries SET n = 52 WHERE n = 10")
    change(filled, swap, "UPDATE entries SET n = 9 WHERE n = 52")
    assert str(verify_record(filled)[1]) == "entry 9: it doesn't follow the entry before it"


def test_an_end_cut_off_contradicts_paper_only(filled: Laboratory) -> None:
    head, _ = verify_record(filled)
    change(filled, "DELETE FROM entries WHERE n = 13")
    assert verify_record(filled)[1] is None
    cut = verify_record(filled, {13: head.digest})[1]
    assert str(cut) == "entry 13: a printed head names it; the record ends with 12"


def test_a_record_written_anew_contradicts_paper_only(filled: Laboratory) -> None:
    head, _ = verify_record(filled)
    change(filled, _write_anew)
    assert verify_record(filled)[1] is None
    fault = verify_record(filled, {13: head.digest[:16]})[1]
    assert fault is not None
    assert (fault.entry, fault.problem.endswith(f"{head.digest[:16]} was printed")) == (13, True)


@pytest.mark.parametrize("text", ["no JSON", "[1]", '{"content":{}}', '{"content":{"n":1.5}}'])
def test_a_text_that_is_none_of_labcalc(filled: Laboratory, text: str) -> None:
    def forge(connection: sqlite3.Connection) -> None:
        (previous,) = connection.execute("SELECT previous FROM entries WHERE n = 13").fetchone()
        connection.execute("UPDATE entries SET content = ?, digest = ? WHERE n = 13", (text, linked(previous, text)))

    change(filled, forge)
    fault = verify_record(filled)[1]
    assert fault is not None
    assert (fault.entry, fault.problem) in (
        (13, "its text is not one that labcalc writes"),
        (13, "its columns say something else than its text"),
    )


def _write_anew(connection: sqlite3.Connection) -> None:
    previous = ORIGIN
    for n, content in connection.execute("SELECT n, content FROM entries ORDER BY n").fetchall():
        stated = json.loads(content)
        if n == 12:
            stated["content"]["why"] = "as wished"
        text = canonical(stated)
        digest = linked(previous, text)
        whole = (text, previous, digest, n)
        connection.execute("UPDATE entries SET content = ?, previous = ?, digest = ? WHERE n = ?", whole)
        previous = digest


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE refused SET sha256 = 'x'", "entry 14: its export is not the one that was refused"),
        ("UPDATE refused SET packed = x'00'", "entry 14: its export can't be unpacked"),
        ("DELETE FROM refused", "entry 14: its export is not the one that was refused"),
        ("INSERT INTO refused VALUES (12, 'x', x'00')", "entry 12: the table refused holds something for it"),
    ],
)
def test_an_export_that_was_refused_is_held_too(filled: Laboratory, tmp_path: Path, statement: str, told: str) -> None:
    (tmp_path / "notes.csv").write_text("nothing", encoding="utf-8")
    list(add_exports(filled, [tmp_path / "notes.csv"], who="Inês"))
    assert verify_record(filled)[1] is None
    change(filled, statement)
    assert str(verify_record(filled)[1]).startswith(told)


def test_triggers_that_are_gone_are_told(filled: Laboratory) -> None:
    assert filled.file is not None
    with closing(sqlite3.connect(filled.file.parent / "record.sqlite", isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER names_update")
    told = "entry 13: all holds up to it, but the triggers that refuse changes are gone or others: names_update"
    assert str(verify_record(filled)[1]) == told


def test_a_trigger_of_somebody_else_is_told(filled: Laboratory) -> None:
    """It could drop what is added later without a word, with every entry in its place."""
    assert filled.file is not None
    with closing(sqlite3.connect(filled.file.parent / "record.sqlite", isolation_level=None)) as connection:
        connection.execute(
            "CREATE TRIGGER quiet BEFORE INSERT ON entries WHEN NEW.who = 'Inês' BEGIN SELECT RAISE(IGNORE); END"
        )
    told = "entry 13: all holds up to it, but the triggers that refuse changes are gone or others: quiet"
    assert str(verify_record(filled)[1]) == told


def test_a_step_that_was_taken_away_is_told(filled: Laboratory) -> None:
    change(filled, "DELETE FROM steps WHERE step = 7")
    with pytest.raises(RecordError, match="it has the table names of step 7, which its table of steps lacks"):
        verify_record(filled)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET content = 'no JSON' WHERE n = 9",
        "UPDATE entries SET content = '{\"content\":{}}' WHERE n = 9",
        "UPDATE packed_rows SET packed = x'00' WHERE entry = 9",
        f"UPDATE packed_rows SET packed = x'{zlib.compress(b'no JSON').hex()}' WHERE entry = 9",
        f"UPDATE packed_rows SET packed = x'{zlib.compress(b'[3,[]]' + bytes(10)).hex()}' WHERE entry = 9",
    ],
)
def test_a_record_that_somebody_wrote_into_is_refused_in_one_line(filled: Laboratory, statement: str) -> None:
    change(filled, statement)
    with pytest.raises(RecordError, match=r"entry 9: its text is not|verify` names the entry"):
        read_record(filled)
    with pytest.raises(RecordError, match="entry 9: its text is not") if "no JSON" in statement else nullcontext():
        [one.for_programs for one in find_entries(filled)]


def test_a_decision_that_somebody_wrote_over_stops_no_other(filled: Laboratory) -> None:
    add_decision(filled, who="Inês", what="accept", why="new lot", run="R8")
    change(filled, "UPDATE entries SET content = 'no JSON' WHERE n = 13")
    decided = checked_decisions(filled)
    assert [one.why for one in decided.decisions] == ["seen", "new lot"]
    assert [str(one) for one in decided.unusable] == ["the record: entry 13: its text is not one that labcalc writes"]


def test_an_index_that_hides_an_entry_is_told(filled: Laboratory) -> None:
    """Who edits the schema can keep a decision out of what is looked up, with every entry in its place."""
    assert filled.file is not None
    with closing(sqlite3.connect(filled.file.parent / "record.sqlite", isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_master SET sql = replace(sql, '(kind)', '(who)') WHERE sql LIKE '%ON entries (kind)%'"
        )
        connection.execute("PRAGMA writable_schema = OFF")
    fault = verify_record(filled)[1]
    assert fault is not None
    assert "the file is damaged, and what is looked up may be wrong" in fault.problem


def test_a_file_that_is_taken_for_known_and_isnt_is_told(filled: Laboratory, tmp_path: Path) -> None:
    (tmp_path / "exports" / "notes.csv").write_text("nothing", encoding="utf-8")
    forged = tmp_path / "exports" / "other.csv"
    forged.write_text("another", encoding="utf-8")
    os.utime(forged, (1_700_000_000, 1_700_000_000))
    stamp = (str(forged), forged.stat().st_size, forged.stat().st_mtime_ns, 8)
    change(filled, lambda connection: connection.execute("INSERT INTO stamps VALUES (?, ?, ?, ?)", stamp))
    list(add_exports(filled, [tmp_path / "exports"], who="Inês"))
    assert verify_record(filled)[1] is None
    assert [path.name for path in exports_not_held(filled, [tmp_path / "exports"])] == ["other.csv"]
