"""The record as one reading: rows as they were read then, in the same tidy table as the exports give.

Or what it holds, looked up by number, kind, person, day, sample or instrument.
"""

import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from labcalc.errors import RecordError
from labcalc.exports import Reading, Refusal, SourceFile
from labcalc.exports.read import zone_of
from labcalc.exports.tidying.rows import framed
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.reading import label_runs
from labcalc.lab.record.chain import Head
from labcalc.lab.record.contents import NAMED, columns_of, source_of
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import Entry, entries_of, head_of, opened

_Readings = Mapping[int, Mapping[str, Any]]  # what the entries of readings say, by their numbers
_LATEST = "entry NOT IN (SELECT corrects FROM entries WHERE corrects IS NOT NULL)"  # none takes the place of it


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
            latest = entries_of(connection, f"n IN (SELECT entry FROM readings WHERE {_LATEST})")
            readings = {one.n: one.content for one in latest}
            sources = _sources(connection, readings)
            files = {entry: source.name for entry, source in sources.items()}
            packed = connection.every(entries_query(names), **names)
            columns = columns_of((files[entry], one) for entry, one in packed)
            refusals = tuple(_refusals(connection, sources, readings))
    except (ValueError, LookupError, TypeError, zlib.error):
        told = "somebody wrote into it what labcalc doesn't: `labcalc record verify` names the entry"
        raise RecordError(database.place, told) from None
    return Reading(label_runs(framed([columns], zone), laboratory), refusals, tuple(sources.values()))


def _sources(connection: Connection, readings: _Readings) -> dict[int, SourceFile]:
    lines: dict[int, list[int]] = {}
    for entry, line in connection.every("SELECT entry, line FROM lines_set_aside ORDER BY entry, place"):
        lines.setdefault(entry, []).append(line)
    return {entry: source_of(stated, lines.get(entry, [])) for entry, stated in readings.items()}


def _refusals(connection: Connection, sources: dict[int, SourceFile], readings: _Readings) -> Iterator[Refusal]:
    """Yield what was refused, but for what a mended export, later, of the same name and with rows of it, tells of."""
    query = f"""SELECT entry, place, line, column_name, value, expected, sheet, sample FROM refusals WHERE {_LATEST}
        ORDER BY entry, place"""
    refused = []
    for entry, place, *said in connection.every(query):
        moments = readings[entry].get("refused_at")  # earlier versions kept no times of refused rows
        moment = datetime.fromisoformat(moments[place - 1]) if moments and moments[place - 1] else None
        refused.append((entry, replace(Refusal(sources[entry].name, *said), measured_at=moment)))

    @cache
    def rows(entry: int) -> tuple[set[tuple[str, int]], set[tuple[str, int]]]:
        packed = connection.one("SELECT packed FROM packed_rows WHERE entry = :entry", entry=entry)[0]
        found = columns_of([("", packed)])
        samples, lines = found["sample"].tolist(), found["source_line"].tolist()
        moments = zip(samples, found["measured_at"].tolist(), strict=True)
        again = ((one.sample, one.line) for n, one in refused if n == entry)
        return set(moments), {*zip(samples, lines, strict=True), *(("", line) for line in lines), *again}

    named: dict[str, list[int]] = {}
    for entry, source in sources.items():
        named.setdefault(source.name, []).append(entry)
    for entry, one in refused:
        later = (n for n in named[one.file] if n > entry and (rows(n)[0] & rows(entry)[0] or not rows(entry)[0]))
        if not any(sources[n].rows_refused == 0 or (one.sample, one.line) in rows(n)[1] for n in later):
            yield one


def find_entries(
    laboratory: Laboratory, *, since: date | None = None, until: date | None = None, **asked: int | str | None
) -> list[Entry]:
    """Return the entries that fit all that is given, in the order of their numbers.

    Asked for by number ``n``, ``kind``, person ``who``, or ``sample`` and ``instrument`` of an export's rows; ``since``
    and ``until``: the first and last day on which they were written, in the laboratory's time zone.
    RecordError: the record can't be opened or read.
    """
    period = {"start": _begin(since, laboratory), "end": _begin(until, laboratory, after=1)}
    given = {name: value for name, value in {**asked, **period}.items() if value not in (None, "")}
    condition = " AND ".join(_CONDITIONS.get(name, f"{name} = :{name}") for name in given)
    with opened(laboratory).reading() as connection:
        return list(entries_of(connection, condition or "n > 0", **given))


def find_rows(laboratory: Laboratory, *, since: date | None = None, until: date | None = None, **asked: str) -> Reading:
    """Return the rows of a ``sample`` or ``instrument``, measured from ``since`` to ``until``."""
    found = read_record(laboratory, **{name: asked[name] for name in NAMED if asked.get(name)})
    moments = found.table["measured_at"]
    fits = [found.table[name] == value for name, value in asked.items() if value]
    fits += [moments >= _midnight(since, laboratory)] if since else []
    fits += [moments < _midnight(until, laboratory, after=1)] if until else []
    rows = found.table[np.logical_and.reduce(fits)].reset_index(drop=True) if fits else found.table
    return replace(found, table=rows)


def export_bytes(laboratory: Laboratory, n: int) -> bytes:
    """Return an export as it came in, or a report as issued, by its entry. RecordError: the entry holds neither."""
    database = opened(laboratory)
    with database.reading() as connection:
        tables = ("exports", "refused", "issued")
        query = " UNION ALL ".join(f"SELECT packed FROM {table} WHERE entry = :n" for table in tables)
        found = connection.one(query, n=n)
    if not found or not found[0]:
        raise RecordError(database.place, f"entry {n} holds no export and no issued report")
    return zlib.decompress(found[0])


_CONDITIONS = {"start": "at >= :start", "end": "at < :end", **{name: IS_NAMED.format("n", name) for name in NAMED}}
"""What is asked for as a condition of SQL, where it isn't that a column equals."""


def _begin(day: date | None, laboratory: Laboratory, after: int = 0) -> str:
    """Return when a day, or a day after it, begins in the laboratory: UTC, ISO 8601; empty without a day."""
    return f"{_midnight(day, laboratory, after).astimezone(UTC):%Y-%m-%dT%H:%M:%S}" if day else ""


def _midnight(day: date, laboratory: Laboratory, after: int = 0) -> datetime:
    return datetime.combine(day + timedelta(days=after), time(), ZoneInfo(laboratory.time_zone))
