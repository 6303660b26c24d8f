"""A file of results, read by the names of its columns; and what every study says of itself."""

import csv
import hashlib
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from labcalc.errors import StudyError
from labcalc.judgement.checks import Action
from labcalc.lab import nearest
from labcalc.wording import first_of, numeral

TEXT, NUMBER, POSITIVE = "text", "a number", "a number above 0"
NOTES: Mapping[str, str] = tomllib.loads(files("labcalc.data").joinpath("study_notes.toml").read_text("utf-8"))
_HIGHEST = 1e15  # no result is as large, and the squares of larger ones are lost
Finding = tuple[int, str, str, str]  # rank, about what, what was found, what to do


@dataclass(frozen=True)
class StudyFile:
    """A file as read: a row a line, NaN or empty where a cell is; ``line`` tells where each stood."""

    name: str
    sha256: str
    remarks: tuple[str, ...]  # lines that begin with #: where the results come from
    rows: pd.DataFrame
    without_result: str = ""  # lines that were left out for that; empty where there are none

    def refused(self, place: Any, problem: str) -> StudyError:
        """Return the error about a row, by its place."""
        return StudyError(self.name, int(self.rows["line"][place]), problem)


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
    findings: tuple[Action, ...]
    tables: tuple[StudyTable, ...]
    result: Any  # what the pictures draw: statistics of one of the kinds

    @property
    def for_programs(self) -> dict[str, Any]:
        """The verdict for other programs: only what JSON can carry."""
        return {"about": self.file.name, "verdict": self.verdict, "reason": self.reason}


def read_study(
    file: Path, kinds: Mapping[str, str], needed: tuple[str, ...], aliases: Mapping[str, str] | None = None
) -> StudyFile:
    """Read a CSV file in UTF-8: commas, or semicolons or tabs and then decimal commas too; # begins a remark.

    kinds : Name of each column that there may be: ``TEXT``, ``NUMBER`` or ``POSITIVE``.
    needed : Those that there have to be, with a value in every row; a row without a ``result`` is left out and named.
    aliases : Other names of some.
    Raises StudyError : No such columns, or a value that isn't what was expected, by line and column.
    """
    name, (sha256, remarks, kept) = file.name, _lines_of(file)
    if len(kept) < 2:
        raise StudyError(name, 0, f"no rows: a header with {', '.join(needed)}, and rows beneath it, were expected")
    delimiter, ((_, header), *cells) = _cells_of(name, kept)
    names = {one.casefold(): one for one in kinds} | dict(aliases or {})
    columns, rows, empty = [names.get(one.casefold(), one) for one in header], [], []
    for column in columns:
        if column not in kinds or columns.count(column) > 1:
            told = f"{nearest(column, [*kinds, *(aliases or {})])}" if column not in kinds else ""
            raise StudyError(name, kept[0][0], f"column '{column}': one each of {', '.join(kinds)} was expected{told}")
    for line, row in cells:
        if len(row) != len(columns):
            raise StudyError(name, line, f"{len(row)} cells where the header has {len(columns)}")
        given = dict.fromkeys(kinds, "") | dict(zip(columns, row, strict=True))
        if "result" in needed and given["result"] == "" and "result" in columns:
            empty.append(str(line))
            continue
        values = {column: taken(cell, kinds[column], delimiter != ",") for column, cell in given.items()}
        for column, value in values.items():
            if value is None or (column in needed and not given[column]):
                raise StudyError(name, line, f"{column} '{given[column]}': {kinds[column]} was expected")
        rows.append({"line": line, **values})
    if not rows:
        raise StudyError(name, 0, "no row has a result")
    left_out = f"line {first_of(empty, 6)}" if empty else ""
    return StudyFile(name, sha256, remarks, pd.DataFrame(rows), left_out)


def written_in(file: Path) -> list[str]:
    """Return what people wrote into a file of results: remarks and cells, not the header. Raises StudyError."""
    _, remarks, kept = _lines_of(file)
    rows = _cells_of(file.name, kept)[1][1:] if kept else []
    return [*remarks, *(cell for _, row in rows for cell in row)]


def _lines_of(file: Path) -> tuple[str, tuple[str, ...], list[tuple[int, str]]]:
    """Return a file's digest, its remarks, and its other lines with their numbers."""
    try:
        data = file.read_bytes()
        lines = data.decode("utf-8-sig").splitlines()
    except OSError as wrong:
        raise StudyError(file.name, 0, str(wrong.strerror)) from None
    except UnicodeDecodeError as wrong:
        raise StudyError(file.name, 0, f"byte {wrong.start} is no UTF-8: save the file as CSV in UTF-8") from None
    remarks = tuple(line.lstrip("# ").strip() for line in lines if line.startswith("#"))
    kept = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    return hashlib.sha256(data).hexdigest(), remarks, kept


def _cells_of(name: str, lines: Sequence[tuple[int, str]]) -> tuple[str, list[tuple[int, list[str]]]]:
    """Return what stands between cells, and the cells of each row with its line; one in quotes may go over several."""
    delimiter, begins, rows = max(";\t,", key=lines[0][1].count), 0, []
    table = csv.reader((f"{line}\n" for _, line in lines), delimiter=delimiter)
    try:
        for row in table:
            rows.append((lines[begins][0], [cell.strip().replace("\n", " ") for cell in row]))
            begins = table.line_num
    except csv.Error as wrong:
        raise StudyError(name, lines[begins][0], f"no row of a CSV file: {wrong}") from None
    return delimiter, rows


def taken(cell: str, kind: str, comma: bool) -> str | float | None:
    """Return a cell as its kind, NaN where a number is left out; None where it isn't one."""
    if kind == TEXT:
        return cell
    try:
        number = float(cell.replace(",", ".") if comma else cell) if cell else math.nan
    except ValueError:
        return None
    return number if not cell or (abs(number) < _HIGHEST and (kind == NUMBER or number > 0.0)) else None


def ranked(findings: Iterable[Finding]) -> tuple[int, tuple[Action, ...]]:
    """Return the worst rank, and the findings with what to do, the worst first."""
    ordered = sorted(findings, key=lambda one: -one[0])
    return max((one[0] for one in ordered), default=0), tuple(Action(*one[1:]) for one in ordered)


def reach(value: float, low: float, high: float, *, figures: int = 3) -> str:
    """Return a value with its interval."""
    return f"{numeral(value, figures=figures)} ({numeral(low, figures=figures)} to {numeral(high, figures=figures)})"
