"""The tidy table → .csv, .xlsx or .parquet, whole or not at all; texts never become formulas."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports.table import TIDY_COLUMNS

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""What a spreadsheet takes for a formula; also with apostrophes before it, so that one more can be taken off again."""
_WIDEST = 40
"""Widest column of a workbook, in characters."""


def write_table(table: pd.DataFrame, path: str | Path) -> None:
    """Write a tidy table as .csv (UTF-8, commas, points, ISO 8601), .xlsx or .parquet, told by the ending of ``path``.

    In .csv, texts that a spreadsheet would take for a formula get an apostrophe in front, which the reader takes off
    again. The file appears under its name only when it is whole.

    Raises
    ------
    ExportError
        Another ending, a table without the tidy columns, or .parquet without pyarrow.
    """
    path = Path(path)
    writer = _WRITERS.get(path.suffix.lower())
    if writer is None:
        raise ExportError(
            path.name, "the table can be written to .csv, .xlsx or .parquet; expected one of these endings"
        )
    missing = [name for name in TIDY_COLUMNS if name not in table]
    if missing:
        raise ExportError(path.name, f"the table has no column {', '.join(missing)}; expected a tidy table")
    if writer is _write_parquet and find_spec("pyarrow") is None:
        raise ExportError(path.name, "writing .parquet needs the package pyarrow; install it, or write .csv or .xlsx")
    try:
        _aside(table[list(TIDY_COLUMNS)], path, writer)
    except OSError as failure:
        raise ExportError(str(path), f"the file can't be written: {failure.strerror or failure}") from None


def _aside(table: pd.DataFrame, path: Path, writer: Callable[[pd.DataFrame, Path], None]) -> None:
    handle, name = tempfile.mkstemp(prefix=".", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    aside = Path(name)
    try:
        writer(table, aside)
        mask = os.umask(0)
        os.umask(mask)
        aside.chmod(0o666 & ~mask)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def _iso(moments: pd.Series) -> list[str]:
    return ["" if pd.isna(one) else one.isoformat() for one in moments]


def _write_csv(table: pd.DataFrame, path: Path) -> None:
    texts = table.assign(measured_at=_iso(table["measured_at"]))
    for name in ("run", "sample", "product", "lot", "role", "instrument", "operator", "remark", "source_file"):
        texts[name] = table[name].map(protected, na_action="ignore")
    with path.open("w", encoding="utf-8", newline="") as file:
        texts.to_csv(file, index=False, lineterminator="\n")


def protected(cell: object) -> object:
    """Return a cell of a .csv file so that no spreadsheet takes it for a formula."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def _write_xlsx(table: pd.DataFrame, path: Path) -> None:
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        sheet = book.add_worksheet("results")
        bold = book.add_format({"bold": True})
        sheet.freeze_panes(1, 0)
        for at, name in enumerate(table.columns):
            column = _iso(table[name]) if name == "measured_at" else table[name].tolist()
            sheet.write_string(0, at, name, bold)
            _write_column(sheet, at, column)
            longest = max((len(str(cell)) for cell in column[:1000]), default=0)
            sheet.set_column(at, at, min(max(longest, len(name)) + 2, _WIDEST))


def _write_column(sheet: Any, at: int, column: Sequence[object]) -> None:
    for row, cell in enumerate(column, 1):
        if isinstance(cell, str):
            if cell and sheet.write_string(row, at, cell):
                raise OSError("a text is too long for a workbook's cell, or there are too many rows; write .csv")
        elif not pd.isna(cell):  # type: ignore[call-overload]
            sheet.write_number(row, at, cell)


def _write_parquet(table: pd.DataFrame, path: Path) -> None:
    table.to_parquet(path, index=False)


_WRITERS: dict[str, Callable[[pd.DataFrame, Path], None]] = {
    ".csv": _write_csv,
    ".xlsx": _write_xlsx,
    ".parquet": _write_parquet,
}
