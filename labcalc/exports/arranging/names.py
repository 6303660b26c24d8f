"""Names with gaps: the columns that a profile means, lines that are no rows, what the name of a file says."""

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from labcalc.exports.profile import Column
from labcalc.exports.source.sheet import place_of, stripped
from labcalc.exports.source.text import shown

_PLACES = re.compile(r"columns? (\d{1,4}|[A-Z]{1,2})(?: to (\d{1,4}|[A-Z]{1,2}))?", re.IGNORECASE)
_SIGN = re.compile(r"\.{2,}[ .]*:?|[:=\t]")
"""What stands between key and value: 'Operator: X', 'T = 40 °C', 'Lot ........ X'."""


def between(text: str, literals: Sequence[str]) -> list[str] | None:
    """Return what stands between the literals, each taken where it comes first; None where the text doesn't fit."""
    first, *rest = literals
    if not rest or not text.startswith(first):
        return [] if text == first and not rest else None
    at, found = len(first), list[str]()
    for literal in rest[:-1]:
        stop = text.find(literal, at)
        if stop < 0:
            return None
        found.append(text[at:stop])
        at = stop + len(literal)
    stop = len(text) - len(rest[-1])
    return [*found, text[at:stop]] if at <= stop and text.endswith(rest[-1]) else None


def fits(text: str, patterns: Iterable[str]) -> bool:
    """Tell whether the text fits one of the patterns, ``*`` standing for any text, case ignored."""
    folded = text.strip().casefold()
    return any(between(folded, pattern.casefold().split("*")) is not None for pattern in patterns)


def named(columns: Mapping[str, Column], cells: Sequence[str]) -> dict[int, Column]:
    """Return place → what the profile says of the column; a header's own text goes before ``*`` and places."""
    found: dict[int, Column] = {}
    for name in sorted(columns, key=lambda name: name.strip() in cells):
        places = _places(name, cells)
        are_repeats = len(places) > 1 and name.strip() not in cells
        for number, place in enumerate(places, 1):
            found[place] = replace(columns[name], repeat=number) if are_repeats else columns[name]
    return found


def placed(columns: Mapping[str, Column]) -> dict[str, Column]:
    """Return the columns that are named by their place: 'column 3', 'columns C to E'."""
    return {name: column for name, column in columns.items() if _PLACES.fullmatch(name.strip())}


def _places(name: str, cells: Sequence[str]) -> list[int]:
    name = name.strip()
    if same := [at for at, cell in enumerate(cells) if cell == name]:
        return same
    if place := _PLACES.fullmatch(name):
        first = _number(place[1])
        return list(range(first, (_number(place[2]) if place[2] else first) + 1))
    return [at for at, cell in enumerate(cells) if "*" in name and cell and between(cell, name.split("*")) is not None]


def _number(text: str) -> int:
    return int(text) - 1 if text.isdigit() else place_of(text.upper())


def missing(columns: Mapping[str, Column], cells: Sequence[str]) -> str:
    """Return what is wrong with the first name that no cell bears; empty if there is none."""
    for name in columns:
        if not _places(name, cells):
            close = difflib.get_close_matches(name, [cell for cell in cells if cell], n=1)
            has = f"it has {', '.join(map(shown, filter(None, dict.fromkeys(cells))))}"
            hint = f"did you mean '{shown(close[0])}'?" if close else has
            return f"there is no column '{shown(name)}', which [profile.columns] names; {hint}"
    return ""


def key_and_value(cells: Sequence[str]) -> tuple[str, str]:
    """Return what a line of key and value says, in one cell or in two; the value is empty where it says nothing."""
    filled = [cell for cell in cells if cell.strip()]
    if len(filled) == 1 or (filled and ":" in filled[0].strip().rstrip(":") and _FIRST_WORD.match(filled[0].strip())):
        key, *value = _SIGN.split(",".join(cells).strip(" ,"), maxsplit=1)
        return key.strip(), "".join(value).strip()
    return (filled[0].strip().rstrip(":= "), stripped(filled[1])) if filled else ("", "")


_FIRST_WORD = re.compile(r"[^\W\d][\w ]*:\s")
