"""The record as one reading: rows as they were read then, in the same tidy table as the exports give."""

import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from labcalc.errors import RecordError
from labcalc.exports import Reading, Refusal, SourceFile
from labcalc.exports.read import zone_of
from labcalc.exports.tidying.rows import framed
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.reading import label_runs
from labcalc.lab.record.chain import Head
from labcalc.lab.record.contents import columns_of, source_of
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import entries_of, head_of
from labcalc.lab.record.steps import opened

_Readings = Mapping[int, Mapping[str, Any]]
"""What the entries of readings say, by their numbers."""

_LATEST = "entry NOT IN (SELECT corrects FROM entries WHERE corrects IS NOT NULL)"
"""Readings that no later one takes the place of."""


def record_head(laboratory: Laboratory) -> Head:
    """Return the head of the laboratory's record. RecordError: lab.toml names no record, or it can't be opened."""
    with opened(laboratory).reading() as connection:
        return head_of(connection)


def printed_head(laboratory: Laboratory) -> Head:
    """Return the head that pages print: of the last entry that isn't about pages, so that rendering changes none."""
    with opened(laboratory).reading() as connection:
        return head_of(connection, "WHERE kind NOT IN ('report', 'issued')")


def entries_query(names: Iterable[str] = ()) -> str:
    """Return the question for packed readings: all, or those that hold each of some names, given by their columns."""
    held = "".join(f" AND {IS_NAMED.format('entry', name)}" for name in names)
    return f"SELECT entry, packed FROM packed_rows WHERE {_LATEST}{held} ORDER BY entry"


IS_NAMED = "{0} IN (SELECT entry FROM names WHERE name = :{1} AND what = '{1}')"
"""That a reading, by the column of its number, holds a name, by its column: a condition of SQL."""


def read_record(laboratory: Laboratory, **names: str) -> Reading:
    """Return all rows of the laboratory's record, labelled, as ``read`` returns those of exports.

    ``names`` (``sample``, ``instrument``) leave out readings without a row of that name. Temperatures are in [°C],
    kinematic viscosity in [mm²/s], dynamic viscosity in [mPa·s], density in [kg/m³].
    RecordError where the record can't be opened or read.
    """
    zone, database = zone_of(laboratory.time_zone), opened(laboratory)
    try:
        with database.reading() as connection:
            readings = {
                one.n: one.content
                for one in entries_of(connection, f"n IN (SELECT entry FROM readings WHERE {_LATEST})")
            }
            sources = _sources(connection, readings)
            files = {entry: source.name for entry, source in sources.items()}
            columns = columns_of(
                (files[entry], packed) for entry, packed in connection.every(entries_query(names), **names)
            )
            refusals = tuple(_refusals(connection, files, readings))
    except (ValueError, LookupError, TypeError, zlib.error):
        told = "somebody wrote into it what labcalc doesn't: `labcalc record verify` names the entry"
        raise RecordError(database.place, told) from None
    return Reading(label_runs(framed([columns], zone), laboratory), refusals, tuple(sources.values()))


def _sources(connection: Connection, readings: _Readings) -> dict[int, SourceFile]:
    lines: dict[int, list[int]] = {}
    for entry, line in connection.every("SELECT entry, line FROM lines_set_aside ORDER BY entry, place"):
        lines.setdefault(entry, []).append(line)
    return {entry: source_of(stated, lines.get(entry, [])) for entry, stated in readings.items()}


def _refusals(connection: Connection, names: dict[int, str], readings: _Readings) -> Iterator[Refusal]:
    query = f"""SELECT entry, place, line, column_name, value, expected, sheet, sample FROM refusals WHERE {_LATEST}
        ORDER BY entry, place"""
    for entry, place, *said in connection.every(query):
        moments = readings[entry].get("refused_at")  # earlier versions kept no times of refused rows
        moment = moments[place - 1] if moments else None
        yield replace(Refusal(names[entry], *said), measured_at=moment and datetime.fromisoformat(moment))
