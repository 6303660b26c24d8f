"""Whatever the bytes are: taken, or refused in a line; and every row that is there is read, refused or set aside.

Rows are counted by Python's csv module, which shares nothing with the reader. What a run of the nightly command finds
is kept in ``found/`` and read again by the last test.
"""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing, suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from click.testing import CliRunner, Result
from hypothesis import given, strategies as st

from labcalc.cli import main
from labcalc.lab import Laboratory, add_exports, find_entries, load_laboratory, read, read_record, verify_record
from labcalc.lab._decisions_file import decisions_in_file
from labcalc.lab.settings import laboratory_from
from labcalc.workbooks.parameters import check_parameters
from tests.hostile.targets import TARGETS, feed, taken

pytestmark = pytest.mark.fuzz
FOUND = Path(__file__).parent / "found"
HEADER = (
    "Run", "Sample", "Product", "Lot", "Instrument", "Operator", "Measured at", "Repeat", "Temperature (°C)",
    "Kinematic viscosity (mm²/s)", "Dynamic viscosity (mPa·s)", "Density (kg/m³)", "Remark",
)  # fmt: skip
GOOD = ("R1", "S1", "P", "L", "VD-1", "Ann", "2026-01-02 07:39:40", "1", "40", "14.898", "12.494", "838.61", "")

NUMBERS = st.sampled_from(
    [
        "0e999",
        "1e999",
        "-0e9",
        "9" * 400,
        "1e-400",
        "nan",
        "−inf",
        "0x10",
        "1_0",
        "١٢",
        "½",
        "1.234,5",
        "1,2,3",
        "+",
        ".",
    ]
)
TIMES = st.sampled_from(
    ["9999-12-31 23:59:59", "0000-01-01", "2026-02-29", "2024-02-29 10:00", "2026-10-25 01:30", "2026-03-29 01:30",
     "9999-12-31T23:59-14:00", "0001-01-01T00:00+14:00", "01/02/03", "45000.5", "24:00", "2026-W01-1"]
)  # fmt: skip
MARKUP = st.sampled_from(
    [
        "<script>alert(1)</script>",
        "{{7*7}}",
        "=1+1",
        "@import",
        "\x1b[2J",
        "\u202e",
        '"',
        '""',
        "'",
        "\ufeff",
        "-->",
        ";",
        "\t",
    ]
)
TEXTS = st.text(st.characters(exclude_characters="\0\r\n", exclude_categories=["Cs"]), max_size=12)
CELLS = st.one_of(NUMBERS, TIMES, MARKUP, TEXTS, st.sampled_from(GOOD))


def read_as(name: str, content: bytes) -> Any:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        return taken(lambda: read(path))


@st.composite
def exports(draw: st.DrawFn) -> bytes:
    """Draw an export: good rows in which cells are replaced, lost or put in, lines repeated, marks left open."""
    rows = [list(HEADER)]
    for _ in range(draw(st.integers(1, 8))):
        row = list(GOOD)
        for at in draw(st.lists(st.integers(0, len(row) - 1), max_size=4)):
            row[at] = draw(CELLS)
        rows.append(row)
    text = "\n".join(draw(st.sampled_from([",", ";", "\t", "|"])).join(row) for row in rows)
    data = text.encode(draw(st.sampled_from(["utf-8", "utf-16", "utf-16-le", "utf-8-sig"])))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=4)) + data[at + draw(st.integers(0, 40)) :]
    return data


@given(st.one_of(exports(), st.binary(max_size=400)))
def test_bytes_of_an_export(data: bytes) -> None:
    read_as("x.csv", data)


@given(st.lists(st.lists(CELLS, min_size=13, max_size=13), max_size=12), st.booleans())
def test_no_row_is_lost(rows: list[list[str]], with_good: bool) -> None:
    """Counted by csv: rows beneath the header that hold anything are read, refused, doubled or set aside."""
    file = io.StringIO(newline="")
    csv.writer(file, quoting=csv.QUOTE_ALL).writerows([HEADER, *([list(GOOD)] if with_good else []), *rows])
    reading = read_as("x.csv", file.getvalue().encode())
    if reading is None:
        return
    there = [row for row in csv.reader(io.StringIO(file.getvalue(), newline="")) if any(map(str.strip, row))]
    source = reading.sources[0]
    assert source.rows_refused == len(reading.refusals)
    kept = source.rows_read + source.rows_refused + len(source.set_aside) + len(source.doubled)
    assert kept == len(there) - 1


TYPED = st.one_of(CELLS, st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**40), 2**40))


