"""Written and read again; random dialects; random bytes."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from click.testing import CliRunner
from hypothesis import given, strategies as st
from python_calamine import load_workbook

from labcalc.cli import main
from labcalc.errors import ExportError
from labcalc.exports import TIDY_COLUMNS, read_export, write_table
from tests.exports.conftest import Read

ROWS = '''Sample,Lot,Operator,Measured at,Instrument,T (°C),KV (mm²/s),Density (kg/m³),Remark
=1+1,-L,@me,2026-03-02 08:10:11.25,VD-1,40,46.12,858.3,"two
lines, +quoted"
'=x,'plain,"a ""b""",2026-03-02 08:20,VD-1,40,46.13,,
C,,,,,100,,801.234,http://example.org
'''
OWN = ["source_file", "source_line"]
"""Columns that name the file at hand."""
PIECES = [
    *("Sample", "KV40 (cSt)", "Date", "Repeat", "Run", ";", "\n", '"', "1", ",", ".", "\0", "²", "A", "é", ":", "Rows"),
    *("Density (g/cm³)", "T (K)", "2026-03-02", "A;9.1;2026-03-02;R;1\n"),
]


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_round_trip(read: Read, tmp_path: Path, ending: str) -> None:
    table = read(ROWS, zone="Europe/Lisbon").table
    path = tmp_path / f"t{ending}"
    write_table(table, path)
    again = read_export(path, time_zone="Europe/Lisbon").table
    assert tuple(again) == TIDY_COLUMNS
    pd.testing.assert_frame_equal(again.drop(columns=OWN), table.drop(columns=OWN), check_exact=True)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted({"x.csv", path.name})


def test_no_text_becomes_a_formula(read: Read, tmp_path: Path) -> None:
    table = read(ROWS).table
    write_table(table, tmp_path / "t.csv")
    write_table(table, tmp_path / "t.xlsx")
    lines = (tmp_path / "t.csv").read_text("utf-8").splitlines()
    assert lines[0] == ",".join(TIDY_COLUMNS)
    assert ",'=1+1,,'-L," in lines[1]
    assert "''=x" in "".join(lines)
    cells = load_workbook(tmp_path / "t.xlsx").get_sheet_by_index(0).to_python()
    assert cells[1][1] == "=1+1"


def test_what_cannot_be_written(read: Read, tmp_path: Path) -> None:
    table = read(ROWS).table
    with pytest.raises(ExportError, match=r"^t\.doc: the table can be written to \.csv or \.xlsx"):
        write_table(table, tmp_path / "t.doc")
    with pytest.raises(ExportError, match=r"t\.csv: the file can't be written: No such file or directory"):
        write_table(table, tmp_path / "none" / "t.csv")


@given(
    rows=st.lists(
        st.tuples(
            st.from_regex(r"[A-Z][a-z0-9]{0,5}", fullmatch=True),
            st.integers(-79, 399),
            st.decimals("0.1", "9999999", places=2),
            st.sampled_from(["", "n/a", "850.5", "2.0"]),
        ),
        min_size=1,
        max_size=8,
    ),
    delimiter=st.sampled_from(",;\t|"),
    decimal=st.sampled_from(".,"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
)
def test_random_tables_in_random_dialects(
    read: Read, rows: list[tuple[str, int, object, str]], delimiter: str, decimal: str, encoding: str
) -> None:
    header = delimiter.join(["Sample", "Temperature (°C)", "KV (mm²/s)", "Density (kg/m³)"])
    lines = [delimiter.join(f'"{str(cell).replace(".", decimal)}"' for cell in row) for row in rows]
    reading = read("\n".join([header, *lines, ""]).encode(encoding))
    good = [row for row in rows if row[3] in ("", "850.5")]
    assert (reading.sources[0].rows_read, reading.sources[0].rows_refused) == (len(good), len(rows) - len(good))
    assert reading.table["sample"].tolist() == [row[0] for row in good]
    assert reading.table["temperature_C"].tolist() == [float(row[1]) for row in good]
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [float(str(row[2])) for row in good]


@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.lists(st.sampled_from(PIECES), max_size=60).map(
            lambda parts: ("Sample;KV40 (cSt);Date;Run;Repeat\n" + "".join(parts)).encode()
        ),
    ),
    ending=st.sampled_from([".csv", ".xlsx", ".txt"]),
)
def test_random_bytes_are_read_or_refused(read: Read, data: bytes, ending: str) -> None:
    try:
        reading = read(data, f"x{ending}")
    except ExportError as failure:
        refusal = str(failure)
    else:
        refusal = ""
        assert reading.sources[0].rows_refused == len(reading.refusals)
        assert reading.table["source_line"].nunique() == reading.sources[0].rows_read
    assert "\n" not in refusal


def test_a_text_too_long_for_a_workbook(read: Read, tmp_path: Path) -> None:
    table = read(f"Sample;KV40 (cSt);Remark\nA;9.1;{'x' * 40_000}\n").table
    with pytest.raises(ExportError, match="a text is too long for a workbook's cell"):
        write_table(table, tmp_path / "t.xlsx")
    assert [one.name for one in tmp_path.iterdir()] == ["x.csv"]


# --- Nothing is destroyed ---

EXPORT = "Sample;T (°C);KV (mm²/s)\nA;40;9.10\n"


@pytest.mark.parametrize("how", ["itself", "a link", "a hard link", "another way there"])
def test_the_export_is_never_written_over(tmp_path: Path, how: str) -> None:
    export = tmp_path / "x.csv"
    export.write_text(EXPORT, "utf-8")
    target = {"itself": export, "another way there": tmp_path / "." / "sub" / ".." / "x.csv"}.get(
        how, tmp_path / "t.csv"
    )
    (tmp_path / "sub").mkdir()
    if how == "a link":
        target.symlink_to(export)
    elif how == "a hard link":
        target.hardlink_to(export)
    for force in (False, True):
        with pytest.raises(ExportError) as refusal:
            write_table(read_export(export).table, target, exports=[export], force=force)
        assert str(refusal.value) == f"{target}: this is the export {export}, which is read; expected another file"
    assert export.read_text("utf-8") == EXPORT


@pytest.mark.parametrize(
    "content", ["", "run,sample\n", EXPORT, "PK\3\4", "PAR1", "labcalc tidy table", ",".join(TIDY_COLUMNS)]
)
@pytest.mark.parametrize("name", ["t.csv", "t.xlsx"])
def test_what_labcalc_did_not_make_stays(read: Read, tmp_path: Path, content: str, name: str) -> None:
    table, target = read(EXPORT).table, tmp_path / name
    target.write_text(content, "utf-8")
    with pytest.raises(ExportError) as refusal:
        write_table(table, target)
    assert str(refusal.value) == f"{target}: labcalc didn't make what is there; expected another name, or --force"
    assert target.read_text("utf-8") == content
    write_table(table, target, force=True)
    assert len(read_export(target).table) == 1


def test_a_workbook_of_somebody_else_stays(read: Read, tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "t.xlsx")) as book:
        book.add_worksheet("results").write_row(0, 0, TIDY_COLUMNS)
    with pytest.raises(ExportError, match="labcalc didn't make"):
        write_table(read(EXPORT).table, tmp_path / "t.xlsx")


@pytest.mark.parametrize("first", [".csv", ".xlsx"])
@pytest.mark.parametrize("second", [".csv", ".xlsx"])
def test_what_labcalc_made_is_known_by_its_content(read: Read, tmp_path: Path, first: str, second: str) -> None:
    table, target = read(EXPORT).table, tmp_path / f"t{second}"
    write_table(table, tmp_path / f"made{first}")
    (tmp_path / f"made{first}").rename(target)
    write_table(table, target)
    assert len(read_export(target).table) == 1


def test_the_same_table_is_the_same_bytes_and_a_link_stays_one(read: Read, tmp_path: Path) -> None:
    table = read(ROWS).table
    for ending in (".csv", ".xlsx"):
        one, two, link = (tmp_path / f"{name}{ending}" for name in ("one", "two", "link"))
        write_table(table, one)
        write_table(table, two)
        assert one.read_bytes() == two.read_bytes()
        link.symlink_to(one)
        write_table(table, link)
        assert link.is_symlink()
        assert one.read_bytes() == two.read_bytes()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_and_folders_are_not_written_over(read: Read, tmp_path: Path) -> None:
    table = read(EXPORT).table
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "folder.csv").mkdir()
    for name in ("pipe.csv", "folder.csv"):
        with pytest.raises(ExportError, match="labcalc didn't make"):
            write_table(table, tmp_path / name)
    with pytest.raises(ExportError, match="can't be written: Is a directory"):
        write_table(table, tmp_path / "folder.csv", force=True)


def test_force_on_the_command_line(tmp_path: Path) -> None:
    export, target = tmp_path / "x.csv", tmp_path / "t.csv"
    export.write_text(EXPORT, "utf-8")
    target.write_text("mine", "utf-8")
    for words, code, begins in (
        (["--to", target], 2, "mine"),
        (["--to", target, "--force"], 0, "run,"),
        (["--to", target], 0, "run,"),
    ):
        result = CliRunner().invoke(main, ["read", str(export), *map(str, words)])
        assert result.exit_code == code
        assert len([line for line in result.stderr.splitlines() if not line.startswith("no time of")]) == 1
        assert target.read_text("utf-8").startswith(begins)
    assert CliRunner().invoke(main, ["read", str(target), "--to", str(target), "--force"]).exit_code == 2
