"""What is said in pieces, or for a whole file: moments in parts, the file's name, the profile."""

import re
from collections.abc import Mapping
from pathlib import PurePath

from labcalc.errors import ExportError
from labcalc.exports.arranging.flat import Field, Flat, measure
from labcalc.exports.arranging.names import between
from labcalc.exports.grammar.units import unit_of
from labcalc.exports.profile import MOMENT_PARTS, Column, Profile
from labcalc.exports.source.records import Record
from labcalc.exports.source.sheet import Typed
from labcalc.exports.source.text import shown

BLANK = re.compile(r"\{(\w+)\}")  # a blank in the pattern of a file's name
FILE_NAME = "file name"  # where the values in a file's name stand, for messages


def state(table: Flat, profile: Profile, file: str) -> None:
    """Add what the file's name and the profile say for all rows, unless a line above the header says it."""
    said = [(holds, text, FILE_NAME) for holds, text in _from_name(profile.from_name, file)]
    for name in ("instrument", "operator", "product", "temperature_C", "date"):
        if (value := getattr(profile, name)) is not None:
            said.append((name.removesuffix("_C"), str(value), "lab.toml"))
    for holds, text, place in said:
        unit = "" if holds != "temperature" else "°C"
        if unit:  # typed: the decimal sign of the file has no part in it
            text, unit = measure(text) or (text, unit)
            text = Typed(text.replace(",", "."))
        table.preamble.setdefault(holds, (Field(place, -1, holds, unit_of(unit)), text))


def _from_name(pattern: str | None, file: str) -> list[tuple[str, str]]:
    if pattern is None:
        return []
    texts = between(PurePath(file).stem, BLANK.split(pattern)[::2])
    if texts is None or "" in texts:
        raise ExportError(file, f"the name of the file doesn't fit profile.from_name, '{pattern}'")
    return [(holds, text) for holds, text in zip(BLANK.findall(pattern), texts, strict=True) if holds != "ignored"]


def add_moments(table: Flat, file: str) -> None:
    """Put the parts of moments together."""
    at = {column.holds: position for position, column in table.said.items()}
    parts = {part: at[part] for part in MOMENT_PARTS if part in at}
    headers = ", ".join(table.header.cells[position] for position in parts.values())
    if parts:
        has_day = {"year", "month", "day"} <= {*parts}
        holds = "time" if not has_day else "measured_at" if "hour" in parts else "date"
        if not has_day and ({"year", "month", "day"} & {*parts} or "hour" not in parts):
            raise ExportError(
                file, f"columns '{shown(headers)}' hold {', '.join(parts)}; expected all parts of a moment"
            )
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