@given(st.lists(st.lists(TYPED, min_size=13, max_size=13), max_size=6))
def test_no_row_of_a_sheet_is_lost(rows: list[list[Any]]) -> None:
    data = sheet_of([HEADER, GOOD, *rows])
    reading = read_as("x.xlsx", data)
    if reading is None:
        return
    there = [row for row in rows if any(str(cell).strip() for cell in row)]
    source = reading.sources[0]
    kept = source.rows_read + source.rows_refused + len(source.set_aside) + len(source.doubled)
    assert kept == len(there) + 1


def sheet_of(rows: list[Any]) -> bytes:
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        sheet = book.add_worksheet()
        for at, row in enumerate(rows):
            for column, cell in enumerate(row):
                write = sheet.write_string if isinstance(cell, str) else sheet.write_number
                write(at, column, cell)
    return file.getvalue()


WHOLE = sheet_of([HEADER, GOOD])


@given(st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 255)), min_size=1, max_size=8))
def test_bytes_of_a_sheet(changes: list[tuple[int, int]]) -> None:
    data = bytearray(WHOLE)
    for at, value in changes:
        data[at] = value
    read_as("x.xlsx", bytes(data))


LAB = (Path(__file__).parents[2] / "sample_runs" / "lab.toml").read_text("utf-8")
LINES = LAB.splitlines()
VALUES = st.sampled_from(
    ["nan", "inf", "-1", "0e999", "9" * 5000, "[]", "{}", '""', '"\\u0000"', '"\\u202e"', '"[*"', "1979-05-27",
     "07:32:00", "9999-12-31", "true", "[" * 300 + "]" * 300, "[" * 9000 + "]" * 9000, '"' + "x" * 10000 + '"', "'''\n",
     "0x_", "1e400"]
)  # fmt: skip


@given(st.lists(st.tuples(st.integers(0, len(LINES) - 1), VALUES), min_size=1, max_size=3), st.binary(max_size=3))
def test_lines_of_lab_toml(changes: list[tuple[int, str]], stray: bytes) -> None:
    lines = list(LINES)
    for at, value in changes:
        key, sign, _ = lines[at].partition("=")
        lines[at] = f"{key}{sign or '='} {value}"
    text = "\n".join(lines) + stray.decode("latin-1")
    taken(lambda: laboratory_from(text))


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), NUMBERS, TIMES, MARKUP),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=4), inner, max_size=3)),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["who", "when", "what", "why", "run", "instrument", "quantity", "temperature_C", "file", "after", "corrects", "due"]
)
DECIDED = {"who": "Ann", "when": "2026-01-02T08:00:00+00:00", "what": "exclude", "why": "spilt", "run": "R1"}


@given(st.lists(st.dictionaries(KEYS, JSON, max_size=4), max_size=4), st.binary(max_size=30))
def test_lines_of_decisions(changes: list[dict[str, Any]], stray: bytes) -> None:
    """Each line is a decision or is named as one that can't be used."""
    lines = [json.dumps(DECIDED | change).encode() for change in changes]
    with tempfile.TemporaryDirectory() as folder:
        lab = Path(folder) / "lab.toml"
        lab.write_text('[laboratory]\nname = "X"\ntime_zone = "Europe/Lisbon"\n', "utf-8")
        content = b"".join(line + b"\n" for line in lines)
        (Path(folder) / "decisions.jsonl").write_bytes(content + (stray.replace(b"\n", b"") + b"\n" if stray else b""))
        found = taken(lambda: decisions_in_file(load_laboratory(lab)))
        if found is None:
            return
        decisions, unusable = found
        there = [line for line in (*lines, stray.replace(b"\n", b"")) if line.strip()]
        named = {one.line for one in unusable} | {one.number for one in decisions}
        assert len(named - {0}) >= len(there)


@given(st.dictionaries(st.one_of(st.sampled_from(["exports", "lab", "run"]), st.text(max_size=6)), JSON, max_size=4))
def test_parameters_of_a_notebook(parameters: dict[str, Any]) -> None:
    import nbformat

    file = Path(__file__).parents[2] / "notebooks" / "run_report.ipynb"
    taken(lambda: check_parameters(nbformat.read(file, as_version=4), file.name, parameters))


@given(st.lists(st.one_of(exports(), st.binary(max_size=60)), min_size=1, max_size=3))
def test_the_record_holds_what_came(contents: list[bytes]) -> None:
    """Whatever was added, the record's chain holds, and adding the same again adds nothing."""
    with tempfile.TemporaryDirectory() as folder:
        lab = Path(folder) / "lab.toml"
        lab.write_text('[laboratory]\nname = "X"\ntime_zone = "Europe/Lisbon"\n[record]\nfile = "r.db"\n', "utf-8")
        names = []
        for number, content in enumerate(contents):
            names.append(str(Path(folder) / f"{number}.csv"))
            Path(names[-1]).write_bytes(content)
        first = command("record", "add", *names, "--lab", str(lab), "--by", "Ann")
        assert "0 exports added" in command("record", "add", *names, "--lab", str(lab), "--by", "Ann").output
        assert command("record", "verify", "--lab", str(lab)).exit_code in ((0,) if first.exit_code < 2 else (0, 2))


