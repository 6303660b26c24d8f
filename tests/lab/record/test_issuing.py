"""Issued reports are kept as bytes, once; a change is an amendment that names what it replaces."""

from __future__ import annotations

import hashlib
import sqlite3
import zlib
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from labcalc.errors import RecordError
from labcalc.lab import Issue, add_issued, export_bytes, find_entries, issued_report, printed_head, verify_record
from tests.lab.record.conftest import lab_with

FIRST = Issue("run 7", "run 7 / 1a2b3c4d", "2026-03-30")
SECOND = replace(FIRST, number="run 7 / 99aabbcc, amendment 1", replaces=FIRST.number, changed="customer's name")
PAGE = "<p>ν = 46.03 mm²/s</p>".encode()


def test_what_was_issued_comes_back_and_is_not_issued_twice(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    assert issued_report(laboratory, FIRST) is None
    kept = add_issued(laboratory, FIRST, PAGE, who="Ida")
    assert add_issued(laboratory, FIRST, b"another", who="Ole") == kept == issued_report(laboratory, FIRST)
    assert export_bytes(laboratory, kept.entry) == PAGE
    (entry,) = find_entries(laboratory, kind="issued")
    assert (entry.who, entry.content["sha256"]) == ("Ida", hashlib.sha256(PAGE).hexdigest())
    assert entry.content["size"] == len(PAGE)


def test_a_change_is_an_amendment_of_the_last(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    with pytest.raises(RecordError, match=r"'run 7 / 1a2b3c4d' is not the last report .* none was issued"):
        add_issued(laboratory, SECOND, PAGE, who="Ida")
    first = add_issued(laboratory, FIRST, PAGE, who="Ida")
    for other in (replace(FIRST, issued="2026-03-31"), replace(FIRST, number="run 7 / 99aabbcc")):
        with pytest.raises(RecordError, match=rf"'run 7 / 1a2b3c4d', of 2026-03-30, entry {first.entry}\. It stays"):
            add_issued(laboratory, other, PAGE, who="Ida")
    second = add_issued(laboratory, SECOND, b"amended", who="Ida")
    (entry,) = find_entries(laboratory, n=second.entry)
    assert entry.corrects == first.entry
    with pytest.raises(RecordError, match="the last one is 'run 7 / 99aabbcc, amendment 1'"):
        add_issued(laboratory, replace(SECOND, number="x", changed="again"), PAGE, who="Ida")
    assert add_issued(laboratory, replace(FIRST, run="run 8", number="run 8 / 0"), PAGE, who="Ida").entry > second.entry
    assert [export_bytes(laboratory, one.entry) for one in (first, second)] == [PAGE, b"amended"]


def test_pages_do_not_change_by_what_was_issued(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    issued_report(laboratory, FIRST)
    before = printed_head(laboratory)
    add_issued(laboratory, FIRST, PAGE, who="Ida")
    assert printed_head(laboratory) == before


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("UPDATE issued SET packed = :page", "its report is not the one that was issued"),
        ("UPDATE issued SET packed = x'00'", "its report can't be unpacked"),
        ("UPDATE issued SET run = 'run 8'", "its report is not the one that was issued"),
        ("DELETE FROM issued", "its report is missing"),
    ],
)
def test_verify_sees_what_was_done_to_it(tmp_path: Path, change: str, told: str) -> None:
    laboratory = lab_with(tmp_path)
    kept = add_issued(laboratory, FIRST, PAGE, who="Ida")
    assert verify_record(laboratory)[1] is None
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as raw:
        words = {"page": zlib.compress(b"46.30")} if ":page" in change else {}
        with pytest.raises(sqlite3.IntegrityError, match="added to, never changed"):
            raw.execute(change, words)
        raw.execute("DROP TRIGGER issued_update")
        raw.execute("DROP TRIGGER issued_delete")
        raw.execute(change, words)
        raw.commit()
    fault = verify_record(laboratory)[1]
    assert fault is not None
    assert (fault.entry, fault.problem) == (kept.entry, told)
