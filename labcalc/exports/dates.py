"""Texts → moments. The order of day and month is decided over the whole column, or lab.toml says it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

from labcalc.errors import ExportError
from labcalc.exports.text import shown

_ISO = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})|(\d{4})(\d{2})(\d{2})")
_FIGURES = re.compile(r"(\d{1,2})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{2})")
_DAY_NAME = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[\s.\-/]*(?:de\s+)?([^\W\d]{3,})[\s.,\-/]*(?:de\s+)?(\d{4})")
_NAME_DAY = re.compile(r"([^\W\d]{3,})[\s.\-]*(\d{1,2})(?:st|nd|rd|th)?[\s,]+(\d{4})")
_TIME = re.compile(
    r"(\d{1,2})[:h](\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp]\.?[Mm]\.?)?\s*(Z|UTC|[+\-]\d{2}:?\d{2})?"
)
_SPLIT = re.compile(r"(.*?\d)(?:[T,\s]\s*(\d{1,2}[:h]\d{2}.*))?", re.DOTALL)

_MONTHS = (
    "jan gen ene janv", "feb fev fév fevereiro févr", "mar mär mrz mars maart", "apr abr avr", "may mai mayo maio",
    "jun juin", "jul juil", "aug ago août aou", "sep set sept", "oct okt out", "nov", "dec dez dic déc",
)  # fmt: skip
_MONTH_OF = {word: number for number, words in enumerate(_MONTHS, 1) for word in words.split()}


def date_order(cells: Iterable[str], said: str | None, header: str, file: str) -> str | None:
    """Return the order of day and month, None where no date needs one; raise ExportError where it can't be told."""
    if said is not None:
        return said
    first: dict[str, str] = {}
    unsure = short = None
    for cell in set(cells):
        found = _FIGURES.match(cell)
        if found is None or _ISO.match(cell):
            continue
        one, two = int(found[1]), int(found[3])
        if len(found[4]) == 2:
            short = min(short or cell, cell)
        elif one > 12 >= two:
            first["day-month-year"] = min(first.get("day-month-year", cell), cell)
        elif two > 12 >= one:
            first["month-day-year"] = min(first.get("month-day-year", cell), cell)
        elif one <= 12 and one != two:
            unsure = min(unsure or cell, cell)
    column = f"column '{shown(header)}'"
    if short:
        raise ExportError(
            file, f"{column}: '{shown(short)}' has a year of two figures; profile.date_order says the order"
        )
    if len(first) == 2:
        one_, two_ = (shown(first[order]) for order in sorted(first))
        raise ExportError(file, f"{column}: '{one_}' and '{two_}' have different orders; profile.date_order says which")
    if unsure and not first:
        raise ExportError(
            file, f"{column}: '{shown(unsure)}' reads two ways, day or month first; profile.date_order says which"
        )
    return next(iter(first), "day-month-year")


def parse_day(text: str, order: str | None) -> date | None:
    """Return the day that the text names, None if there is no such day."""
    try:
        if found := _ISO.fullmatch(text):
            return date(*(int(part) for part in (found[1] or found[5], found[3] or found[6], found[4] or found[7])))
        if found := _FIGURES.fullmatch(text):
            return _ordered(found[1], found[3], found[4], order)
        if found := _DAY_NAME.fullmatch(text):
            return date(int(found[3]), _month(found[2]), int(found[1]))
        if found := _NAME_DAY.fullmatch(text):
            return date(int(found[3]), _month(found[1]), int(found[2]))
    except (ValueError, KeyError):
        return None
    return None


def _ordered(one: str, two: str, three: str, order: str | None) -> date:
    first, second, third = int(one), int(two), int(three)
    if order == "year-month-day":
        return date(2000 + first, second, third)
    year = third if len(three) == 4 else 2000 + third
    return date(year, first, second) if order == "month-day-year" else date(year, second, first)


def _month(name: str) -> int:
    folded = name.casefold()
    return _MONTH_OF[folded] if folded in _MONTH_OF else _MONTH_OF[folded[:3]]


def parse_time(text: str) -> time | None:
    """Return the time of day, with its offset if it has one, None if there is no such time."""
    found = _TIME.fullmatch(text)
    if found is None:
        return None
    hour, half = int(found[1]), (found[5] or "").lower()[:1]
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    try:
        micro = int((found[4] or "0").ljust(6, "0")[:6])
        return time(hour, int(found[2]), int(found[3] or 0), micro, tzinfo=_offset(found[6]))
    except ValueError:
        return None


def _offset(text: str | None) -> timezone | None:
    if text is None:
        return None
    if text in ("Z", "UTC"):
        return timezone.utc  # noqa: UP017
    minutes = int(text[1:3]) * 60 + int(text[-2:])
    return timezone(timedelta(minutes=minutes if text[0] == "+" else -minutes))


def parse_moment(text: str, clock: str, order: str | None) -> datetime | None:
    """Return date and time of one cell, or of a date cell and a time cell; without offset where none is given."""
    found = _SPLIT.fullmatch(text)
    if found is None:
        return None
    day = parse_day(found[1].strip(), order)
    own = parse_time(found[2].strip()) if found[2] else time()
    if clock:
        own = parse_time(clock.split(" ")[-1] if clock.startswith(("1899-", "1900-")) else clock)
    return None if day is None or own is None else datetime.combine(day, own)


def localised(moment: datetime, zone: ZoneInfo) -> datetime | None:
    """Return the moment in the zone; None where the clocks show that time twice, or never."""
    if moment.tzinfo is not None:
        try:
            return moment.astimezone(zone)
        except OverflowError:
            return None
    early, late = moment.replace(tzinfo=zone, fold=0), moment.replace(tzinfo=zone, fold=1)
    return early if early.utcoffset() == late.utcoffset() else None
