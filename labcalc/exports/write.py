"""The tidy table → .csv or .xlsx, whole or not at all; texts never become formulas."""

import csv
import os
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zipfile import BadZipFile, ZipFile

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.writing import write_whole

_FORMULA = re.compile(r"'*[=+\-@\t\r]")  # in a spreadsheet; with apostrophes too, so that one more can be taken off
_WIDEST = 40  # widest column of a workbook, in characters
_MARK = b"labcalc tidy table"  # what a workbook says of itself
_TAIL = 1 << 16
Paths = Iterable[str | Path]
Tables = Mapping[str, pd.DataFrame]  # by the name of the sheet
_NO_CLOCK = datetime(1980, 1, 1, tzinfo=UTC)  # when a workbook says it was made: the same for the same table


def write_table(table: pd.DataFrame, path: str | Path, *, exports: Paths = (), force: bool = False) -> None:
    """Write a tidy table as .csv (UTF-8, commas, points, ISO 8601) or .xlsx, told by the ending of ``path``.

    In .csv, texts that a spreadsheet would take for a formula get an apostrophe in front, which the reader takes off
    again. The file appears under its name only when it is whole; what is written from the same table is the same.

    What is read again from .csv or .xlsx is the same table, to the last bit: all but ``source_file`` and
    ``source_line``, which always name the file at hand; where a row came from before stands in the file itself.

    exports : The files that it was read from: they are never written over, under whatever name.
    force : Write over a file that labcalc didn't make, which is otherwise refused.
    Raises ExportError : Another ending, a table without the tidy columns, a file that must stay.
    """
    missing = [name for name in TIDY_COLUMNS if name not in table]
    if missing:
        raise ExportError(Path(path).name, f"the table has no column {', '.join(missing)}; expected a tidy table")
    write_frame(table[list(TIDY_COLUMNS)], path, exports=exports, force=force)


def write_frame(
    table: pd.DataFrame, path: str | Path, *, sheets: Tables | None = None, exports: Paths = (), force: bool = False
) -> None:
    """Write any table of texts, numbers and moments as ``write_table`` does; as .xlsx the ``sheets``, if any."""
    path = Path(path)
    content = {".csv": partial(_as_csv, table), ".xlsx": partial(_as_xlsx, sheets or {"results": table})}
    if path.suffix.lower() not in content:
        raise ExportError(path.name, "the table can be written to .csv or .xlsx; expected one of these endings")
    try:
        _check_what_is_there(path, exports, force, f"{','.join(table.columns)}\n".encode())
        write_whole(Path(os.path.realpath(path)), content[path.suffix.lower()]())
    except OSError as failure:
        raise ExportError(str(path), f"the file can't be written: {failure.strerror or failure}") from None


def _check_what_is_there(path: Path, exports: Paths, force: bool, header: bytes) -> None:
    if not path.exists():
        return
    for export in map(Path, exports):
        if export.exists() and path.samefile(export):
            raise ExportError(str(path), f"this is the export {export}, which is read; expected another file")
    if not force and not (path.is_file() and _is_own(path, header)):
        raise ExportError(str(path), "labcalc didn't make what is there; expected another name, or --force")


def _is_own(path: Path, header: bytes) -> bool:
    """Tell by its content whether labcalc wrote a file."""
    with path.open("rb") as file:
        head = file.read(len(header))
        if head == header or not head.startswith(b"PK"):
            return head == header
    try:
        with ZipFile(path) as archive, archive.open("docProps/custom.xml") as properties:
            return _MARK in properties.read(_TAIL)
    except (BadZipFile, LookupError, RuntimeError, zlib.error):
        return False


def _cells(column: pd.Series) -> list[Any]:
    cells = [None if pd.isna(one) else one for one in column.tolist()]
    return [one.isoformat() if isinstance(one, datetime) else one for one in cells]


def _as_csv(table: pd.DataFrame) -> bytes:
    lines = list[bytes]()
    sink = SimpleNamespace(write=lambda line: lines.append(f"{line[:-2]}\n".encode()))
    rows = csv.writer(sink, lineterminator="\r\n")  # what ends a line is quoted in a cell: both of them
    rows.writerow(table.columns)
    rows.writerows(zip(*(map(protected, _cells(table[name])) for name in table), strict=True))
    return b"".join(lines)


def protected(cell: object) -> object:
    """Return a cell of a .csv file so that no spreadsheet takes it for a formula."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


class _Exact(float):
    """A number that is written with all its figures: xlsxwriter would keep 16."""

    def __format__(self, _: str) -> str:
        return repr(float(self))


def _as_xlsx(tables: Tables) -> bytes:
    """Return tables as sheets of a workbook; raise OSError where a text is too long for a cell, or rows too many."""
    import xlsxwriter

    whole = BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(whole, options) as book:
        book.set_properties({"created": _NO_CLOCK})
        book.set_custom_property("table", _MARK.decode())
        bold = book.add_format({"bold": True})
        for title, table in tables.items():
            sheet = book.add_worksheet(title)
            sheet.freeze_panes(1, 0)
            for at, name in enumerate(table.columns):
                column = _cells(table[name])
                sheet.write_string(0, at, name, bold)
                _write_column(sheet, at, column)
                longest = max((len(str(cell)) for cell in column[:1000]), default=0)
                sheet.set_column(at, at, min(max(longest, len(name)) + 2, _WIDEST))
    return whole.getvalue()


def _write_column(sheet: Any, at: int, column: Sequence[Any]) -> None:
    for row, cell in enumerate(column, 1):
        write = sheet.write_string if isinstance(cell, str) else sheet.write_number
        if cell is not None and write(row, at, cell if isinstance(cell, str) else _Exact(cell)):
            raise OSError("a text is too long for a workbook's cell, or there are too many rows; write .csv")
