"""The one table: a row a determination, units in the column names; and what a reading returns."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from labcalc.errors import ExportError

TIDY_COLUMNS = (
    "run",
    "sample",
    "product",
    "lot",
    "role",
    "measured_at",
    "instrument",
    "operator",
    "temperature_C",
    "replicate",
    "kinematic_viscosity_mm2_s",
    "dynamic_viscosity_mPa_s",
    "density_kg_m3",
    "remark",
    "source_file",
    "source_line",
)
"""Columns of the tidy table, in order."""

QUANTITY_COLUMNS = {
    "kinematic viscosity": "kinematic_viscosity_mm2_s",
    "dynamic viscosity": "dynamic_viscosity_mPa_s",
    "density": "density_kg_m3",
}
"""The measured quantities by the name that people use, and the column that holds each."""


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

    def __str__(self) -> str:
        place = f"{self.file}, line {self.line}"
        if self.column is not None:
            place += f", column '{self.column}'"
        return f"{place}: {self.expected}" if self.value is None else f"{place}: '{self.value}': {self.expected}"


@dataclass(frozen=True)
class SourceFile:
    """One export as it was read. ``rows_read`` and ``rows_refused`` add up to the rows in the file."""

    name: str
    sha256: str
    rows_read: int
    rows_refused: int
    dialect: str
    """How it was read, in words: ``cp1252, semicolons, decimal comma, header in line 7``."""


@dataclass(frozen=True)
class Reading:
    """The tidy table of one or more exports, with what was refused and where it all came from."""

    table: pd.DataFrame
    refusals: tuple[Refusal, ...]
    sources: tuple[SourceFile, ...]
    failures: tuple[ExportError, ...] = ()
    """Files that could not be read at all."""
