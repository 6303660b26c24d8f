"""Workbook → records. Typed numbers and dates are texts that no decimal sign or date order can change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path

from labcalc.errors import ExportError
from labcalc.exports.records import Record


class Typed(str):
    """A cell that the workbook holds as number, date or time: figures with a point, or ISO 8601."""

    __slots__ = ()


def sheets(path: Path, file: str, wanted: str | None) -> Iterator[tuple[str, list[Record]]]:
    """Yield name and records of each sheet, or of the wanted one only."""
    from python_calamine import CalamineError, load_workbook

    try:
        book = load_workbook(path)
        names = book.sheet_names
        if wanted is not None and wanted not in names:
            raise ExportError(file, f"there is no sheet '{wanted}' (profile.sheet); the file has {', '.join(names)}")
        for name in names if wanted is None else [wanted]:
            yield name, _records(book.get_sheet_by_name(name).to_python(skip_empty_area=False))
    except (CalamineError, OSError):
        raise ExportError(file, "the workbook can't be opened; expected an .xlsx file that is whole") from None


def _records(rows: Sequence[Sequence[object]]) -> list[Record]:
    return [Record(number, [_text(cell) for cell in row]) for number, row in enumerate(rows, 1)]


def _text(cell: object) -> str:
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return str(cell)
    if isinstance(cell, float):
        return Typed(int(cell) if cell.is_integer() and abs(cell) < 1e15 else repr(cell))
    if isinstance(cell, datetime):
        return Typed(cell.isoformat(" "))
    if isinstance(cell, timedelta):
        return Typed(cell)
    if isinstance(cell, int | date | time):
        return Typed(cell)
    return ""
