"""What is fed with bytes, whatever they are: taken, or refused in a line."""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import xlsxwriter

from labcalc.errors import LabcalcError
from labcalc.lab import load_laboratory, read
from labcalc.lab._decisions_file import decisions_in_file
from labcalc.lab.settings import laboratory_from
from labcalc.lessons.course import draw_test
from labcalc.lessons.results import grade, read_result, save_result

HEADER = "Sample,Measured at,Repeat,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³),Remark\n"
ROWS = 'S1,2026-01-02 07:39:40,1,40,14.898,838.61,"a ""b"" c"\nS2,2026-01-02 08:00:00,1,40,"1,4e1",,\n'
EXPORT = (HEADER + ROWS).encode()
SHEET = "xl/worksheets/sheet1.xml"


@cache
def workbook() -> dict[str, bytes]:
    """Return the parts of a workbook that is whole, by name."""
    whole = io.BytesIO()
    with xlsxwriter.Workbook(whole) as book:
        sheet = book.add_worksheet()
        for at, line in enumerate(EXPORT.decode().splitlines()):
            sheet.write_row(at, 0, line.split(","))
    with zipfile.ZipFile(whole) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def as_sheet(data: bytes, folder: Path) -> None:
    with zipfile.ZipFile(folder / "x.xlsx", "w") as archive:
        for name, content in (workbook() | {SHEET: data}).items():
            archive.writestr(name, content)
    read(folder / "x.xlsx")


def as_file(name: str, reader: Callable[[Path], object]) -> Callable[[bytes, Path], object]:
    def feed_file(data: bytes, folder: Path) -> object:
        (folder / name).write_bytes(data)
        return reader(folder / name)

    return feed_file


def settings(path: Path) -> None:
    (path.parent / "lab.toml").write_text('[laboratory]\nname = "X"\ntime_zone = "Europe/Lisbon"\n', "utf-8")
    decisions_in_file(load_laboratory(path.parent / "lab.toml"))


def result(folder: Path) -> bytes:
    test = draw_test("repeats", "Ann")
    return save_result(grade(test, ["1"] * len(test.questions), datetime(2026, 1, 2, tzinfo=UTC)), folder).read_bytes()


DECIDED = {"who": "Ann", "when": "2026-01-02T08:00:00+00:00", "what": "exclude", "why": "spilt", "run": "R1"}
LAB = Path(__file__).parents[2] / "sample_runs" / "lab.toml"
TARGETS: dict[str, tuple[Callable[[bytes, Path], object], Callable[[Path], bytes]]] = {
    "csv": (as_file("x.csv", read), lambda _: EXPORT),
    "sheet": (as_sheet, lambda _: workbook()[SHEET]),
    "lab": (lambda data, _: laboratory_from(data.decode("latin-1")), lambda _: LAB.read_bytes()),
    "decisions": (
        # a line without its end would be waited for
        lambda data, folder: as_file("decisions.jsonl", settings)(data + b"\n", folder),
        lambda _: json.dumps(DECIDED).encode(),
    ),
    "result": (as_file("x.json", read_result), result),
}
"""What takes bytes, with a folder to work in, and what the fuzzing begins with."""


def feed(target: str, data: bytes) -> None:
    """Hand bytes over in a folder of their own."""
    with tempfile.TemporaryDirectory() as folder:
        taken(lambda: TARGETS[target][0](data, Path(folder)))


def taken(action: Callable[[], Any]) -> Any:
    """Return what comes of it; None where it is refused in one line. Anything else that is raised is a finding."""
    try:
        return action()
    except LabcalcError as refusal:
        said = str(refusal)
    assert "\n" not in said
    assert len(said) < 2000
    return None
