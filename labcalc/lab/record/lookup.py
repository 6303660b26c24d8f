"""What the record holds, looked up by number, kind, person, day, sample or instrument."""

import zlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from labcalc.errors import RecordError
from labcalc.exports import Reading
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.contents import NAMED
from labcalc.lab.record.journal import Entry, entries_of
from labcalc.lab.record.recalling import IS_NAMED, read_record
from labcalc.lab.record.steps import opened


def find_entries(
    laboratory: Laboratory, *, since: date | None = None, until: date | None = None, **asked: int | str | None
) -> list[Entry]:
    """Return the entries that fit all that is given, in the order of their numbers.

    Asked for by number ``n``, ``kind``, person ``who``, or ``sample`` and ``instrument`` of an export's rows; ``since``
    and ``until``: the first and last day on which they were written, in the laboratory's time zone.
    RecordError: the record can't be opened or read.
    """
    period = {"start": _begin(since, laboratory), "end": _begin(until, laboratory, after=1)}
    condition, given = _condition({**asked, **period})
    with opened(laboratory).reading() as connection:
        return list(entries_of(connection, condition or "n > 0", **given))


def find_rows(laboratory: Laboratory, *, since: date | None = None, until: date | None = None, **asked: str) -> Reading:
    """Return the rows of a ``sample`` or ``instrument``, measured from ``since`` to ``until``."""
    found = read_record(laboratory, **{name: asked[name] for name in NAMED if asked.get(name)})
    moments = found.table["measured_at"]
    fits = [found.table[name] == value for name, value in asked.items() if value]
    fits += [moments >= _midnight(since, laboratory)] if since else []
    fits += [moments < _midnight(until, laboratory, after=1)] if until else []
    return replace(
        found, table=found.table[np.logical_and.reduce(fits)].reset_index(drop=True) if fits else found.table
    )


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


def _condition(asked: Mapping[str, object]) -> tuple[str, dict[str, object]]:
    """Return what is asked for as one condition of SQL, with the values by their names in it."""
    given = {name: value for name, value in asked.items() if value not in (None, "")}
    return " AND ".join(_CONDITIONS.get(name, f"{name} = :{name}") for name in given), given


def _begin(day: date | None, laboratory: Laboratory, after: int = 0) -> str:
    """Return when a day, or a day after it, begins in the laboratory: UTC, ISO 8601; empty without a day."""
    return f"{_midnight(day, laboratory, after).astimezone(UTC):%Y-%m-%dT%H:%M:%S}" if day else ""


def _midnight(day: date, laboratory: Laboratory, after: int = 0) -> datetime:
    return datetime.combine(day + timedelta(days=after), time(), ZoneInfo(laboratory.time_zone))
