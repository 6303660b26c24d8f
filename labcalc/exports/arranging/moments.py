"""What is said in pieces, or for a whole file: moments in parts, elapsed time, the file's name, the profile."""

import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import PurePath
from zoneinfo import ZoneInfo

from labcalc.exports.arranging.flat import Field, Flat, between, measure
from labcalc.exports.grammar.units import unit_of
from labcalc.exports.profile import MOMENT_PARTS, Column, Profile
from labcalc.exports.source.sheet import Typed, stripped
from labcalc.exports.source.text import ContentError, Record, shown
from labcalc.exports.values.dates import EPOCH, NO_MOMENT, date_order, instants, parse_moment
from labcalc.exports.values.numbers import figure, reads_two_ways

BLANK = re.compile(r"\{(\w+)\}")  # a blank in the pattern of a file's name
FILE_NAME = "file name"  # where the values in a file's name stand, for messages
_SECONDS = {"s": 1, "sec": 1, "sek": 1, "seg": 1, "min": 60, "h": 3600}
_LONGEST_S = 1e9


def state(table: Flat, profile: Profile, file: str) -> None:
    """Add what the file's name and the profile say for all rows, unless a line above the header says it."""
    said = list[tuple[str, str, str]]()
    if (pattern := profile.from_name) is not None:
        texts = between(PurePath(file).stem, BLANK.split(pattern)[::2])
        if texts is None or "" in texts:
            raise ContentError(f"the name of the file doesn't fit profile.from_name, '{pattern}'")
        named = zip(BLANK.findall(pattern), texts, strict=True)
        said += [(holds, text, FILE_NAME) for holds, text in named if holds != "ignored"]
    for name in ("instrument", "operator", "product", "temperature_C", "date"):
        if (value := getattr(profile, name)) is not None:
            said.append((name.removesuffix("_C"), str(value), "lab.toml"))
    for holds, text, place in said:
        unit = "" if holds != "temperature" else "°C"
        if unit:  # typed: the decimal sign of the file has no part in it
            text, unit = measure(text) or (text, unit)
            text = Typed(text.replace(",", "."))
        table.preamble.setdefault(holds, (Field(place, -1, holds, unit_of(unit)), text))


def add_moments(table: Flat, profile: Profile, zone: ZoneInfo) -> None:
    """Put the parts of moments together; count elapsed time from its start."""
    at = {column.holds: position for position, column in table.said.items()}
    parts = {part: at[part] for part in MOMENT_PARTS if part in at}
    headers = ", ".join(table.header.cells[position] for position in parts.values())
    if "elapsed" in at:
        _add_elapsed(table, at["elapsed"], profile, zone)
    elif parts:
        has_day = {"year", "month", "day"} <= {*parts}
        holds = "time" if not has_day else "measured_at" if "hour" in parts else "date"
        if not has_day and ({"year", "month", "day"} & {*parts} or "hour" not in parts):
            raise ContentError(f"columns '{shown(headers)}' hold {', '.join(parts)}; expected all parts of a moment")
        table.add({headers: Column(holds)}, lambda row: [_moment_of(row, parts)])


def _moment_of(row: Record, parts: Mapping[str, int]) -> str:
    text = {part: re.sub(r"^\d(?!\d)", r"0\g<0>", row.cells[at].strip()) for part, at in parts.items()}
    pieces = []
    if "year" in text and any(text.values()):
        year = f"20{text['year']}" if len(text["year"]) == 2 else text["year"]
        ordered = (year, text["month"], text["day"])
        pieces.append("-".join(ordered) if text["month"].isdigit() else " ".join(reversed(ordered)))
    if text.get("hour"):
        pieces.append(":".join([text["hour"], text.get("minute") or "00", text.get("second") or "00"]))
    return " ".join(pieces)


def _add_elapsed(table: Flat, at: int, profile: Profile, zone: ZoneInfo) -> None:
    header = table.header.cells[at]
    column = f"column '{shown(header)}'"
    written = [table.said[at].unit or "", *table.units[at : at + 1], *re.findall(r"[^\W\d]+", header)[::-1]]
    factors = [_SECONDS[unit] for unit in written if unit in _SECONDS]
    if not factors:
        raise ContentError(f"{column} holds elapsed time; expected its unit, s, min or h")
    start = _start(table, profile, column, zone)

    def moment(row: Record) -> list[str]:
        text = stripped(row.cells[at])
        if profile.decimal is None and reads_two_ways(text):
            problem = f"'{shown(text)}' reads two ways, with decimal or thousands sign; profile.decimal says which"
            raise ContentError(f"line {row.line}, {column}: {problem}")
        seconds = _seconds(text, factors[0], profile)
        return [text if seconds is None else (start + timedelta(seconds=seconds)).isoformat(" ")]

    table.add({header: Column("measured_at")}, moment)


def _seconds(text: str, factor: int, profile: Profile) -> float | None:
    clock = text.split(":")
    if len(clock) > 1 and all(part.isdecimal() and len(part) < 7 for part in clock[:3]):
        return sum(int(part) * times for part, times in zip(clock, (3600, 60, 1), strict=False))
    value = figure(text, profile.decimal or ("," if "," in text else "."), profile.thousands)
    return value * factor if value is not None and 0 <= value * factor <= _LONGEST_S else None


def _start(table: Flat, profile: Profile, column: str, zone: ZoneInfo) -> datetime:
    """Return when elapsed time began to count."""
    moment = profile.start
    said = [table.preamble[holds][1] for holds in ("start", "measured_at", "date") if holds in table.preamble]
    if moment is None and said:
        clock = table.preamble["time"][1] if "time" in table.preamble and ":" not in said[0] else ""
        moment = parse_moment(said[0], clock, date_order(said[:1], profile.date_order, "start"))
    (since_epoch,) = instants([moment], zone).tolist()
    if since_epoch == NO_MOMENT:
        what = f"its start '{shown(said[0])}' is no moment" if said else "no line is known to say its start"
        line = f"{table.unread[0]}" if table.unread else "a line above the header"
        expected = f'expected profile.start, or "start" in [profile.columns] for {line}'
        raise ContentError(f"{column} holds elapsed time, but {what}; {expected}")
    return EPOCH + timedelta(microseconds=since_epoch)
