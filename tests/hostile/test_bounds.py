"""Sizes that hang, or take all memory, where anything is not linear: each is answered within 1 GB of memory."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from tests.hostile.test_fuzz import GOOD, HEADER

HEAD, ROW = ",".join(HEADER) + "\n", ",".join(GOOD) + "\n"
MILLION = 1_000_000


def of_a_gigabyte(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(1 << 30)


def stray(path: Path) -> None:
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        for at, row in enumerate((HEADER, GOOD)):
            sheet.write_row(at, 0, row)
        sheet.write(1_048_575, 16_383, "y")


def inflating(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for name in ("[Content_Types].xml", "_rels/.rels", "xl/workbook.xml"):
            book.writestr(name, "<a/>")
        book.writestr("xl/worksheets/sheet1.xml", b" " * 200_000_000)


def text(*parts: str) -> Callable[[Path], None]:
    return lambda path: path.write_text("".join(parts), "utf-8") and None


SIZES: dict[str, tuple[Callable[[Path], None], str]] = {
    "gigabyte.csv": (of_a_gigabyte, "1,024 MB; expected an export of at most 128 MB"),
    "line.csv": (text(HEAD, ROW, ROW.strip(), "x" * 100 * MILLION), "a line has over 16,777,216 characters"),
    "shorter line.csv": (text(HEAD, ROW, ROW.strip(), "x" * 15 * MILLION, "\n"), "1 row read, 1 refused"),
    "columns.csv": (text(HEAD.strip(), *(f",c{n}" for n in range(MILLION)), "\n", ROW), "there is no header"),
    "columns and a mark.csv": (text(HEAD.strip(), ',"', *(f",c{n}" for n in range(MILLION)), "\n", ROW), "no header"),
    "marks.csv": (text(HEAD, ROW, '"a""b""' * 2 * MILLION, "\n"), "1 row read, 1 refused"),
    "blank lines.csv": (text(HEAD, ROW, "\n" * 2 * MILLION), "2,000,002 lines; expected at most 1,048,576"),
    "stray cell.xlsx": (stray, "stands far from the rest"),
    "inflating.xlsx": (inflating, "times its size"),
}

MEASURED = """
import json, resource, sys
from click.testing import CliRunner
from labcalc.cli import main
result = CliRunner().invoke(main, ["read", sys.argv[1]])
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps([result.exit_code, used.ru_maxrss / 2**20, result.stderr]))
"""


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is told in other units elsewhere")
@pytest.mark.parametrize("name", SIZES)
def test_bounds(name: str, tmp_path: Path) -> None:
    write, told = SIZES[name]
    write(tmp_path / name)
    command = [sys.executable, "-c", MEASURED, str(tmp_path / name)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    code, gigabytes, said = json.loads(done.stdout)
    assert code in (0, 1, 2)
    assert told in said
    assert "not foreseen" not in said
    assert gigabytes < 1.0
