"""Rows column by column: each distinct text once, and which of them every row holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports.source.text import Block, Record

_FEW = 1000  # texts for which a table of pandas' own is not worth its making
MOST_REFUSED = 100_000  # rows; where more are, the export as a whole isn't understood, and is refused
_AT_ONCE = 4096  # records that are held as lists of cells before they go into the columns


@dataclass(frozen=True)
class Column:
    """A column: the distinct texts in order of appearance, and the place of each row's text among them."""

    distinct: list[str]
    at: NDArray[np.int32] | NDArray[np.int64]

    @classmethod
    def of(cls, texts: Sequence[str] | NDArray[np.object_]) -> Column:
        """Return the texts as a column."""
        if len(texts) < _FEW:
            places = {text: place for place, text in enumerate(dict.fromkeys(texts))}
            return cls(list(places), np.array([places[text] for text in texts], np.int32))
        at, distinct = pd.factorize(np.asarray(texts, object))
        return cls(distinct.tolist(), at.astype(np.int32))

    @classmethod
    def all_of(cls, text: str, count: int) -> Column:
        """Return one text for every row."""
        return cls([text], np.broadcast_to(np.int32(0), count))

    def changed(self, change: Callable[[str], str]) -> Column:
        """Return the column with each text changed."""
        texts = list(map(change, self.distinct))
        if texts == self.distinct:
            return self
        new = Column.of(texts)
        return Column(new.distinct, new.at[self.at])

    def of_rows(self, rows: NDArray[np.int64]) -> Column:
        """Return the column of these rows only."""
        return Column(self.distinct, self.at[rows])

    def rows_of(self, places: Iterable[int]) -> list[int]:
        """Return the rows that hold one of these distinct texts."""
        wanted = np.zeros(len(self.distinct), bool)
        wanted[list(places)] = True
        return np.flatnonzero(wanted[self.at]).tolist()

    def each(self, rows: NDArray[np.int64] | slice = slice(None)) -> Iterator[str]:
        """Return the text of each of these rows."""
        return map(self.distinct.__getitem__, self.at[rows].tolist())

    @property
    def or_none(self) -> NDArray[np.object_]:
        """Each row's text, None where it is empty."""
        return np.array([text or None for text in self.distinct], object)[self.at]


class Rows:
    """The rows of an export: their lines, the columns that are used, and the rows whose shape is wrong."""

    def __init__(self, records: Iterable[Record | Block], width: int, used: Sequence[int]) -> None:
        self.faults: list[tuple[int, str, str]] = []  # row, last cell that holds something, what was expected
        self.origins: dict[int, Sequence[tuple[int, str] | None]] = {}  # row → line and column of each cell
        self.sheets: dict[int, str] = {}  # row → sheet, where several are read
        self._lines: list[NDArray[np.int64]] = []
        self._parts: list[list[NDArray[np.object_]]] = []
        self._count, self._width, self._used = 0, width, used
        waiting: list[Record] = []
        for record in records:
            if isinstance(record, Record):
                waiting.append(record)
            if waiting and (isinstance(record, Block) or len(waiting) == _AT_ONCE):
                self._take(waiting)
                waiting = []
                if len(self.faults) > MOST_REFUSED:
                    break
            if isinstance(record, Block):
                columns = [record.columns[at] for at in used]
                self._add(np.arange(record.line, record.line + len(columns[0])), columns)
        if waiting:
            self._take(waiting)
        self.lines = np.concatenate(self._lines) if self._lines else np.zeros(0, np.int64)

    def __len__(self) -> int:
        return self._count

    def columns(self) -> dict[int, Column]:
        """Hand over the columns that are used, by position."""
        found = {}
        for position in reversed(self._used):
            found[position] = Column.of(np.concatenate([part.pop() for part in self._parts]))
        return found

    def _add(self, lines: NDArray[np.int64], columns: list[NDArray[np.object_]]) -> None:
        self._lines.append(lines)
        self._parts.append(columns)
        self._count += len(lines)

    def _take(self, records: list[Record]) -> None:
        pick, rows = itemgetter(*self._used, 0), []  # of a single place it would make no tuple
        for row, record in enumerate(records, self._count):
            cells = record.cells
            if len(cells) != self._width or record.flaw:
                if expected := record.fault(self._width):
                    self.faults.append((row, next((cell for cell in reversed(cells) if cell.strip()), ""), expected))
                cells = cells + [""] * (self._width - len(cells))
            if record.origins:
                self.origins[row] = record.origins
            if record.sheet:
                self.sheets[row] = record.sheet
            rows.append(pick(cells))
        lines = np.array([record.line for record in records], np.int64)
        self._add(lines, [np.array(column, object) for column in [*zip(*rows, strict=True)][:-1]])


def joined(*parts: NDArray[Any]) -> NDArray[np.int64]:
    """Return one number for each row's combination of numbers from 0 up."""
    key = np.asarray(parts[0], np.int64)
    for part in parts[1:]:
        span = int(part.max(initial=0)) + 1
        if int(key.max(initial=0)) >= 2**62 // span:
            key = np.unique(key, return_inverse=True)[1]
        key = key * span + part
    return key
