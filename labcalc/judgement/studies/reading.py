"""A file of results, read by the names of its columns; and what every study says of itself."""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from labcalc.errors import StudyError
from labcalc.judgement.duplicates.bias import DuplicateFinding
from labcalc.lab import nearest

TEXT, NUMBER, POSITIVE = "text", "a number", "a number above 0"


@dataclass(frozen=True)
class StudyFile:
    """A file as read: a row a line, NaN or empty where a cell is; ``line`` tells where each stood."""

    name: str
    sha256: str
    remarks: tuple[str, ...]
    """Lines that begin with #: where the results come from."""
    rows: pd.DataFrame

    def refused(self, place: int, problem: str) -> StudyError:
        """Return the error about a row, by its place."""
        return StudyError(self.name, int(self.rows["line"].iloc[place]), problem)


@dataclass(frozen=True)
class StudyTable:
    """A table of a page, as text: the first column names the row."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Study:
    """Everything that is said about a file of results."""

    title: str
    file: StudyFile
    facts: Mapping[str, str]
    rank: int  # 0 to 2, from best to worst
    verdict: str
    reason: str
    findings: tuple[DuplicateFinding, ...]
    tables: tuple[StudyTable, ...]
    result: Any
    """What the pictures draw: statistics of one of the three kinds."""

    @property
    def for_programs(self) -> dict[str, Any]:
        """The verdict for other programs: only what JSON can carry."""
        return {"about": self.file.name, "verdict": self.verdict, "reason": self.reason}


def read_study(
    file: Path, kinds: Mapping[str, str], needed: tuple[str, ...], aliases: Mapping[str, str] | None = None
) -> StudyFile:
    """Read a CSV file: commas, or semicolons or tabs and then decimal commas too; # begins a remark.

    kinds : Name of each column that there may be: ``TEXT``, ``NUMBER`` or ``POSITIVE``.
    needed : Those that there have to be, with a value in every row.
    aliases : Other names of some.
    Raises StudyError : No such columns, or a value that isn't what was expected, by line and column.
    """
    data = file.read_bytes()
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as wrong:
        raise StudyError(file.name, 0, f"byte {wrong.start} is no UTF-8: save the file as CSV in UTF-8") from None
    remarks = tuple(line.lstrip("# ").strip() for line in lines if line.startswith("#"))
    kept = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if len(kept) < 2:
        raise StudyError(
            file.name, 0, f"no rows: a header with {', '.join(needed)}, and rows beneath it, were expected"
        )
    delimiter = max(";\t,", key=kept[0][1].count)
    cells = [[cell.strip() for cell in row] for row in csv.reader((line for _, line in kept), delimiter=delimiter)]
    names = _header(StudyError(file.name, kept[0][0], ""), cells[0], kinds, needed, aliases or {})
    rows = []
    for (line, _), row in zip(kept[1:], cells[1:], strict=True):
        if len(row) != len(names):
            raise StudyError(file.name, line, f"{len(row)} cells where the header has {len(names)}")
        told = dict(zip(names, row, strict=True))
        rows.append(
            {
                "line": line,
                **{
                    name: _value(
                        file.name, line, name, told.get(name, ""), kinds[name], name in needed, delimiter != ","
                    )
                    for name in kinds
                },
            }
        )
    return StudyFile(file.name, hashlib.sha256(data).hexdigest(), remarks, pd.DataFrame(rows))


def _header(
    at: StudyError, header: list[str], kinds: Mapping[str, str], needed: tuple[str, ...], aliases: Mapping[str, str]
) -> list[str]:
    names = [aliases.get(name, name) for name in header]
    for name in names:
        if name not in kinds:
            known = ", ".join(kinds)
            raise StudyError(at.file, at.line, f"column '{name}' is none of {known}{nearest(name, [*kinds, *aliases])}")
        if names.count(name) > 1:
            raise StudyError(at.file, at.line, f"column '{name}' stands there {names.count(name)} times")
    missing = [name for name in needed if name not in names]
    if missing:
        raise StudyError(at.file, at.line, f"no column {', '.join(missing)}; there are {', '.join(names)}")
    return names


def _value(file: str, line: int, name: str, cell: str, kind: str, needed: bool, comma: bool) -> str | float:
    if needed and not cell:
        raise StudyError(file, line, f"{name} is empty: {kind} was expected")
    if kind == TEXT:
        return cell
    try:
        number = float(cell.replace(",", ".") if comma else cell) if cell else math.nan
    except ValueError:
        number = math.inf
    if math.isinf(number) or (kind == POSITIVE and number <= 0.0) or (cell and math.isnan(number)):
        raise StudyError(file, line, f"{name} '{cell}': {kind} was expected")
    return number


def ranked(findings: list[tuple[int, str, str, str]]) -> tuple[int, tuple[DuplicateFinding, ...]]:
    """Return the worst rank, and the findings with what to do, the worst first."""
    ordered = sorted(findings, key=lambda one: -one[0])
    return max((one[0] for one in findings), default=0), tuple(DuplicateFinding(*one[1:]) for one in ordered)
