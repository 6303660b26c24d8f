"""The one table: a row a determination, units in the column names; and what a reading returns."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import pandas as pd

from labcalc.errors import ExportError
from labcalc.exports.source.text import shown
from labcalc.showing import Shown
from labcalc.wording import counted

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
