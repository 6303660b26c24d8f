"""What goes into the record comes out again, once."""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from labcalc.errors import RecordError
from labcalc.lab import (
    Laboratory,
    add_decision,
    add_exports,
    add_pages,
    checked_decisions,
    export_bytes,
    find_entries,
    find_rows,
    load_laboratory,
    read,
    read_record,
    record_head,
    verify_record,
)
from labcalc.lab.record import adding
from labcalc.lab.record.database import Connection
from labcalc.lab.record.recalling import entries_query
from tests.lab.record.conftest import export, export_files, lab_with

ODD = """Run;Sample;Date;T (°C);KV (mm²/s);Density (kg/m³);Remark
A;ü "quoted" S1;2026-03-02 08:00;40;15.10;838.90;first fill
A;ü "quoted" S1;2026-03-02 08:05;100;4.0;802.5;
B;S2;;40;0.1;7e2;no date
C;S3;2026-03-02 09:00;40;broken;838.9;
----------
"""


def add(laboratory: Laboratory, *paths: Path, again: str = "") -> list[adding.Added]:
    return list(add_exports(laboratory, paths, who="Inês", again=again))


def test_rows_come_back_as_they_were_read(laboratory: Laboratory, tmp_path: Path) -> None:
    file = tmp_path / "odd.csv"
    file.write_text(ODD, encoding="utf-8")
    (added,) = add(laboratory, file)
    expected, found = read(file, laboratory), read_record(laboratory)
    pd.testing.assert_frame_equal(found.table, expected.table)
    assert found.sources == expected.sources == (added.source,)
    assert found.refusals == expected.refusals == added.refusals
    assert len(found.refusals) == 1
    assert found.sources[0].set_aside == (6,)
    assert len(found.table) == 3
    assert export_bytes(laboratory, added.entry) == ODD.encode()
    assert verify_record(laboratory)[1] is None


def test_each_content_once(laboratory: Laboratory, tmp_path: Path) -> None:
    first, second = export_files(tmp_path / "exports", 2)
    twin = tmp_path / "twin.csv"
    twin.write_bytes(first.read_bytes())
    new = add(laboratory, tmp_path / "exports")
    assert [(one.path.name, one.is_new) for one in new] == [(first.name, True), (second.name, True)]
    before = record_head(laboratory)
    known = add(laboratory, tmp_path / "exports", twin)
    assert [(one.entry, one.is_new) for one in known] == [
        (one, False) for one in (new[0].entry, new[1].entry, new[0].entry)
    ]
    assert record_head(laboratory) == before
    assert len(read_record(laboratory).table) == 6


def test_a_file_that_changed_is_another_export(laboratory: Laboratory, tmp_path: Path) -> None:
    (file,) = export_files(tmp_path / "exports", 1)
    add(laboratory, file)
    file.write_text(export(10, 4), encoding="utf-8")
    assert [one.is_new for one in add(laboratory, file)] == [True]
    assert len(read_record(laboratory).table) == 7


