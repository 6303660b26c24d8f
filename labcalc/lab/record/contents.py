"""Rows, refusals and lines set aside as the record holds them, and back into a tidy table."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.exports import TIDY_COLUMNS, Refusal, SourceFile
from labcalc.lab.record.database import Connection

ROW_COLUMNS = tuple(name for name in TIDY_COLUMNS if name != "source_file")
"""Columns of a row as it is stored; the file is named by the reading."""
WHOLE = ("replicate", "source_line")
NUMBERS = ("temperature_C", "kinematic_viscosity_mm2_s", "dynamic_viscosity_mPa_s", "density_kg_m3")
"""Held as the shortest text that reads back to the last bit."""
PARTS = ("rows", "refusals", "lines_set_aside")
_BLOCK = 1_000
"""Rows that are digested at a time, [-]: part of what the digest means."""


def stored_rows(columns: Mapping[str, NDArray[Any]]) -> list[tuple[Any, ...]]:
    """Return the columns of one export row by row, each cell as it is stored."""
    return list(zip(*(_stored(name, columns[name]) for name in ROW_COLUMNS), strict=True))


def _stored(name: str, values: NDArray[Any]) -> list[Any]:
    if name in NUMBERS:
        return [None if one != one else repr(one) for one in values.tolist()]
    if name == "measured_at":
        moments = np.datetime_as_string(values.view("datetime64[us]"), unit="us").tolist()
        return [None if one == "NaT" else one for one in moments]
    return list(values.tolist())


def columns_of(rows: Sequence[Sequence[Any]], names: Mapping[int, str], known: dict[str, str]) -> dict[str, Any]:
    """Return stored rows, their entry first, as columns again, as the reader makes them.

    ``names`` are those of the files by entry; texts in ``known`` are shared.
    """
    entries, *cells = zip(*rows, strict=True) if rows else ((),) * (1 + len(ROW_COLUMNS))
    columns = {name: _read_back(name, values, known) for name, values in zip(ROW_COLUMNS, cells, strict=True)}
    columns["source_file"] = _read_back("source_file", [names[entry] for entry in entries], known)
    return columns


def _read_back(name: str, values: Sequence[Any], known: dict[str, str]) -> NDArray[Any]:
    if name in WHOLE:
        return np.array(values, np.int64)
    if name in NUMBERS:
        return np.array(values, object).astype(float)
    if name == "measured_at":
        return np.array(values, "datetime64[us]").view(np.int64)
    column = np.empty(len(values), object)
    column[:] = [None if one is None else known.setdefault(one, one) for one in values]
    return column


def stored_refusals(refusals: Iterable[Refusal]) -> list[tuple[Any, ...]]:
    """Return refusals as they are stored."""
    return [(one.line, one.column, one.value, one.expected, one.sheet, one.sample) for one in refusals]


def digest_of(parts: Iterable[Iterable[Sequence[Any]]]) -> str:
    """Return the SHA-256 [hex] of rows, refusals and lines set aside: canonical JSON, a thousand at a time."""
    ink = hashlib.sha256()
    for part in parts:
        rest = iter(part)
        while block := list(islice(rest, _BLOCK)):
            ink.update(json.dumps(block, ensure_ascii=False, separators=(",", ":")).encode("utf-8") + b"\n")
        ink.update(b"\n")
    return ink.hexdigest()


def store_parts(connection: Connection, entry: int, parts: Iterable[Sequence[Sequence[Any]]]) -> None:
    """Add what a reading gave, each row with its place."""
    for table, rows in zip(PARTS, parts, strict=True):
        connection.add(table, ((entry, place, *row) for place, row in enumerate(rows, 1)))


def stored_parts(connection: Connection, entry: int) -> Iterator[Iterator[Sequence[Any]]]:
    """Yield what a reading gave, part by part, as it stands in the tables."""
    for table in PARTS:
        query = f"SELECT * FROM {table} WHERE entry = :entry ORDER BY place"
        yield (tuple(row[2:]) for row in connection.every(query, entry=entry))


def stated_source(source: SourceFile) -> dict[str, Any]:
    """Return how an export was read, as its entry says it; of the lines set aside the number."""
    return {**vars(source), "set_aside": len(source.set_aside)}


def source_of(stated: Mapping[str, Any], set_aside: Sequence[int]) -> SourceFile:
    """Return how an export was read, of what its entry says, and the lines set aside."""
    said: dict[str, Any] = {one.name: stated[one.name] for one in fields(SourceFile)}
    said.update({name: tuple(one) for name, one in said.items() if isinstance(one, list)})
    return SourceFile(**{**said, "set_aside": tuple(set_aside)})
