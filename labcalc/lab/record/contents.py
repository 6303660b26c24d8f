"""Rows, refusals and lines set aside as the record holds them, and back into a tidy table."""

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import islice, repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.exports import TIDY_COLUMNS, Refusal, SourceFile
from labcalc.lab.record.database import Connection

ROW_COLUMNS = tuple(name for name in TIDY_COLUMNS if name != "source_file")  # as stored; the reading names the file
WHOLE = ("replicate", "source_line")
NUMBERS = ("temperature_C", "kinematic_viscosity_mm2_s", "dynamic_viscosity_mPa_s", "density_kg_m3")
"""Held as the shortest text that reads back to the last bit."""
TEXTS = tuple(name for name in ROW_COLUMNS if name not in (*WHOLE, *NUMBERS, "measured_at"))
_BLOCKS = (("<f8", NUMBERS), ("<i8", ("measured_at", *WHOLE)), ("<i4", TEXTS))  # how columns are packed
PARTS = ("refusals", "lines_set_aside")  # tables of what a reading gave beside its rows
NAMED = ("sample", "instrument")  # columns by whose names a reading is found
_BLOCK = 1_000  # rows that are digested at a time, [-]: part of what the digest means


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


def packed_rows(rows: Sequence[Sequence[Any]]) -> bytes:
    """Return stored rows as bytes from which their columns are had at once.

    A line of JSON, the number of rows and the different texts; then, column by column and little-endian, numbers (8
    bytes), moments and whole numbers (8 bytes), and the place of each text in the list (4 bytes).
    """
    cells = dict(zip(ROW_COLUMNS, zip(*rows, strict=True) if rows else repeat((), len(ROW_COLUMNS)), strict=True))
    numbers = np.array([cells[name] for name in NUMBERS], object).astype("<f8")
    moments = np.array(cells["measured_at"], "datetime64[us]").view(np.int64)
    wholes = np.array([moments, *(cells[name] for name in WHOLE)], "<i8")
    places: dict[str | None, int] = {}
    texts = np.array([[places.setdefault(one, len(places)) for one in cells[name]] for name in TEXTS], "<i4")
    head = json.dumps([len(rows), list(places)], ensure_ascii=False).encode("utf-8")
    return zlib.compress(b"\n".join((head, numbers.tobytes() + wholes.tobytes() + texts.tobytes())), 1)


def columns_of(packed: Iterable[tuple[str, bytes]]) -> dict[str, NDArray[Any]]:
    """Return packed rows, each with the name of its file, as columns again, as the reader makes them."""
    blocks: list[list[NDArray[Any]]] = [[], [], []]
    texts, known = list[str | None](), dict[str | None, str | None]()
    names, sizes = list[str](), list[int]()
    for name, one in (("", packed_rows(())), *packed):
        data = zlib.decompress(one)
        at = data.index(b"\n") + 1
        size, own = json.loads(data[:at])
        for block, (kind, columns) in zip(blocks, _BLOCKS, strict=True):
            block.append(np.frombuffer(data, kind, size * len(columns), at).reshape(len(columns), size))
            at += block[-1].nbytes
        blocks[2][-1] = blocks[2][-1] + len(texts)
        texts += map(known.setdefault, own, own)
        names.append(name)
        sizes.append(size)
    words, files = np.array([*texts, None], object), np.array(names, object)
    numbers, wholes, places = (np.concatenate(block, axis=1) for block in blocks)
    found = {**dict(zip(NUMBERS, numbers, strict=True)), **dict(zip(("measured_at", *WHOLE), wholes, strict=True))}
    found |= {name: words[at] for name, at in zip(TEXTS, places, strict=True)}
    return {**found, "source_file": files.repeat(sizes)}


def rows_of(packed: bytes) -> Iterator[tuple[Any, ...]]:
    """Yield packed rows as they are stored."""
    columns = columns_of([("", packed)])
    for at in range(0, len(columns["run"]), _BLOCK):
        yield from stored_rows({name: column[at : at + _BLOCK] for name, column in columns.items()})


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


def store_parts(connection: Connection, entry: int, parts: Sequence[Sequence[Sequence[Any]]]) -> None:
    """Add what a reading gave: its rows, then refusals and lines set aside, each with its place."""
    packed = packed_rows(parts[0])
    connection.add("packed_rows", [(entry, packed)])
    connection.add("names", ((entry, *one) for one in sorted(names_in(packed))))
    for table, rows in zip(PARTS, parts[1:], strict=True):
        connection.add(table, ((entry, place, *row) for place, row in enumerate(rows, 1)))


def names_in(packed: bytes) -> set[tuple[str, str]]:
    """Return the names by which packed rows are found, each with its column."""
    columns = columns_of([("", packed)])
    return {(column, name) for column in NAMED for name in set(columns[column].tolist()) if name}


def pack_rows(connection: Connection) -> None:
    """Pack what earlier versions read into a table of rows."""
    for (entry,) in list(connection.every("SELECT entry FROM readings ORDER BY entry")):
        rows = connection.every("SELECT * FROM rows WHERE entry = :entry ORDER BY place", entry=entry)
        connection.add("packed_rows", [(entry, packed_rows([tuple(row[2:]) for row in rows]))])


def name_rows(connection: Connection) -> None:
    """Name what earlier versions read."""
    for entry, packed in list(connection.every("SELECT entry, packed FROM packed_rows ORDER BY entry")):
        connection.add("names", ((entry, *one) for one in sorted(names_in(packed))))


def stored_parts(connection: Connection, entry: int) -> Iterator[Iterable[Sequence[Any]]]:
    """Yield what a reading gave, part by part: its rows, refusals and lines set aside."""
    yield rows_of(connection.one("SELECT packed FROM packed_rows WHERE entry = :entry", entry=entry)[0])
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
