"""Texts → moments. The order of day and month is decided over the whole column, or lab.toml says it."""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import cache, lru_cache
from itertools import product, starmap
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports.grammar.headers import LANGUAGES, folded
from labcalc.exports.source.text import ContentError, shown

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # from when microseconds count
NO_MOMENT = np.int64(np.iinfo(np.int64).min)  # microseconds that stand for no moment, as pandas' NaT
_MICROSECOND = timedelta(microseconds=1)
_ISO = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})|(\d{4})(\d{2})(\d{2})")
_FIGURES = re.compile(r"(\d{1,2})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{2})")
_DAY_NAME = re.compile(
    r"(?:le |den )?"
    r"(\d{1,2})(?:st|nd|rd|th|er|[°º])?[\s.\-/]*(?:de\s+)?([^\W\d]{3,})[\s.,\-/'’]*(?:del?\s+)?(\d{4}|\d\d)(?!\d)"
)
_NAME_DAY = re.compile(r"([^\W\d]{3,})[\s.\-]*(\d{1,2})(?:st|nd|rd|th)?[\s,]+(\d{4})")
_YEAR_NAME = re.compile(r"(\d{4})[\s.\-/]*([^\W\d]{3,})[\s.\-/]*(\d{1,2})")
_TIME = re.compile(
    r"(\d{1,2})[:h](\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp]\.?[Mm]\.?)?\s*(Z|UTC|[+\-]\d{2}:?\d{2})?"
)
_BASIC = re.compile(r"^(\d{8})T(\d{2})(\d{2})(\d{2})(?!\d)")  # ISO 8601, basic format: 20260331T140500
_SPLIT = re.compile(r"(.*?\d)(?:[T,\s]\s*(\d{1,2}(?:[:h]\d{2}.*|\.\d{2}(?:\.\d{2})?)))?", re.DOTALL)
MANY = 200  # texts from which on it is quicker to look at all at once
_DOTTED = re.compile(r"\d{1,2}\.\d{2}(?:\.\d{2})?")  # a time of day with points, where a time is expected: 08.15


def are_possible(years: Iterable[int]) -> bool:
    """Tell whether results can be of these years."""
    return all(1950 <= year <= 2100 for year in years)


def date_order(cells: Iterable[str], said: str | None, header: str) -> str | None:
    """Return the order of day and month, None where no date needs one; raise ExportError where it can't be told."""
    if said is not None:
        return said
    first: dict[str, str] = {}
    unsure = short = None
    for cell in set(cells):
        found = _FIGURES.match(cell)
        if found is None or _ISO.match(cell):
            if (named := _DAY_NAME.match(cell)) and len(named[3]) == 2 and _month(named[2]):
                short = min(short or cell, cell)
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
        raise ContentError(f"{column}: '{shown(short)}' has a year of two figures; profile.date_order says the order")
    if len(first) == 2:
        one_, two_ = (shown(first[order]) for order in sorted(first))
        raise ContentError(f"{column}: '{one_}' and '{two_}' have different orders; profile.date_order says which")
    if unsure and not first:
        problem = f"'{shown(unsure)}' reads two ways, day or month first"
        raise ContentError(f"{column}: {problem}; profile.date_order says which")
    return next(iter(first), "day-month-year")


@lru_cache(maxsize=4096)
def parse_day(text: str, order: str | None) -> date | None:
    """Return the day that the text names, None if there is no such day."""
    try:
        if found := _ISO.fullmatch(text):
            return date(*(int(part) for part in (found[1] or found[5], found[3] or found[6], found[4] or found[7])))
        if found := _FIGURES.fullmatch(text):
            return _ordered(found[1], found[3], found[4], order)
        if (found := _DAY_NAME.fullmatch(text)) and len(found[3]) == 2:
            way = order if order == "year-month-day" else "day-month-year"
            return _ordered(found[1], str(_month(found[2])), found[3], way)
        if found or (found := _YEAR_NAME.fullmatch(text)):
            day, year = sorted((found[1], found[3]), key=len)
            return date(int(year), _month(found[2]), int(day))
        if found := _NAME_DAY.fullmatch(text):
            return date(int(found[3]), _month(found[1]), int(found[2]))
    except ValueError:
        return None
    return None


