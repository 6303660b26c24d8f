"""What is held to limits: derived quantities, temperatures of headers, exponents; sizes that hang if not linear."""

from __future__ import annotations

import importlib
import os
import pkgutil
import re
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest

from labcalc import exports
from labcalc.errors import ExportError
from labcalc.exports import read_export, read_exports
from labcalc.exports.values.numbers import figure, half_unit
from tests.exports.conftest import Read

HEADER = "Sample;Date;T (°C);KV (mm²/s);η (mPa·s);Density (kg/m³);Remark\n"
GOOD = "G;2026-03-02;40;15.01;12.59;838.9;\n"

# --- What follows is held to the limits of what is measured ---

FOLLOWS = {
    "A;2026-03-02;40;9000000;;2000;\n": "column 'KV (mm²/s)': '9000000': a dynamic viscosity of 1.8e+07 mPa·s follows; "
    "expected one from 0.05 to 10000000 mPa·s",
    "A;2026-03-02;40;2;8;;\n": "column 'KV (mm²/s)': '2': a density of 4000 kg/m³ follows; "
    "expected one from 300 to 2500 kg/m³",
    "A;2026-03-02;40;;0.06;900;\n": "column 'η (mPa·s)': '0.06': a kinematic viscosity of 0.066667 mm²/s follows; "
    "expected one from 0.1 to 10000000 mm²/s",
    "A;2026-03-02;40;1e400;;;\n": "column 'KV (mm²/s)': '1e400': "
    "expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
    "A;2026-03-02;40;0e999;;;\n": "column 'KV (mm²/s)': '0e999': "
    "expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
    f"A;2026-03-02;40;{'1' * 5000};;;\n": f"column 'KV (mm²/s)': '{'1' * 59}…': "
    "expected a number with decimal point",
    "A;2026-03-02;1e-400;-1e400;;;\n": "column 'KV (mm²/s)': '-1e400': "
    "expected a kinematic viscosity from 0.1 to 10000000 mm²/s",
}  # fmt: skip


@pytest.mark.parametrize("row", FOLLOWS, ids=range(len(FOLLOWS)))
def test_refused_rows(read: Read, row: str) -> None:
    reading = read(HEADER + GOOD + row)
    assert [str(one) for one in reading.refusals] == [f"x.csv, line 3, {FOLLOWS[row]}"]
    assert len(reading.table) == 1


def test_nothing_to_the_thousandth_power_is_zero_degrees(read: Read) -> None:
    assert read(HEADER + "A;2026-03-02;0e999;15.01;;;\n").table["temperature_C"].tolist() == [0.0]
    assert half_unit("0e999", ".") == float("inf")
    assert half_unit("1e-999", ".") == 0.0


@pytest.mark.parametrize(
    ("at", "said"), [("401 °C", "401"), ("-81 °C", "−81"), ("900 °F", "482.222"), (f"{'9' * 150} °C", "1e+150")]
)
def test_a_temperature_in_a_header(read: Read, at: str, said: str) -> None:
    with pytest.raises(ExportError, match="expected a temperature from −80 °C to 400 °C") as refusal:
        read(f"Sample;KV at {at} (mm²/s)\nA;9.1\n")
    assert f"(mm²/s)' is for {said} °C; " in str(refusal.value) or at.startswith("999")


@pytest.mark.parametrize("text", ["1_000", "١٢", "0x1F", "infinity", "1e", ".", "", "1.2.3", "--1", "1e1e1", "1 2"])
def test_what_python_or_nobody_takes_for_a_number(text: str) -> None:
    assert figure(text, ".") is None


# --- Regular files only ---


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_and_devices_are_refused_unopened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    for path in (tmp_path / "pipe.csv", Path("/dev/zero")):
        with pytest.raises(ExportError) as refusal:
            read_export(path)
        assert str(refusal.value) == f"{path}: this is a pipe or a device; expected a file"


def test_a_link_to_a_file_is_fine_and_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    export, link = tmp_path / "x.csv", tmp_path / "link.csv"
    export.write_text(HEADER + GOOD, "utf-8")
    link.symlink_to(export)
    read_bytes, opened = Path.read_bytes, list[Path]()
    monkeypatch.setattr(Path, "read_bytes", lambda path: opened.append(path) or read_bytes(path))  # type: ignore[func-returns-value]
    assert len(read_exports([link]).table) == 1
    assert opened == [link]


