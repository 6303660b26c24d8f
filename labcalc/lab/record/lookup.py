"""What the record holds, looked up by number, kind, person, day, sample or instrument."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from labcalc.errors import RecordError
from labcalc.exports import Reading
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.journal import Entry, entries_of
from labcalc.lab.record.opening import opened
from labcalc.lab.record.recalling import read_record


def find_entries(
    laboratory: Laboratory,
    *,
    n: int | None = None,
    kind: str = "",
    who: str = "",
    since: date | None = None,
    until: date | None = None,
    sample: str = "",
    instrument: str = "",
) -> list[Entry]:
    """Return the entries that fit all that is given, in the order of their numbers.

    Parameters
    ----------
    laboratory : Laboratory
        Its lab.toml names the record.
    n : int, optional
        The entry's number.
    kind, who : str, optional
        ``export``, ``reading``, ``decision`` or ``step``; the person.
    since, until : datetime.date, optional
        First and last day on which they were written, in the laboratory's time zone.
    sample, instrument : str, optional
        Of the rows that an export gave.

    Raises
    ------
    RecordError
        The record can't be opened or read.
    """
    asked = {
        "n = :n": n,
        "kind = :kind": kind,
        "who = :who": who,
        "at >= :start": _begin(since, laboratory),
        "at < :end": _begin(until, laboratory, after=1),
        "n IN (SELECT entry FROM rows WHERE sample = :sample)": sample,
        "n IN (SELECT entry FROM rows WHERE instrument = :instrument)": instrument,
    }
    condition, given = _condition(asked)
    with opened(laboratory).reading() as connection:
        return list(entries_of(connection, condition or "n > 0", **given))


def find_rows(
    laboratory: Laboratory,
    *,
    sample: str = "",
    instrument: str = "",
    since: date | None = None,
    until: date | None = None,
) -> Reading:
    """Return the rows of a sample or an instrument, measured from ``since`` to ``until``, as ``read_record`` does."""
    asked = {
        "sample = :sample": sample,
        "instrument = :instrument": instrument,
        "measured_at_utc >= :start": _begin(since, laboratory),
        "measured_at_utc < :end": _begin(until, laboratory, after=1),
    }
    condition, given = _condition(asked)
    return read_record(laboratory, condition, **given)


def export_bytes(laboratory: Laboratory, n: int) -> bytes:
    """Return an export as it came in, by the number of its entry.

    Raises
    ------
    RecordError
        The entry holds no export.
    """
    database = opened(laboratory)
    with database.reading() as connection:
        found = connection.one("SELECT packed FROM exports WHERE entry = :n", n=n)
    if not found:
        raise RecordError(database.place, f"entry {n} holds no export")
    return zlib.decompress(found[0])


def _condition(asked: Mapping[str, object]) -> tuple[str, dict[str, object]]:
    """Return what is asked for as a condition of SQL, with its values by their names in it."""
    parts = {part: value for part, value in asked.items() if value is not None and value != ""}
    given = {part.split(":")[1].rstrip(")"): value for part, value in parts.items()}
    return " AND ".join(parts), given


def _begin(day: date | None, laboratory: Laboratory, after: int = 0) -> str:
    """Return when a day, or a day after it, begins in the laboratory: UTC, ISO 8601; empty without a day."""
    if day is None:
        return ""
    begin = datetime.combine(day + timedelta(days=after), time(), ZoneInfo(laboratory.time_zone))
    return f"{begin.astimezone(UTC):%Y-%m-%dT%H:%M:%S}"