def _ordered(one: str, two: str, three: str, order: str | None) -> date:
    first, second, third = int(one), int(two), int(three)
    if order == "year-month-day":
        return date(2000 + first, second, third)
    year = third if len(three) == 4 else 2000 + third
    return date(year, first, second) if order == "month-day-year" else date(year, second, first)


@lru_cache(maxsize=256)
def _month(name: str) -> int:
    """Return the number of the month that has the name, or alone begins with it; 0 if none does."""
    key, months = folded(name), _months()
    found = {months[key]} if key in months else {months[one] for one in months if one.startswith(key)}
    return found.pop() if len(found) == 1 else 0


@cache
def _months() -> dict[str, int]:
    """Names of months, whole, short and inflected, by the Unicode CLDR; and 'Mrz' of DIN 1355-1 (memory)."""
    from babel.dates import get_month_names

    tables = starmap(get_month_names, product(("wide", "abbreviated"), ("format", "stand-alone"), LANGUAGES))
    return {folded(name).rstrip("."): number for table in tables for number, name in table.items()} | {"mrz": 3}


def parse_time(text: str) -> time | None:
    """Return the time of day, with its offset if it has one, None if there is no such time."""
    if len(text) in (5, 8) and text[2] == ":" and text[5:6] in ("", ":"):
        try:
            return time.fromisoformat(text)
        except ValueError:
            return None
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
        return time(hour, int(found[2]), int(found[3] or 0), micro, tzinfo=_offset(found[6]) if found[6] else None)
    except ValueError:
        return None


@lru_cache(maxsize=256)
def _offset(text: str) -> tzinfo | None:
    return datetime.strptime(text.replace("UTC", "Z"), "%z").tzinfo


def parse_moment(text: str, clock: str, order: str | None) -> datetime | None:
    """Return date and time of one cell, or of a date cell and a time cell; without offset where none is given."""
    if text[8:9] == "T":
        text = _BASIC.sub(r"\1 \2:\3:\4", text)
    if not clock and text[10:11] in (" ", "T"):
        day, own = parse_day(text[:10], order), parse_time(text[11:])
        if day is not None and own is not None:
            return datetime.combine(day, own)
    found = _SPLIT.fullmatch(text)
    if found is None:
        return None
    day = parse_day(found[1].strip(), order)
    clock = clock or found[2] or "00:00"
    clock = clock.split(" ")[-1] if clock.startswith(("1899-", "1900-")) else clock.strip()
    own = parse_time(clock.replace(".", ":") if _DOTTED.fullmatch(clock) else clock)
    return None if day is None or own is None else datetime.combine(day, own)


def plain_moments(texts: Sequence[str]) -> NDArray[np.datetime64] | None:
    """Return the moments of many texts of one length, by ISO 8601 and without offset; None if one is no such text."""
    if len(texts) < MANY or {*map(len, texts)} not in ({16}, {19}):
        return None
    try:
        cells = np.array(texts, "S")
        signs = cells.view(np.uint8).reshape(len(texts), -1)[:, [4, 7, 13]]
        moments = cells.astype("datetime64[us]") if (signs == [*b"--:"]).all() else None
    except ValueError:
        return None
    is_good = moments is not None and are_possible(moment.item().year for moment in (moments.min(), moments.max()))
    return moments if is_good else None


def localised(local: NDArray[np.datetime64], zone: ZoneInfo) -> NDArray[np.int64]:
    """Return microseconds since 1970, UTC; the smallest integer where the clocks show a time twice, or never."""
    return pd.DatetimeIndex(local).tz_localize(zone, ambiguous="NaT", nonexistent="NaT").asi8.copy()


def instants(moments: Sequence[datetime | None], zone: ZoneInfo) -> NDArray[np.int64]:
    """Return microseconds since 1970, UTC, as ``localised``."""
    local = np.array([None if one is None or one.tzinfo else one for one in moments], "datetime64[us]")
    found = localised(local, zone)
    for place, one in enumerate(moments):
        if one is not None and one.tzinfo:
            found[place] = (one - EPOCH) // _MICROSECOND
    return found
