"""Whoever changes the file by hand, triggers dropped, is told by the number of the entry."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from labcalc.lab import Laboratory, add_decision, add_exports, verify_record
from labcalc.lab.record.chain import ORIGIN, canonical, linked
from tests.lab.record.conftest import export_files, lab_with

Change = Callable[[sqlite3.Connection], object]


@pytest.fixture
def filled(tmp_path: Path) -> Laboratory:
    """Entries 1 to 3 are steps, 4 to 7 exports of three rows, 8 and 9 decisions; 9 takes the place of 8."""
    laboratory = lab_with(tmp_path)
    files = export_files(tmp_path / "exports", 4)
    files[1].write_text(files[1].read_text("utf-8") + "S9;2026-03-02 09:00;40;broken;838.9;\n----------\n", "utf-8")
    list(add_exports(laboratory, files, who="Inês"))
    add_decision(laboratory, who="Inês", what="conclusion", why="seen", instrument="VD-1")
    add_decision(laboratory, who="Inês", what="conclusion", why="seen better", instrument="VD-1", corrects=8)
    return laboratory


def change(laboratory: Laboratory, *statements: str | Change) -> None:
    """Change the file as someone does who knows how."""
    assert laboratory.file is not None
    with closing(sqlite3.connect(laboratory.file.parent / "record.sqlite", isolation_level=None)) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement) if isinstance(statement, str) else statement(connection)


def test_what_was_written_holds(filled: Laboratory) -> None:
    head, fault = verify_record(filled)
    assert (head.entries, fault) == (9, None)
    assert verify_record(filled, {9: head.digest[:16].upper()}) == (head, None)


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE entries SET content = replace(content, 'run_001', 'run_100') WHERE n = 5", "entry 5: its text is not"),
        ("UPDATE entries SET who = 'Bo' WHERE n = 4", "entry 4: its columns say something else than its text"),
        ("UPDATE entries SET at = '2020-01-01T00:00:00Z' WHERE n = 4", "entry 4: its columns say something else"),
        ("UPDATE entries SET corrects = NULL WHERE n = 9", "entry 9: its columns say something else"),
        ("UPDATE entries SET kind = 'note' WHERE n = 4", "entry 4: its columns say something else"),
        ("DELETE FROM entries WHERE n = 6", "entry 6: it is missing"),
        ("UPDATE entries SET n = CASE n WHEN 5 THEN 60 ELSE n END", "entry 5: it is missing"),
        ("UPDATE rows SET kinematic_viscosity_mm2_s = '15.5' WHERE entry = 5 AND place = 2", "entry 5: its rows, ref"),
        ("UPDATE rows SET measured_at_utc = NULL WHERE entry = 5 AND place = 2", "entry 5: its rows, refused rows"),
        ("UPDATE rows SET sample = 'S99' WHERE entry = 5 AND place = 2", "entry 5: its rows, refused rows"),
        ("DELETE FROM rows WHERE entry = 7 AND place = 3", "entry 7: its rows, refused rows or lines set aside"),
        ("INSERT INTO rows (entry, place, replicate, source_line) VALUES (6, 9, 1, 9)", "entry 6: its rows, refused"),
        ("INSERT INTO rows (entry, place, replicate, source_line) VALUES (8, 9, 1, 9)", "entry 8: the table rows"),
        ("UPDATE refusals SET expected = 'nothing'", "entry 5: its rows, refused rows or lines set aside"),
        ("DELETE FROM lines_set_aside", "entry 5: its rows, refused rows or lines set aside"),
        ("UPDATE readings SET export = 5 WHERE entry = 4", "entry 4: it is the reading of another export"),
        ("DELETE FROM readings WHERE entry = 4", "entry 4: it is the reading of another export"),
        ("DELETE FROM exports WHERE entry = 4", "entry 4: its export is missing"),
        ("UPDATE exports SET packed = x'00' WHERE entry = 4", "entry 4: its export can't be unpacked"),
        ("UPDATE exports SET size = size + 1 WHERE entry = 4", "entry 4: its export is not the one that was added"),
        (
            lambda connection: connection.execute("UPDATE exports SET packed = ?", (zlib.compress(b"other"),)),
            "entry 4: its export is not the one that was added",
        ),
        ("INSERT INTO exports VALUES (8, 'x', 1, x'00')", "entry 8: the table exports holds something for it"),
        ("UPDATE decisions SET why = 'no reason' WHERE entry = 8", "entry 8: its decision is not the one it says"),
        ("DELETE FROM decisions WHERE entry = 8", "entry 8: its decision is not the one it says"),
    ],
)  # fmt: skip
def test_the_first_bad_entry_is_named(filled: Laboratory, statement: str | Change, told: str) -> None:
    change(filled, statement)
    assert str(verify_record(filled)[1]).startswith(told)


def test_entries_that_changed_places(filled: Laboratory) -> None:
    swap = "UPDATE entries SET n = CASE n WHEN 50 THEN 6 WHEN 6 THEN 5 ELSE n END WHERE n IN (50, 6)"
    change(filled, "UPDATE entries SET n = 50 WHERE n = 5", "UPDATE entries SET n = 51 WHERE n = 6")
    change(filled, swap, "UPDATE entries SET n = 5 WHERE n = 51")
    assert str(verify_record(filled)[1]) == "entry 5: it doesn't follow the entry before it"


def test_an_end_cut_off_contradicts_paper_only(filled: Laboratory) -> None:
    head, _ = verify_record(filled)
    change(filled, "DELETE FROM decisions WHERE entry = 9", "DELETE FROM entries WHERE n = 9")
    assert verify_record(filled)[1] is None
    assert str(verify_record(filled, {9: head.digest})[1]) == "entry 9: a printed head names it; the record ends with 8"


def test_a_record_written_anew_contradicts_paper_only(filled: Laboratory) -> None:
    head, _ = verify_record(filled)
    change(filled, "UPDATE decisions SET why = 'as wished' WHERE entry = 8", _write_anew)
    assert verify_record(filled)[1] is None
    fault = verify_record(filled, {9: head.digest[:16]})[1]
    assert fault is not None
    assert (fault.entry, fault.problem.endswith(f"{head.digest[:16]} was printed")) == (9, True)


@pytest.mark.parametrize("text", ["no JSON", "[1]", '{"content":{}}', '{"content":{"n":1.5}}'])
def test_a_text_that_is_none_of_labcalc(filled: Laboratory, text: str) -> None:
    def forge(connection: sqlite3.Connection) -> None:
        (previous,) = connection.execute("SELECT previous FROM entries WHERE n = 9").fetchone()
        connection.execute("UPDATE entries SET content = ?, digest = ? WHERE n = 9", (text, linked(previous, text)))

    change(filled, forge)
    fault = verify_record(filled)[1]
    assert fault is not None
    assert (fault.entry, fault.problem) in (
        (9, "its text is not one that labcalc writes"),
        (9, "its columns say something else than its text"),
    )


def _write_anew(connection: sqlite3.Connection) -> None:
    previous = ORIGIN
    for n, content in connection.execute("SELECT n, content FROM entries ORDER BY n").fetchall():
        stated = json.loads(content)
        if n == 8:
            stated["content"]["why"] = "as wished"
        text = canonical(stated)
        digest = linked(previous, text)
        whole = (text, previous, digest, n)
        connection.execute("UPDATE entries SET content = ?, previous = ?, digest = ? WHERE n = ?", whole)
        previous = digest
