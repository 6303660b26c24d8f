"""The one table: a row a determination, units in the column names; what a reading returns; how it is written."""

import csv
import os
import re
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zipfile import BadZipFile, ZipFile

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports.source.text import shown
from labcalc.showing import Shown
from labcalc.wording import counted
from labcalc.writing import write_whole

TIDY_COLUMNS = (  # in order
    "run", "sample", "product", "lot", "role", "measured_at", "instrument", "operator", "temperature_C", "replicate",
    "kinematic_viscosity_mm2_s", "dynamic_viscosity_mPa_s", "density_kg_m3", "remark", "source_file", "source_line",
)  # fmt: skip
QUANTITY_COLUMNS = {  # the measured quantities by the name that people use, and the column that holds each
    "kinematic viscosity": "kinematic_viscosity_mm2_s",
    "dynamic viscosity": "dynamic_viscosity_mPa_s",
    "density": "density_kg_m3",
}
_COUNTED = ("rows_read", "determinations", "rows_refused")
_MOST_LINES = 10
_FORMULA = re.compile(r"'*[=+\-@\t\r]")  # in a spreadsheet; with apostrophes too, so that one more can be taken off
_WIDEST = 40  # widest column of a workbook, in characters
_MARK = b"labcalc tidy table"  # what a workbook says of itself
_TAIL = 1 << 16
Paths = Iterable[str | Path]
Tables = Mapping[str, pd.DataFrame]  # by the name of the sheet
_NO_CLOCK = datetime(1980, 1, 1, tzinfo=UTC)  # when a workbook says it was made: the same for the same table


def derived_mark(quantity: str) -> str:
    """Return the mark that a remark carries where a quantity was not measured but follows from the two others."""
    return f"[{quantity} follows from the other two]"


def is_derived(remark: pd.Series, quantity: str) -> pd.Series:
    """Tell, row by row of the tidy table's remarks, whether ``quantity`` was derived rather than measured."""
    return remark.fillna("").str.contains(derived_mark(quantity), regex=False)


def without_marks(remark: pd.Series) -> pd.Series:
    """Return the remarks as the export gives them, without ``derived_mark``; empty text where there is none."""
    marks = "|".join(re.escape(derived_mark(quantity)) for quantity in QUANTITY_COLUMNS)
    return remark.astype("string").fillna("").str.replace(rf"\s*(?:{marks})", "", regex=True).str.strip()


@dataclass(frozen=True)
class Refusal:
    """A row of an export that was not taken, and why: file, line, column, value, and what was expected."""

    file: str
    line: int
    column: str | None
    value: str | None
    expected: str
    sheet: str = ""  # where several sheets of a workbook are read
    sample: str = ""  # what the row says its sample is
    measured_at: datetime | None = field(default=None, repr=False)  # what the row says; None where that can't be read

    @property
    def place(self) -> str:
        """File, sheet and line."""
        return ", ".join(filter(None, (self.file, self.sheet and f"sheet '{shown(self.sheet)}'", f"line {self.line}")))

    def __str__(self) -> str:
        place = self.place if self.column is None else f"{self.place}, column '{self.column}'"
        return f"{place}: {self.expected}" if self.value is None else f"{place}: '{self.value}': {self.expected}"


@dataclass(frozen=True)
class SourceFile:
    """One export as it was read.

    ``rows_read``, ``rows_refused``, the rows doubled and the lines set aside add up to what stands beneath the header,
    ``unused`` and the columns of the tidy table to what stands beside each other.
    """

    name: str
    sha256: str
    rows_read: int
    rows_refused: int
    dialect: str  # how it was read, in words: ``cp1252, semicolons, decimal comma, header in line 7``
    determinations: int = 0  # rows of the tidy table that the rows read made
    set_aside: tuple[int, ...] = ()  # no rows: footers, rules, repeated headers, notes, what the profile sets aside
    unused: tuple[str, ...] = ()  # headers of the columns that are not used
    doubled: tuple[int, ...] = ()  # repeat a row above in every cell, its time to the second too: counted once

    @property
    def label(self) -> str:
        """Name with the first digits of the digest: tells files of one name apart."""
        return f"{self.name} ({self.sha256[:8]})"

    @property
    def read_as(self) -> str:
        """Return in words how it was read, and what of it is not in the table."""
        return "; ".join(filter(None, (self.dialect, *_lines_left_out([self]), columns_not_used([self]))))


def totals(sources: Sequence[SourceFile]) -> str:
    """Return how many rows were read, refused and set aside: '8 rows with 16 determinations read, 0 refused'."""
    read, made, refused = (sum(getattr(one, part) for one in sources) for part in _COUNTED)
    rows = counted(read, "row") + (f" with {counted(made, 'determination')}" if made != read else "")
    return ", ".join([f"{rows} read, {refused} refused", *_lines_left_out(sources)])


def _lines_left_out(sources: Sequence[SourceFile]) -> Iterator[str]:
    """Yield how many lines were set aside or come again, and which, if they are of one file."""
    for part, thing, words in (("set_aside", "line", "set aside"), ("doubled", "row", "doubled and counted once")):
        count = sum(len(getattr(one, part)) for one in sources)
        if count:
            lines = ", ".join(map(str, getattr(sources[0], part)[:_MOST_LINES]))
            lines += " ..." if count > _MOST_LINES else ""
            named = f": line{'s' if count > 1 else ''} {lines}" if len(sources) == 1 else ""
            yield f"{counted(count, thing)} {words}{named}"


def columns_not_used(sources: Sequence[SourceFile]) -> str:
    """Return in a line the columns that are not used, those of files alike once; empty where all are."""
    files: dict[tuple[str, ...], list[str]] = {}
    for one in sources:
        files.setdefault(one.unused, []).append(one.name)
    files.pop((), None)
    parts = []
    for unused, names in files.items():
        of = "" if len(sources) == 1 else f" ({names[0] if len(names) == 1 else counted(len(names), 'file')})"
        parts.append(", ".join(map(shown, unused)) + of)
    return f"columns not used: {'; '.join(parts)}" if parts else ""


@dataclass(frozen=True, repr=False)
class Reading(Shown):
    """The tidy table of one or more exports, with what was refused and where it all came from."""

    table: pd.DataFrame
    refusals: tuple[Refusal, ...]
    sources: tuple[SourceFile, ...]
    failures: tuple[ExportError, ...] = ()  # files that could not be read at all

    def facts(self) -> Iterator[tuple[str, str]]:
        """Return what is shown of it, each fact with its name."""
        yield "rows", totals(self.sources)
        if unused := columns_not_used(self.sources):
            yield "columns", unused
        yield from (("not read", str(one)) for one in self.failures)
        yield from (("refused", str(one)) for one in self.refusals)

    def _frame(self) -> pd.DataFrame:
        return self.table.drop(columns="run", errors="ignore").dropna(axis=1, how="all")


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
