"""Workbooks: what cells hold, beside another library's reading; what has no value; stray cells; bombs."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterable
from datetime import datetime, time
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from hypothesis import given, settings, strategies as st
from python_calamine import load_workbook

from labcalc.errors import ExportError
from labcalc.exports import Profile, Reading, propose_profile, read_export, totals
from labcalc.exports.source.package import Package
from labcalc.exports.source.sheet import sheets
from labcalc.exports.values.numbers import typed_half_units

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs" / "exports" / "VD-1_2026-W14.xlsx"
HEADER = ["Sample", "T (°C)", "KV (mm²/s)", "η (mPa·s)", "Density (kg/m³)"]
ROW = ["A", 40, 46.12, 39.584, 858.3]


def written(fill: Callable[[xlsxwriter.Workbook], object], **options: object) -> bytes:
    target = io.BytesIO()
    with xlsxwriter.Workbook(target, options) as book:
        fill(book)
    return target.getvalue()


def with_rows(fill: Callable[[xlsxwriter.worksheet.Worksheet], object]) -> bytes:
    """Return a workbook with a header, two good rows, and what is filled in."""

    def sheet(book: xlsxwriter.Workbook) -> None:
        runs = book.add_worksheet("runs")
        for line, cells in enumerate((HEADER, ROW, ROW)):
            runs.write_row(line, 0, cells)
        fill(runs)

    return written(sheet)


def read(data: bytes, folder: Path) -> tuple[list[str], pd.DataFrame]:
    path = folder / "w.xlsx"
    path.write_bytes(data)
    reading = read_export(path)
    return [str(one) for one in reading.refusals], reading.table


# --- What cells hold, as python-calamine reads it ---


def by_the_library(cell: object) -> str:
    """Return a cell as labcalc says it: figures without a point where there is nothing behind it, ISO 8601."""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    if isinstance(cell, datetime):
        return str(cell.date()) if cell.time() == time() else cell.isoformat(" ")
    return str(cell)


def filled(rows: Iterable[tuple[int, Iterable[str]]]) -> dict[tuple[int, int], str]:
    return {(line, at): str(cell) for line, cells in rows for at, cell in enumerate(cells) if cell}


def check_beside_the_library(data: bytes) -> None:
    book = load_workbook(io.BytesIO(data))
    for name, _, records in sheets(data):
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        expected = filled((line, map(by_the_library, row)) for line, row in enumerate(rows, 1))
        assert filled((record.line, record.cells) for record in records) == expected


def test_the_sample_workbook_beside_the_library() -> None:
    check_beside_the_library(SAMPLE.read_bytes())


FORMATS = ["yyyy-mm-dd", "d/m/yy h:mm", "hh:mm:ss", 'dd" of "mmmm', "[$-407]d. mmm yyyy", "0.00", "General",
           '0.0" mm²/s"', "[Red]0.0;[Blue]-0.0", "0.00E+00", r"0\d", "#,##0", "@", "[Magenta]0.0"]  # fmt: skip


@pytest.mark.parametrize("is_1904", [False, True])
def test_dates_and_numbers_beside_the_library(is_1904: bool) -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet("dates")
        for at, code in enumerate(FORMATS):
            sheet.write_number(3 * at, at % 4, 46023.3402777778, book.add_format({"num_format": code}))
            sheet.write_number(3 * at + 1, at % 3, 46023, book.add_format({"num_format": code}))
        for at in {*range(50)} - {46}:  # a duration to the library, a date and time here
            sheet.write_number(60 + at, 1, 46023.25, book.add_format({"num_format": at}))

    check_beside_the_library(written(fill, date_1904=is_1904))


CELLS = st.one_of(
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0\r"), max_size=6),
    st.floats(-1e9, 1e9, width=32),
    st.integers(-(10**6), 10**6),
    st.booleans(),
    st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1)).map(lambda one: one.replace(microsecond=0)),  # noqa: DTZ001
)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.dictionaries(st.tuples(st.integers(0, 9), st.integers(0, 5)), CELLS, min_size=1, max_size=12))
def test_drawn_workbooks_beside_the_library(cells: dict[tuple[int, int], object]) -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        sheet = book.add_worksheet("drawn")
        day = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        for (row, column), cell in cells.items():
            if isinstance(cell, str):
                sheet.write_string(row, column, cell)
            elif isinstance(cell, datetime):
                sheet.write_datetime(row, column, cell, day)
            else:
                sheet.write(row, column, cell)

    check_beside_the_library(written(fill))


# --- How finely typed cells were printed: a workbook drops the zeros at their end; worked out by hand ---

FIVE_FIGURES = ["14.898", "3.3787", "118.7", "12.355", "2.7123", "835.43", "9.1234", "46.121", "101.91", "1.2345"]
TWO_DECIMALS = ["838.61", "800.08", "1046.1", "869.34", "9.12", "12.34", "838.63", "831.07", "838.66", "820.15"]


@pytest.mark.parametrize(
    ("cells", "cell", "half"),
    [
        (FIVE_FIGURES, "118.7", 0.005),
        (FIVE_FIGURES, "3.3787", 0.00005),
        (TWO_DECIMALS, "1046.1", 0.05),  # as it shows itself: most have four figures
        (TWO_DECIMALS, "9.12", 0.005),
        ([*FIVE_FIGURES, "12.493789999999998"], "118.7", 0.005),
        ([*FIVE_FIGURES, "12.493789999999998"], "12.493789999999998", 0.5e-15),
        (["12.493789999999998"], "12.493789999999998", 0.5e-15),
        (["1200"], "1200", 0.5),
        (["1e-05", "1.5e-05"], "1.5e-05", 0.05e-5),
    ],
)
def test_resolution_of_typed_cells(cells: list[str], cell: str, half: float) -> None:
    assert typed_half_units(cells)[cells.index(cell)] == pytest.approx(half, rel=1e-12)


def test_zeros_that_a_workbook_dropped_contradict_nothing(tmp_path: Path) -> None:
    """Rows of 4 and 5 figures, a thick oil whose zeros are gone; η printed to 4 figures is no contradiction."""
    rows = [["B", 40, 118.7, 103.2, 869.3], ["C", 40, 3.3787, 2.703, 800.08], ["D", 40, 100, 86.0, 860]]
    data = with_rows(lambda sheet: [sheet.write_row(3 + at, 0, row) for at, row in enumerate(rows)])
    refusals, table = read(data, tmp_path)
    assert refusals == []
    assert len(table) == 5


# --- Cells without a value ---


def test_errors_and_formulas_without_a_value_are_refused_by_cell(tmp_path: Path) -> None:
    def fill(sheet: xlsxwriter.worksheet.Worksheet) -> None:
        for line in range(3, 8):
            sheet.write_row(line, 0, ROW)
        sheet.write_formula(3, 2, "=1/0", None, "#DIV/0!")
        sheet.write_formula(4, 3, "=C5*E5/1000", None, "")
        sheet.write_formula(5, 0, "=NA()", None, "#N/A")
        sheet.write_formula(6, 2, "=2*23.06", None, 46.12)
        sheet.write_formula(7, 6, "=NA()", None, "#N/A")

    refusals, table = read(with_rows(fill), tmp_path)
    what = "column '{}': '{}': cell {} of sheet 'runs' holds {}; expected a value"
    assert refusals == [
        "w.xlsx, line 4, " + what.format("KV (mm²/s)", "#DIV/0!", "C4", "an error"),
        "w.xlsx, line 5, " + what.format("η (mPa·s)", "=C5*E5/1000", "D5", "a formula whose result isn't stored"),
        "w.xlsx, line 6, " + what.format("Sample", "#N/A", "A6", "an error"),
        "w.xlsx, line 8: '#N/A': the row has 7 cells; expected 5",
    ]
    assert table["kinematic_viscosity_mm2_s"].tolist() == [46.12] * 3


def test_a_formula_that_gives_no_text_is_empty(tmp_path: Path) -> None:
    """ECMA-376, part 1, 18.18.11: t="str" holds what a formula gives, here the empty text."""
    sheet = HEADER_ROW + '<row r="2"><c r="A2" t="inlineStr"><is><t>A</t></is></c><c r="B2"><v>40</v></c>'
    sheet += '<c r="C2"><v>9.1</v></c><c r="D2" t="str"><f>IF(1,"")</f><v></v></c></row>'
    refusals, table = read(packed(sheet), tmp_path)
    assert (refusals, len(table)) == ([], 1)


def test_an_error_above_the_header_is_refused(tmp_path: Path) -> None:
    sheet = f'<row r="1">{text_cell("A1", "Operator")}<c r="B1" t="e"><v>#REF!</v></c></row>'
    sheet += HEADER_ROW.replace('r="1"', 'r="3"').replace('1"', '3"') + good_row(4)
    with pytest.raises(ExportError) as refusal:
        read(packed(sheet), tmp_path)
    assert str(refusal.value) == "w.xlsx: line 1: '#REF!': cell B1 of sheet 'a' holds an error; expected a value"


# --- Parts written by hand ---


def text_cell(place: str, text: str) -> str:
    """Return a text in two runs, with a guide to its pronunciation between them, which is no part of it."""
    runs = f'<r><t>{text[:2]}</t></r><rPh sb="0" eb="1"><t>x</t></rPh><r><t>{text[2:]}</t></r>'
    return f'<c r="{place}" t="inlineStr"><is>{runs}</is></c>'


def row_of(line: int, cells: Iterable[str]) -> str:
    return f'<row r="{line}">{"".join(cells)}</row>'


HEADER_ROW = row_of(1, (text_cell(f"{letter}1", text) for letter, text in zip("ABCDE", HEADER, strict=True)))


def good_row(line: int) -> str:
    numbers = [f'<c r="{letter}{line}"><v>{one}</v></c>' for letter, one in zip("BCDE", ROW[1:], strict=True)]
    return row_of(line, [text_cell(f"A{line}", "HX-1"), *numbers])


BOOK = '<x:workbook xmlns:x="m" xmlns:r="r"><x:sheets><x:sheet name="a" r:id="r1"/></x:sheets></x:workbook>'

ABSURD = '<dimension ref="A1:XFD1048576"/>'


def packed(rows: str, *, shared: str = "", doctype: str = "") -> bytes:
    kind = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    to = f'<Relationships><Relationship Id="r1" Type="{kind}/{{}}" Target="{{}}"/></Relationships>'
    parts = {
        "_rels/.rels": to.format("officeDocument", "/xl/book.xml"),
        "xl/book.xml": BOOK,
        "xl/_rels/book.xml.rels": to.format("worksheet", "sheets/a.xml").replace(
            "</Rel", f'<Relationship Id="r2" Type="{kind}/sharedStrings" Target="/xl/strings.xml"/></Rel'
        ),
        "xl/strings.xml": f"<sst>{shared}</sst>",
        "xl/sheets/a.xml": f"{doctype}<worksheet>{ABSURD}<sheetData>{rows}</sheetData></worksheet>",
    }
    return zipped(parts)


def zipped(parts: dict[str, str]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    return target.getvalue()


def test_what_is_absent_is_counted(tmp_path: Path) -> None:
    """Rows and cells without references, as 18.3.1.4 and 18.3.1.73 allow; a prefix before every name."""
    rows = (HEADER_ROW + good_row(2)).replace(' r="2"', "")
    for letter in "ABCDE":
        rows = rows.replace(f' r="{letter}2"', "")
    refusals, table = read(packed(rows), tmp_path)
    assert refusals == []
    assert table["density_kg_m3"].tolist() == [858.3]
    assert table["source_line"].tolist() == [2]


# --- Stray cells are everyday ---


def test_a_stray_cell_far_down_is_a_note(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    path.write_bytes(with_rows(lambda sheet: sheet.write(1048575, 1, "x")))
    reading = read_export(path)
    assert (len(reading.table), reading.refusals) == (2, ())
    assert reading.sources[0].set_aside == (1048576,)


def test_a_stray_cell_in_the_last_corner_is_refused_by_itself(tmp_path: Path) -> None:
    refusals, table = read(with_rows(lambda sheet: sheet.write(1048575, 16383, "x")), tmp_path)
    expected = "cell XFD1048576 of sheet 'runs' stands far from the rest; expected a row of 5 cells"
    assert refusals == [f"w.xlsx, line 1048576: '': {expected}"]
    assert len(table) == 2


def test_a_stray_cell_beside_the_header_changes_nothing(tmp_path: Path) -> None:
    refusals, table = read(with_rows(lambda sheet: sheet.write(0, 16383, "x")), tmp_path)
    assert (refusals, len(table)) == ([], 2)


# --- What is no sheet, or more than one: one line, before it is read ---

BAD_SHEETS = {
    '<row r="2"><c r="ZZZ2"><v>1</v></c></row>': "a cell has the reference 'ZZZ2'",
    '<row r="2"><c r="2"><v>1</v></c></row>': "a cell has the reference '2'",
    '<row r="2"><c r="XFE2"><v>1</v></c></row>': "a cell has the reference 'XFE2'",
    '<row r="2"><c r="A99999999999"><v>1</v></c></row>': "a cell of row 2 has the reference 'A99999999999'",
    '<row r="1048577"/>': "row 1048577 stands after row 1",
    '<row r="1"/>': "row 1 stands after row 1",
    "".join(
        f'<row r="{line}"><c r="XFD{line}"><v>1</v></c></row>' for line in range(2, 1500)
    ): "the cells of over 1000 rows stand far from the rest, such as cell XFD1002 of sheet 'a'",
}


@pytest.mark.parametrize("rows", BAD_SHEETS, ids=range(len(BAD_SHEETS)))
def test_references_outside_a_sheet(rows: str, tmp_path: Path) -> None:
    with pytest.raises(ExportError) as refusal:
        read(packed(HEADER_ROW + rows), tmp_path)
    end = "; expected the rows and cells of a sheet in order, to XFD1048576"
    assert str(refusal.value) == f"w.xlsx: {BAD_SHEETS[rows]}{end}"


GOOD = packed(HEADER_ROW + good_row(2))
CANNOT = "w.xlsx: the workbook can't be opened; expected an .xlsx file that is whole"
DAMAGED = {
    "cut off": GOOD[:-100],
    "no book": zipped({"_rels/.rels": "<Relationships/>"}),
    "not an archive": b"\xd0\xcf\x11\xe0" + bytes(600),
    "entity": packed("<row><c><v>&a;</v></c></row>", doctype='<!DOCTYPE x [<!ENTITY a "1">]>'),
    "external entity": packed("&a;", doctype='<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>'),
    "no sheet": GOOD.replace(b"xl/sheets/a.xml", b"xl/sheets/b.xml"),
    "string that isn't there": packed('<row r="1"><c r="A1" t="s"><v>7</v></c></row>'),
    "string before the first": packed('<row r="1"><c r="A1" t="s"><v>-1</v></c></row>', shared="<si><t>a</t></si>"),
    "row of thousands of figures": packed(f'<row r="{"9" * 5000}"/>'),
    "not closed": packed("<row>"),
    "cell outside a row": packed('<c r="A1"><v>1</v></c>'),
}


@pytest.mark.parametrize("kind", DAMAGED)
def test_damaged_workbooks(kind: str, tmp_path: Path) -> None:
    with pytest.raises(ExportError) as refusal:
        read(DAMAGED[kind], tmp_path)
    assert "\n" not in str(refusal.value)
    if kind != "cell outside a row":
        assert str(refusal.value) == CANNOT


def test_an_archive_that_lies_about_its_size(tmp_path: Path) -> None:
    rows = HEADER_ROW + good_row(2) + "<row/>" * 100
    with zipfile.ZipFile(io.BytesIO(packed(rows))) as archive:
        size = struct.pack("<I", archive.getinfo("xl/sheets/a.xml").file_size)
    with pytest.raises(ExportError, match="can't be opened"):
        read(packed(rows).replace(size, struct.pack("<I", 500)), tmp_path)


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Package, "stream", lambda *_: pytest.fail("a part was opened"))
    bomb = packed(HEADER_ROW + good_row(2) + "<row/>" * 3_000_000)
    with pytest.raises(ExportError) as refusal:
        read(bomb, tmp_path)
    assert "w.xlsx: the workbook unpacks to 17.2 MB, " in str(refusal.value)
    assert "; expected at most 8 MB or 40 times; a table of that size can come as .csv" in str(refusal.value)
    with pytest.raises(ExportError, match="over 10,000 parts"):
        read(GOOD + b"PK\1\2" * 10_001, tmp_path)


WORST = [
    HEADER_ROW + good_row(2) + "<row>" * 1_000_000,
    HEADER_ROW + good_row(2) + f'<row r="3" x="{"a" * 7_000_000}"/>',
    HEADER_ROW + good_row(2) + f'<row r="3">{"<c><v>1</v></c>" * 500_000}</row>',
    HEADER_ROW + good_row(2) + f'<row r="3"><c r="C3"><v>{"1" * 7_000_000}</v></c></row>',
    "<row><c><v>1</v></c></row>" * 300_000,
]
MEASURED = """
import pathlib, sys, time
from labcalc.errors import ExportError
from labcalc.exports import Profile, Reading, propose_profile, read_export, totals
for path in sys.argv[1:]:
    try:
        read_export(path)
    except ExportError:
        pass