# --- Linear: none of these ends within minutes if it is not ---

MANY = 1_000_000
LONG = {
    "a million cells and a mark": HEADER + GOOD + "x;" * MANY + '"\n',
    "a million blank cells and a mark": HEADER + GOOD + "  ;" * MANY + '"\n',
    "a million cells above the header": "a;" * MANY + '"\n' + HEADER + GOOD,
    "a mark in each of many lines": HEADER + GOOD + 'A;2026-03-02;40;15;;838.9;"x\n' * 20_000,
    "marks only": HEADER + GOOD + "A;2026-03-02;40;15;;838.9;" + '"' * MANY + "\n",
    "blanks in a footer": HEADER + GOOD + f"\nRows{' ' * 5000}x\n",
    "many blanks in a footer": HEADER + GOOD + f"\nRows{' ' * MANY}x\n",
    "dashes that are no footer": HEADER + GOOD + f"\n{'-' * MANY}x\n",
    "blanks in a date": HEADER + GOOD + f"A;2{' ' * MANY}6-03-02;40;15;;;\n",
    "figures": HEADER + GOOD + f"A;2026-03-02;40;{'1' * MANY};;;\n",
    "thousands": HEADER + GOOD + f"A;2026-03-02;40;1{' 000' * MANY};;;\n",
    "a temperature above the header": f"Temperature: {'x' * MANY}5\n" + HEADER + GOOD,
    "brackets in a header": HEADER.replace("Remark", "(" * MANY) + GOOD,
    "blanks in a header": HEADER.replace("Remark", f"Remark{' ' * MANY}x") + GOOD,
    "blanks in a unit": HEADER.replace(" (mm²/s)", "") + f";;;{' ' * MANY}mm²/s;;;\n" + GOOD,
    "no header in many lines": "S1;GO-26-0515;a;b\n" * 200_000,
}


@pytest.mark.parametrize("text", LONG.values(), ids=LONG)
def test_long_lines(read: Read, text: str) -> None:
    refused = text.startswith("S1")
    with pytest.raises(ExportError, match="there is no header") if refused else nullcontext():
        assert len(read(text).table) >= 1


def test_rows_that_are_refused_without_end(read: Read) -> None:
    """More than anybody looks through: of the file nothing is read, and the first row is named."""
    for row in ('"A;2026-03-02;40;15;;838.9;\n', "A;2026-03-02;40;0;;838.9;\n"):
        assert len(read(HEADER + GOOD + row * 1000).refusals) == 1000
        with pytest.raises(ExportError, match=r"x\.csv: over 100,000 rows are refused, the first: line 3"):
            read(HEADER + GOOD + row * 200_000)


def patterns() -> Iterator[tuple[str, re.Pattern[str]]]:
    for module in pkgutil.walk_packages(exports.__path__, "labcalc.exports."):
        for name, value in vars(importlib.import_module(module.name)).items():
            if isinstance(value, re.Pattern):
                yield f"{module.name}.{name}", value


def has_nested_repeats(parsed: Any, within: bool = False) -> bool:
    """Tell whether something of no fixed length stands, without end, in something that repeats."""
    for operation, argument in parsed:
        if str(operation) in ("MAX_REPEAT", "MIN_REPEAT"):
            low, high, inner = argument
            if within and low != high and high > 1:
                return True
            if has_nested_repeats(inner, within or high > 100):
                return True
        elif str(operation) == "SUBPATTERN":
            if has_nested_repeats(argument[-1], within):
                return True
        elif str(operation) == "BRANCH" and any(has_nested_repeats(branch, within) for branch in argument[1]):
            return True
    return False


def test_no_pattern_has_nested_repeats() -> None:
    found = dict(patterns())
    assert len(found) > 10
    assert [name for name, one in found.items() if has_nested_repeats(re._parser.parse(one.pattern))] == []  # type: ignore[attr-defined]
    assert has_nested_repeats(re._parser.parse(r"(?:a+b?)*"))  # type: ignore[attr-defined]