def test_unchanged_files_are_known_without_reading(
    laboratory: Laboratory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = export_files(tmp_path / "exports", 3)
    for file in files[:2]:
        os.utime(file, (1_700_000_000, 1_700_000_000))
    add(laboratory, *files)
    read_again = []
    monkeypatch.setattr(adding, "content_of", lambda path: read_again.append(path) or path.read_bytes())
    assert [one.is_new for one in add(laboratory, *files)] == [False] * 3
    assert read_again == files[2:], "one that changed a moment ago may change again within the clock's step"


def test_a_file_that_grows_while_it_is_read_is_left_for_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    laboratory = lab_with(tmp_path)
    (file,) = export_files(tmp_path / "exports", 1)
    content = file.read_bytes()

    def grow(path: Path) -> bytes:
        path.write_bytes(content + b"S9;2026-03-02 08:00:00;40;15.1;838.9;\n")
        return content

    monkeypatch.setattr(adding, "content_of", grow)
    (added,) = add(laboratory, file)
    assert str(added.failure) == f"{file}: it is being written just now; add it again when it is whole"
    assert find_entries(laboratory, kind="export") == []


def test_what_cannot_be_read_is_named_and_stops_nothing(laboratory: Laboratory, tmp_path: Path) -> None:
    (file,) = export_files(tmp_path / "exports", 1)
    (tmp_path / "exports" / "notes.csv").write_text("nothing of use", encoding="utf-8")
    (tmp_path / "exports" / ".hidden.csv").write_text("left alone", encoding="utf-8")
    added = add(laboratory, tmp_path / "missing.csv", tmp_path / "exports")
    assert [one.path.name for one in added if one.failure] == ["missing.csv", "notes.csv"]
    assert [one.path for one in added if one.is_new] == [file]


def test_names_and_cells_that_no_database_takes(laboratory: Laboratory, tmp_path: Path) -> None:
    (file,) = export_files(tmp_path / "exports", 1)
    file.write_bytes(file.read_bytes() + b"S9;2026-03-02 08:09;40;15.1;838.9;a\0b\n")
    name = os.fsdecode(b"caf\xe9.csv")
    (tmp_path / "exports" / name).write_text(export(5), encoding="utf-8")
    added = add(laboratory, tmp_path / "exports")
    assert [str(one.failure) for one in added if one.failure] == [
        f"{tmp_path}/exports/caf\ufffd.csv: its name is not UTF-8; give it another"
    ]
    (refused,) = read_record(laboratory).refusals
    assert (refused.line, refused.value) == (5, read(file, laboratory).refusals[0].value)
    assert verify_record(laboratory)[1] is None
    with pytest.raises(RecordError, match="who adds is missing: a name is expected"):
        list(add_exports(laboratory, [file], who=" "))


def test_reading_again_is_an_entry_that_corrects_the_first(laboratory: Laboratory, tmp_path: Path) -> None:
    file = tmp_path / "bare.csv"
    file.write_text("Sample;T;A;B\nS1;40;15.10;838.9\n", encoding="utf-8")
    assert add(laboratory, file)[0].failure
    profile = """[[profile]]\nname = "bare"\nfiles = ["bare*"]\n[profile.columns]
A = {{ holds = "kinematic viscosity", unit = "mm²/s" }}\nB = {{ holds = "{b}", unit = "{unit}" }}
T = {{ holds = "temperature", unit = "°C" }}\n"""
    assert laboratory.file is not None
    text = laboratory.file.read_text("utf-8")
    for b, unit in (("density", "kg/m³"), ("ignored", "")):
        said = profile.format(b=b, unit=unit).replace(', unit = ""', "")
        laboratory.file.write_text(text + said, encoding="utf-8")
        changed = load_laboratory(laboratory.file)
        add(changed, file, again="B is no density" if b == "ignored" else "")
    first, second = find_entries(changed, kind="export"), find_entries(changed, kind="reading")
    assert [one.corrects for one in second] == [first[0].n]
    assert second[0].content["why"] == "B is no density"
    assert read_record(changed).table["density_kg_m3"].isna().tolist() == [True]
    assert verify_record(changed)[1] is None
    assert export_bytes(changed, first[0].n) == file.read_bytes()


def test_rows_are_found_by_sample_instrument_and_day(laboratory: Laboratory, tmp_path: Path) -> None:
    file = tmp_path / "days.csv"
    file.write_text(
        "Sample;Instrument;Date;T (°C);KV (mm²/s)\n"
        "S1;VD-1;2026-07-01 00:30;40;15.1\nS1;VD-2;2026-07-01 12:00;40;15.2\nS2;VD-1;2026-07-02 00:30;40;15.3\n",
        encoding="utf-8",
    )
    (added,) = add(laboratory, file)

    def found(**asked: object) -> list[float]:
        return find_rows(laboratory, **asked).table["kinematic_viscosity_mm2_s"].tolist()  # type: ignore[arg-type]

    day = pd.Timestamp("2026-07-01").date()
    assert found(sample="S1") == [15.1, 15.2]
    assert found(instrument="VD-1") == [15.1, 15.3]
    assert found(since=day, until=day) == [15.1, 15.2], "the laboratory's day begins an hour before that of UTC"
    assert found(sample="nobody's") == []
    assert [one.n for one in find_entries(laboratory, sample="S2", who="Inês")] == [added.entry]
    assert find_entries(laboratory, since=pd.Timestamp("2100-01-01").date()) == []
    with pytest.raises(RecordError, match="entry 1 holds no export"):
        export_bytes(laboratory, 1)


def test_rows_are_looked_up_by_index(tmp_path: Path) -> None:
    """SQLite's own plan: no search reads all rows."""
    laboratory = lab_with(tmp_path)
    add(laboratory, *export_files(tmp_path / "exports", 2))
    plan: list[str] = []
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:
        for name in ("sample", "instrument"):
            query = entries_query([name])
            plan += [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}", {name: "S1"})]
    searched = [line for line in plan if " names " in line]
    assert searched == ["SEARCH names USING COVERING INDEX index_7_0 (name=? AND what=?)"] * 2


def test_entries_of_a_kind_are_looked_up_by_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own plan of all that deciding, rendering and adding ask for: whole tables only where all is wanted."""
    laboratory, asked = lab_with(tmp_path), set[str]()
    add_decision(laboratory, who="A", what="conclusion", why="seen", run="R1")
    (tmp_path / "notes.csv").write_text("nothing", encoding="utf-8")

    def hear(name: str) -> None:
        answer = getattr(Connection, name)

        def heard(self: Connection, query: str, **given: Any) -> Any:
            asked.add(query)
            return answer(self, query, **given)

        monkeypatch.setattr(Connection, name, heard)

    hear("every")
    hear("one")
    checked_decisions(laboratory)
    add_decision(laboratory, who="A", what="conclusion", why="seen again", run="R1")
    add_pages(laboratory, [{"stem": "a", "inputs": "b", "sha256": "c", "entry": ""}], who="A")
    add(laboratory, tmp_path / "notes.csv", *export_files(tmp_path / "exports", 1))
    plans = dict[str, str]()
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:
        for query in asked:
            given = dict.fromkeys(re.findall(r":(\w+)", query), "x")
            plans[query] = "; ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}", given))
    assert sum("SEARCH entries USING" in plan and "index_4_0 (kind=?)" in plan for plan in plans.values()) >= 2
    assert {query.split(" ORDER BY n DESC")[0] for query, plan in plans.items() if "SCAN" in plan} == {
        "SELECT * FROM stamps",
        "SELECT sha256, entry FROM exports",
        "SELECT n, digest FROM entries ",  # the last one alone
    }


def test_without_a_record_one_line_says_how_to_begin_one(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    with pytest.raises(RecordError, match="there is no record yet; `labcalc record add` begins one"):
        read_record(laboratory)
    assert not (tmp_path / "record.sqlite").exists()
    with pytest.raises(
        RecordError, match=r'no record is named; \[record\] file = "record.sqlite" in lab.toml names one'
    ):
        read_record(Laboratory())
    (tmp_path / "record.sqlite").write_text("a note, and no database, whatever its name may say" * 99)
    with pytest.raises(RecordError, match=r"record.sqlite: file is not a database"):
        read_record(laboratory)
