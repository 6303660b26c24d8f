"""Exact messages: what is refused, where, and what was expected."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from labcalc.errors import ExportError
from labcalc.exports import Column, columns_not_used, read_export, read_exports, totals
from tests.exports.conftest import NOT_MISSING, Read, without_hint

HEADER = "Sample;Date;T (°C);KV (mm²/s);η (mPa·s);Density (kg/m³);Remark\n"
GOOD = "G;2026-03-02;40;15.01;12.59;838.9;\n"

ROWS = {
    "A;2026-03-02;40;8,4,2;;;\n": "column 'KV (mm²/s)': '8,4,2': expected a number with decimal point",
    "A;2026-03-02;40;15,031;;;\n": "column 'KV (mm²/s)': '15,031': "
    "reads two ways, with decimal or thousands sign; profile.thousands says which",
    "A;2026-03-02;40;n/a;;;\n": "column 'KV (mm²/s)': 'n/a': expected a number with decimal point" + NOT_MISSING,
    "A;2026-03-02;40;<2;;;\n": "column 'KV (mm²/s)': '<2': expected a number with decimal point",
    "A;2026-03-02;40;---;;;\n": "column 'KV (mm²/s)': '---': expected a number with decimal point" + NOT_MISSING,
    "A;2026-03-02;40;inf;;;\n": "column 'KV (mm²/s)': 'inf': expected a number with decimal point" + NOT_MISSING,
    "A;2026-03-02;40;nan;;;\n": "column 'KV (mm²/s)': 'nan': expected a number with decimal point" + NOT_MISSING,
    "A;2026-03-02;40;1e999;;;\n": "column 'KV (mm²/s)': '1e999': "
    "expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
    "A;2026-03-02;40;-4.5;;;\n": "column 'KV (mm²/s)': '-4.5': "
    "expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
    "A;2026-03-02;40;0;;;\n": "column 'KV (mm²/s)': '0': expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
    "A;2026-03-02;40;;;0.8583;\n": "column 'Density (kg/m³)': '0.8583': expected a density from 300 to 2500 "
    "kg/m³; is it in g/cm³?",
    "A;2026-03-02;401;9.1;;;\n": "column 'T (°C)': '401': expected a temperature from −80 to 400 °C",
    "A;2026-03-02;;9.1;;;\n": "column 'T (°C)': expected a temperature",
    "A;2026-03-02;40;15.01;13.09;838.9;\n": "column 'η (mPa·s)': '13.09': "
    "expected 12.592 mPa·s, kinematic viscosity · density, within 0.011 mPa·s",
    "A;2026-02-30;40;9.1;;;\n": "column 'Date': '2026-02-30': "
    "expected a date and time that exist, such as 2026-03-31 14:05",
    "A;2026-03-02;40;;;;\n": "column 'KV (mm²/s)': the row has neither viscosity nor density; expected at least one",
    ";2026-03-02;40;9.1;;;\n": "column 'Sample': expected the sample's name, or profile.as_above in lab.toml",
    "A;2026-03-02;40;9.1\n": "'9.1': the row ends here, with 4 cells; expected 7",
    "A;2026-03-02;40;9.1;;;;x\n": "'x': the row has 8 cells; expected 7",
    "A\0;2026-03-02;40;9.1;;;z\n": "'z': the row is damaged (NUL characters); expected text",
    'A;2026-03-02;40;9.1;;;"z\n': "'\"z': a quotation mark is not closed where its cell ends; "
    "expected a row of 7 cells",
    "A;2026-03-02;40;9\x1b[1m;;;\n": "column 'KV (mm²/s)': '9\\x1b[1m': expected a number with decimal point",
}


@pytest.mark.parametrize("row", ROWS)
def test_refused_rows(read: Read, row: str) -> None:
    reading = read(HEADER + GOOD + row + GOOD.replace("G;", "H;"))
    (refusal,) = reading.refusals
    assert str(refusal) == f"x.csv, line 3{', ' if ROWS[row].startswith('column') else ': '}{ROWS[row]}"
    assert (reading.sources[0].rows_read, reading.sources[0].rows_refused) == (2, 1)
    assert reading.table["sample"].tolist() == ["G", "H"]


def test_a_last_row_that_is_cut_off(read: Read) -> None:
    (refusal,) = read(HEADER + GOOD + "A;2026-03-02;40;9").refusals
    assert str(refusal) == (
        "x.csv, line 3: '9': the row ends here, with 4 cells; expected 7, "
        "and the file ends within the line: it may be cut off"
    )


def test_a_repeat_that_comes_twice(read: Read) -> None:
    (refusal,) = read("Run;Sample;Repeat;T (°C);KV (cSt)\nR-1;A;1;40;9.1\nR-1;A;1;40;9.2\n").refusals
    assert str(refusal) == (
        "x.csv, line 3, column 'Repeat': '1': line 2 has this repeat at 40 °C; expected another number"
    )


def test_an_hour_that_comes_twice(read: Read) -> None:
    text = "Sample;Measured at;T (°C);KV (cSt)\nA;2026-10-25 01:30;40;9.1\n"
    assert str(read(text, zone="Europe/Lisbon").refusals[0]) == (
        "x.csv, line 2, column 'Measured at': '2026-10-25 01:30': the clocks of Europe/Lisbon change then: "
        "that time comes twice or never; expected one with its offset"
    )
    assert len(read(text).table) == 1


def test_rounding_of_the_printed_figures_is_no_contradiction(read: Read) -> None:
    assert not read(HEADER + "A;2026-03-02;40;15.0;12.6;839;\n").refusals


UNRELATED = (
    "there is no header with a viscosity or density column beside others, such as 'Sample' and "
    "'Kinematic viscosity (mm²/s)'; [profile.columns] in lab.toml can name the columns"
)
TEXT = "expected a run export as text (.csv, .txt, .tsv) or a workbook (.xlsx)"
FILES: dict[bytes | str, str] = {
    b"": f"the file is empty; {TEXT}",
    b" \r\n\t\n": f"the file is empty; {TEXT}",
    b"\0" * 100: f"the file is empty; {TEXT}",
    b"\xef\xbb\xbf": f"the file is empty; {TEXT}",
    b"\x89PNG\r\n\x1a\n": f"the file is not text; {TEXT}",
    b"PK\x03\x04abc": f"the file is not text; {TEXT}",
    b"\x01\x02\x03abc": f"the file is not text; {TEXT}",
    b"\xff\xfea": "the text is damaged or cut off; it begins as UTF-16",
    b"Sample;\x81;KV": "the text is in none of UTF-8, UTF-16 and cp1252; profile.encoding in lab.toml says which",
    "Name;Height\nA;3\n": UNRELATED,
    HEADER: "there is no row beneath the header in line 1; expected results",
    "Sample;T (°C);KV\nA;40;9.1\n": "column 'KV' has no unit; expected one in its header, "
    "or in [profile.columns] of lab.toml",
    "Sample;T (°C);KV (mPa·s)\nA;40;9.1\n": "column 'KV (mPa·s)': 'mPa·s' is no unit of kinematic viscosity; "
    "[profile.columns] can say which",
    "Sample;T (°C);Viscosity\nA;40;9.1\n": "column 'Viscosity' has no unit; expected one in its header, "
    "or in [profile.columns] of lab.toml",
    "Sample;KV (cSt)\nA;9.1\n": "column 'KV (cSt)' has no temperature; expected a temperature column, "
    "one in the header, or temperature_C in [profile.columns] of lab.toml",
    "T (°C);KV (cSt)\n40;9.1\n": "there is no column with the sample's name; [profile.columns] can name one",
    "Sample;KV40 (cSt);KV at 40 °C (mm²/s)\nA;9.1;9.1\n": "columns 'KV40 (cSt)' and 'KV at 40 °C (mm²/s)' both hold "
    'kinematic viscosity at 40 °C; expected one, or "ignored" for the other in [profile.columns] of lab.toml',
    "Sample;T (°C);KV (cSt)\nA;40;1,234\n": "column 'KV (cSt)': '1,234' reads two ways, with decimal or thousands "
    "sign; profile.decimal in lab.toml says which",
    'Sample,T (°C),KV (cSt)\nA,40,"1,234"\n': "column 'KV (cSt)': '1,234' reads two ways, with decimal or thousands "
    "sign; profile.decimal in lab.toml says which",
    "Sample;T (°C);KV (cSt)\nA;40;8,4\nB;40;8.4\n": "'8.4' and '8,4' have different decimal signs; "
    "profile.decimal says which",
    "Sample;Date;T (°C);KV (cSt)\nA;03.04.2026;40;9.1\n": "column 'Date': '03.04.2026' reads two ways, "
    "day or month first; profile.date_order says which",
    "Sample;Date;T (°C);KV (cSt)\nA;13/04/2026;40;9.1\nA;04/14/2026;40;9.1\n": "column 'Date': '13/04/2026' and "
    "'04/14/2026' have different orders; profile.date_order says which",
    "Sample;Date;T (°C);KV (cSt)\nA;13.04.26;40;9.1\n": "column 'Date': '13.04.26' has a year of two figures; "
    "profile.date_order says the order",
    "Sample;Time;T (°C);KV (cSt)\nA;10:00;40;9.1\n": "column 'Time' has times, but no date stands beside it",
}


@pytest.mark.parametrize("content", FILES, ids=range(len(FILES)))
def test_refused_files(read: Read, content: bytes | str) -> None:
    with pytest.raises(ExportError) as refusal:
        read(content)
    assert without_hint(refusal.value) == f"x.csv: {FILES[content]}"


def test_what_the_profile_says_settles_it(read: Read) -> None:
    text = "Sample;Date;T (°C);KV (cSt)\nA;03.04.2026;40;1,234\n"
    american = read(text, decimal=".", date_order="month-day-year").table
    european = read(text, decimal=",", date_order="day-month-year").table
    assert (american["kinematic_viscosity_mm2_s"][0], american["measured_at"][0].month) == (1234.0, 3)
    assert (european["kinematic_viscosity_mm2_s"][0], european["measured_at"][0].month) == (1.234, 4)


def test_a_profile_that_names_an_absent_column(read: Read) -> None:
    with pytest.raises(ExportError) as refusal:
        read("Sample;T (°C);KV40 (cSt)\nA;40;9.1\n", columns={"KV4O (cSt)": Column("ignored")})
    assert str(refusal.value) == (
        "x.csv: there is no column 'KV4O (cSt)', which [profile.columns] names; did you mean 'KV40 (cSt)'?"
    )


def test_places_that_are_no_file(tmp_path: Path) -> None:
    for path, reason in ((tmp_path, "this is a folder; expected a file"), (tmp_path / "no", "there is no such file")):
        with pytest.raises(ExportError) as refusal:
            read_export(path)
        assert str(refusal.value) == f"{path}: {reason}"


def test_several_files(tmp_path: Path) -> None:
    one, twin, bad = (tmp_path / name for name in ("one.csv", "twin.csv", "bad.csv"))
    one.write_text(HEADER + GOOD, "utf-8")
    twin.write_text(HEADER + GOOD, "utf-8")
    bad.write_text("x", "utf-8")
    reading = read_exports([one, twin, bad])
    assert reading.table["source_file"].tolist() == ["one.csv"]
    assert [(source.name, source.rows_read) for source in reading.sources] == [("one.csv", 1), ("twin.csv", 0)]
    assert reading.sources[1].dialect == "same content as one.csv, read once"
    assert [without_hint(failure) for failure in reading.failures] == [f"bad.csv: {UNRELATED}"]
    with pytest.raises(ExportError):
        read_exports([bad])


def test_notes_beneath_the_rows_are_no_rows(read: Read) -> None:
    reading = read(HEADER + GOOD + "\nMeasured in room 3\nBath;refilled on Monday\n")
    assert reading.refusals == ()
    assert reading.sources[0].dialect == "UTF-8, semicolons, decimal point, header in line 1"
    assert totals(reading.sources) == "1 row read, 0 refused, 2 lines set aside: lines 4, 5"


def test_a_row_torn_behind_a_blank_line_is_refused(read: Read) -> None:
    torn = read(HEADER + GOOD + "\nHX-2;2026-03-02\n")
    assert [str(one) for one in torn.refusals] == [
        "x.csv, line 4: '2026-03-02': the row ends here, with 2 cells; expected 7"
    ]
    assert totals(torn.sources) == "1 row read, 1 refused"
    assert [one.line for one in read(HEADER + GOOD + "\nHX-2;;;;;;\n").refusals] == [4]


def test_a_line_with_figures_is_no_footer_whatever_its_sample_is_called(read: Read) -> None:
    names = ("Total 15", "Max 5", "Sum: 3", "Count 2")
    reading = read("Sample;KV40 (cSt)\n" + "".join(f"{name};46.1\n" for name in names) + "Mean;46.1\nRows;x\nRows: 5\n")
    assert reading.table["sample"].tolist() == list(names)
    assert [(one.line, one.value) for one in reading.refusals] == [(6, "46.1"), (7, "x")]
    assert "'Mean' may be a sample, or said of the rows above" in reading.refusals[0].expected
    assert totals(reading.sources) == "4 rows read, 2 refused, 1 line set aside: line 8"
    assert read("Sample;Date;KV40 (cSt)\nMean;2026-03-02;46.1\n").table["sample"].tolist() == ["Mean"]


def test_rows_and_determinations_are_told_apart_and_columns_not_used_are_named(tmp_path: Path) -> None:
    for name, remark in (("a.csv", "x"), ("b.csv", ""), ("c.csv", "")):
        rows = "".join(f"{name}{at};{remark};46.1;6.87;1\n" for at in range(2))
        (tmp_path / name).write_text("Sample;;KV40 (cSt);KV100 (cSt);Colour\n" + rows + "End of file\n", "utf-8")
    a, b, c = (read_export(tmp_path / f"{name}.csv") for name in "abc")
    assert totals(b.sources) == "2 rows with 4 determinations read, 0 refused, 1 line set aside: line 4"
    assert columns_not_used(b.sources) == "columns not used: Colour"
    together = (*a.sources, *b.sources, *c.sources)
    assert totals(together) == "6 rows with 12 determinations read, 0 refused, 3 lines set aside"
    assert columns_not_used(together) == "columns not used: column 2, Colour (a.csv); Colour (2 files)"


def test_a_refused_row_keeps_its_time_where_it_can_be_read(read: Read) -> None:
    """A row that isn't whole may have been cut within its time: it has none."""
    rows = "A;2026-03-02 08:05;40;n/a;;;\nA;2026-03-32 08:05;40;15.0;;;\nA;2026-03-02 08:0"
    found = [one.measured_at for one in read(HEADER + GOOD + rows).refusals]
    assert found == [datetime(2026, 3, 2, 8, 5, tzinfo=UTC), None, None]


def test_a_file_of_refused_rows_only(read: Read) -> None:
    reading = read(HEADER + "A;2026-03-02;40;---;;;\n")
    assert len(reading.table) == 0
    assert str(reading.table["measured_at"].dtype) == "datetime64[us, UTC]"
    assert reading.table["source_line"].dtype == reading.table["replicate"].dtype == "int64"


def test_a_mere_number_is_no_name_for_a_run(read: Read) -> None:
    text = "Run;Sample;Measured at;T (°C);KV (cSt)\n{};A;2026-03-02 08:10;40;9.1\n"
    assert read(text.format("7")).table["run"].tolist() == ["2026-03-02 08:10 A run 7"]
    assert read(text.format("R-7")).table["run"].tolist() == ["R-7"]