def command(*words: str) -> Result:
    result = CliRunner().invoke(main, words)
    assert result.exit_code in (0, 1, 2)
    assert isinstance(result.exception, SystemExit | None)
    assert "not foreseen" not in result.output
    return result


@cache
def whole(kind: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        if kind == "record":
            (Path(folder) / "x.csv").write_bytes(sheet_as_text([HEADER, GOOD, GOOD[:3]]))
            list(add_exports(laboratory_with_record(folder), [Path(folder) / "x.csv"], who="Ann"))
            return (Path(folder) / "r.db").read_bytes()
        return TARGETS[kind][1](Path(folder))


def sheet_as_text(rows: list[tuple[str, ...]]) -> bytes:
    return "\n".join(map(",".join, rows)).encode()


def laboratory_with_record(folder: str) -> Laboratory:
    lab = Path(folder) / "lab.toml"
    lab.write_text('[laboratory]\nname = "X"\ntime_zone = "Europe/Lisbon"\n[record]\nfile = "r.db"\n', "utf-8")
    return load_laboratory(lab)


CHANGES = st.lists(st.tuples(st.integers(0, 2**31), st.binary(min_size=1, max_size=40)), min_size=1, max_size=6)


def changed(data: bytes, changes: list[tuple[int, bytes]]) -> bytes:
    """Return the bytes with others in the place of some."""
    for place, some in changes:
        at = place % len(data)
        data = data[:at] + some + data[at + len(some) :]
    return data


@given(CHANGES, st.booleans())
def test_bytes_of_the_record(changes: list[tuple[int, bytes]], is_cut: bool) -> None:
    data = changed(whole("record"), changes)
    use_record(data[: changes[0][0] % len(data)] if is_cut else data, lambda _: None)


TYPED_VALUES = st.one_of(
    st.none(), st.integers(-(2**63), 2**63 - 1), st.floats(), st.binary(max_size=9), TEXTS, NUMBERS
)


@given(st.lists(st.tuples(st.integers(0, 99), TYPED_VALUES), min_size=1, max_size=3))
def test_values_of_the_record(changes: list[tuple[int, Any]]) -> None:
    """Somebody with a database's own tools takes the triggers away and writes what they like."""

    def write(file: Path) -> None:
        with closing(sqlite3.connect(file)) as database:
            of = database.execute("SELECT name, type FROM sqlite_schema WHERE type IN ('table', 'trigger')").fetchall()
            for trigger in (name for name, kind in of if kind == "trigger"):
                database.execute(f"DROP TRIGGER {trigger}")
            tables = [name for name, kind in of if kind == "table" and not name.startswith("sqlite")]
            columns = [(name, one[1]) for name in tables for one in database.execute(f"PRAGMA table_info({name})")]
            for place, value in changes:
                table, column = columns[place % len(columns)]
                with suppress(sqlite3.IntegrityError):
                    database.execute(f"UPDATE {table} SET {column} = ?", (value,))
            database.commit()

    use_record(whole("record"), write)


def use_record(data: bytes, change: Callable[[Path], None]) -> None:
    """Use a record whatever stands in it, or be refused in a line."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "r.db").write_bytes(data)
        (Path(folder) / "y.csv").write_bytes(sheet_as_text([HEADER, ("R2", *GOOD[1:])]))
        change(Path(folder) / "r.db")
        laboratory = laboratory_with_record(folder)
        taken(lambda: verify_record(laboratory))
        taken(lambda: read_record(laboratory))
        taken(lambda: list(find_entries(laboratory)))
        command("record", "show", "--lab", str(Path(folder) / "lab.toml"))
        taken(lambda: list(add_exports(laboratory, [Path(folder) / "y.csv"], who="Ann")))


@given(CHANGES, JSON)
def test_bytes_of_a_result(changes: list[tuple[int, bytes]], value: Any) -> None:
    data = whole("result")
    feed("result", changed(data, changes))
    words = json.loads(data)
    keys = list(words)
    feed("result", json.dumps(words | {keys[changes[0][0] % len(keys)]: value}).encode())


@pytest.mark.parametrize("path", sorted(FOUND.iterdir()), ids=lambda path: path.name)
def test_what_was_found_once(path: Path) -> None:
    target = path.name.partition(".")[0]
    if target in TARGETS:
        feed(target, path.read_bytes())
        return
    words = ("check", "--lab", str(path)) if path.suffix == ".toml" else ("read", str(path), "--propose")
    result = command(*words)
    assert result.exit_code in (1, 2)
    assert all(len(line) < 2000 for line in result.stderr.splitlines())
