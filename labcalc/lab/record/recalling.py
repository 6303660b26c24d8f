"""The record as one reading: rows as they were read then, in the same tidy table as the exports give."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from typing import Any

from labcalc.errors import RecordError
from labcalc.exports import Reading, Refusal, SourceFile
from labcalc.exports.read import zone_of
from labcalc.exports.tidying.rows import framed
from labcalc.lab.labels import label_runs
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import Head
from labcalc.lab.record.contents import columns_of, source_of
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import entries_of, head_of
from labcalc.lab.record.opening import opened

_LATEST = "entry NOT IN (SELECT corrects FROM entries WHERE corrects IS NOT NULL)"
"""Readings that no later one takes the place of."""


def record_head(laboratory: Laboratory) -> Head:
    """Return the head of the laboratory's record. RecordError: lab.toml names no record, or it can't be opened."""
    with opened(laboratory).reading() as connection:
        return head_of(connection)


def printed_head(laboratory: Laboratory) -> Head:
    """Return the head that pages print: of the last entry that isn't about pages, so that rendering changes none."""
    with opened(laboratory).reading() as connection:
        return head_of(connection, "WHERE kind <> 'report'")


def entries_query(where: str = "") -> str:
    """Return the question for packed readings: all, or those that hold a row for which ``where`` is true."""
    held = f" AND entry IN (SELECT entry FROM rows WHERE {where})" if where else ""
    return f"SELECT entry, packed FROM packed_rows WHERE {_LATEST}{held} ORDER BY entry"


def read_record(laboratory: Laboratory, where: str = "", **given: Any) -> Reading:
    """Return all rows of the laboratory's record, labelled, as ``read`` returns those of exports.

    ``where`` leaves out readings without a row for which it is true: a condition of SQL, with names for what is
    ``given``. Temperatures are in [°C], kinematic viscosity in [mm²/s], dynamic viscosity in [mPa·s], density in
    [kg/m³].
    RecordError where the record can't be opened or read.
    """
    zone, database = zone_of(laboratory.time_zone), opened(laboratory)
    try:
        with database.reading() as connection:
            sources = _sources(connection)
            names = {entry: source.name for entry, source in sources.items()}
            columns = columns_of(
                (names[entry], packed) for entry, packed in connection.every(entries_query(where), **given)
            )
            refusals = tuple(_refusals(connection, names))
    except (ValueError, LookupError, TypeError, zlib.error):
        told = "somebody wrote into it what labcalc doesn't: `labcalc record verify` names the entry"
        raise RecordError(database.place, told) from None
    return Reading(label_runs(framed([columns], zone), laboratory), refusals, tuple(sources.values()))


def _sources(connection: Connection) -> dict[int, SourceFile]:
    lines: dict[int, list[int]] = {}
    for entry, line in connection.every("SELECT entry, line FROM lines_set_aside ORDER BY entry, place"):
        lines.setdefault(entry, []).append(line)
    readings = entries_of(connection, f"n IN (SELECT entry FROM readings WHERE {_LATEST})")
    return {one.n: source_of(one.content, lines.get(one.n, [])) for one in readings}


def _refusals(connection: Connection, names: dict[int, str]) -> Iterator[Refusal]:
    query = f"""SELECT entry, line, column_name, value, expected, sheet, sample FROM refusals WHERE {_LATEST}
        ORDER BY entry, place"""
    return (_refusal(names[entry], said) for entry, *said in connection.every(query))


def _refusal(file: str, said: Sequence[Any]) -> Refusal:
    return Refusal(file, *said)