said = pathlib.Path("/proc/self/status").read_text().split()
print(time.process_time(), int(said[said.index("VmHWM:") + 1]) / 1024)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_what_is_just_within_the_limits_is_read_in_little_time_and_memory(tmp_path: Path) -> None:
    paths = [tmp_path / f"{number}.xlsx" for number in range(len(WORST))]
    for path, rows in zip(paths, WORST, strict=True):
        path.write_bytes(packed(rows))
    said = subprocess.run([sys.executable, "-c", MEASURED, *paths], capture_output=True, text=True, check=True).stdout
    seconds, megabytes = map(float, said.split())
    assert seconds < 5.0 * len(WORST)
    assert megabytes < 300.0


# --- Several sheets: which one is read, or that none is, is said ---

KV = [["Sample", "Date", "Temp (°C)", "KV (mm²/s)"], ["Elm 32", "2026-03-14 09:00", 40, 31.95]]
SECOND = [KV[0], ["Elm 46", "2026-03-14 09:20", 40, 46.2], ["Elm 68", "2026-03-14 09:40", 40, "bubble"]]
RHO = [["Sample", "Date", "Temp (°C)", "Density (kg/m³)"], ["Elm 32", "2026-03-14 10:00", 15, 870.2]]


def book_of(hidden: str = "", **tables: list[list[object]]) -> bytes:
    def fill(book: xlsxwriter.Workbook) -> None:
        for name, rows in tables.items():
            sheet = book.add_worksheet(name)
            for line, cells in enumerate(rows):
                sheet.write_row(line, 0, cells)
            if name == hidden:
                sheet.hide()
            else:
                sheet.activate()

    return written(fill)


def by_sheets(data: bytes, folder: Path, *wanted: str) -> Reading:
    path = folder / "w.xlsx"
    path.write_bytes(data)
    return read_export(path, profiles=(Profile(name="p", files=("*",), sheet=wanted),))


def test_sheets_with_results_are_asked_for(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"sheets 'A', 'B' have results; profile\.sheet in lab\.toml says which"):
        read(book_of(A=KV, B=SECOND), tmp_path)
    assert "1 row read" in totals(by_sheets(book_of(Cover=[["Report"]], A=KV, Empty=KV[:1]), tmp_path).sources)


def test_a_list_of_sheets_is_read_as_one_export(tmp_path: Path) -> None:
    reading = by_sheets(book_of(A=KV, B=SECOND), tmp_path, "A", "B")
    assert reading.table["kinematic_viscosity_mm2_s"].tolist() == [31.95, 46.2]
    (refusal,) = reading.refusals
    assert str(refusal).startswith("w.xlsx, sheet 'B', line 3, column 'KV (mm²/s)': 'bubble'")


def test_sheets_of_other_quantities_are_put_side_by_side(tmp_path: Path) -> None:
    table = by_sheets(book_of(KV=KV, Rho=RHO), tmp_path, "KV", "Rho").table
    assert table["kinematic_viscosity_mm2_s"].tolist()[0] == 31.95
    assert table["density_kg_m3"].tolist()[1] == 870.2
    assert table["temperature_C"].tolist() == [40.0, 15.0]
    with pytest.raises(ExportError, match="differ in what is above their headers: operator"):
        by_sheets(book_of(KV=[["Operator:", "A. Finch"], *KV], Rho=RHO), tmp_path, "KV", "Rho")


def test_a_hidden_sheet_is_named_never_preferred(tmp_path: Path) -> None:
    reading = by_sheets(book_of("old", old=SECOND, new=KV), tmp_path)
    assert reading.table["sample"].tolist() == ["Elm 32"]
    assert reading.sources[0].unused == ("hidden sheet 'old'",)
    with pytest.raises(ExportError, match="only hidden sheets have results: sheet 'old'"):
        by_sheets(book_of("old", Cover=[["Report"]], old=KV), tmp_path)


def test_which_sheets_is_a_question_of_the_proposal(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    path.write_bytes(book_of(A=KV, B=RHO))
    assert propose_profile(path).questions == (("sheet", (("A", "B"), ("A",), ("B",))),)
