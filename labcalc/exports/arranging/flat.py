"""An export as one flat table, and what a header, or the profile of it, says that its cells hold."""

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field as made_by, replace
from itertools import chain, islice

from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import QUANTITIES, Meaning, meaning_of
from labcalc.exports.profile import Column
from labcalc.exports.source.sheet import place_of, stripped
from labcalc.exports.source.text import Block, Record, shown

MEASURED = (*QUANTITIES, "viscosity", "relative density", "API gravity")
NOT_TAKEN = ("ignored", "statistic", "method")  # no part of the tidy table: named among the columns not used
_NEAR = 100  # rows beneath the header among which a cell with its unit is looked for
_MEASURE = re.compile(r"([+\-−]?\d[\d.,'’\u00a0\u2009\u202f ]*(?:[eE][+\-]?\d{1,3})?)([^\d.,].*)", re.DOTALL)
_UNIT_SIGN = re.compile(r"[^\W\d_]|[°%]")
_PLACES = re.compile(r"columns? (\d{1,4}|[A-Z]{1,2})(?: to (\d{1,4}|[A-Z]{1,2}))?", re.IGNORECASE)
_SIGN = re.compile(r"\.{2,}[ .]*:?|[:=\t]")  # between key and value: 'Operator: X', 'T = 40 °C', 'Lot ........ X'
_FIRST_WORD = re.compile(r"[^\W\d][\w ]*:\s")


@dataclass(frozen=True)
class Field:
    """A column of the export: header as written, position, what it holds, and unit."""

    header: str
    position: int
    holds: str
    unit: Unit | None = None
    temperature_C: float | None = None
    repeat: int = 1  # number of the column among those that hold the same side by side
    own_units: str = ""  # ``some`` cells have units of their own, or ``all`` must, as nothing else says the unit
    is_told: bool = False  # whether the profile says its temperature


@dataclass
class Flat:
    """An export as one table: header, the units of its columns, what the profile says of them, rows."""

    header: Record
    units: list[str]
    said: dict[int, Column]
    rows: Iterable[Record | Block]  # told once, some at a time, unless they are ``listed``
    preamble: dict[str, tuple[Field, str]] = made_by(default_factory=dict)
    set_aside: list[int] = made_by(default_factory=list)
    unread: list[str] = made_by(default_factory=list)  # what else holds results: named beside the columns not used

    def meaning(self, position: int) -> Meaning | None:
        """Return what a column holds, None if neither the profile nor a word of the trade says it."""
        return meaning_at(self.header.cells[position], self.said.get(position), self.unit_beneath(position))

    def unit_beneath(self, position: int) -> str:
        """Return what the line of units has for a column."""
        return self.units[position] if position < len(self.units) else ""

    def of(self, holds: str) -> int | None:
        """Return the position of the first column that holds something, None if none does."""
        meanings = ((at, self.meaning(at)) for at in range(len(self.header.cells)))
        return next((at for at, one in meanings if one is not None and one.holds == holds), None)

    def listed(self) -> list[Record]:
        """Return all rows, to be told again."""
        rows = self.rows if isinstance(self.rows, list) else list(_singly(self.rows))
        self.rows = rows
        return rows

    def near(self) -> list[Record]:
        """Return the first rows, which are told again."""
        rows = iter(self.rows)
        first = list(islice(rows, _NEAR))
        self.rows = chain(first, rows)
        return list(islice(_singly(first), _NEAR))

    def fill(self, holds: Sequence[str]) -> None:
        """Give the blank cells of the columns that hold these what the last row above has that isn't blank."""
        last = {at: "" for at in range(len(self.header.cells)) if (one := self.meaning(at)) and one.holds in holds}
        for row in self.listed() if last else ():
            for at in last if row.flaw is None and not row.is_blank else ():
                if at < len(row.cells):
                    row.cells[at] = last[at] = row.cells[at] if row.cells[at].strip() else last[at]

    def add(self, columns: Mapping[str, Column], values: Callable[[Record], list[str]]) -> None:
        """Add columns at the right; a row whose shape is wrong keeps its cells."""
        width = len(self.header.cells)
        self.header = replace(self.header, cells=[*self.header.cells, *columns])
        self.said = self.said | dict(enumerate(columns.values(), width))
        self.rows = [
            replace(row, cells=[*row.cells[:width], *values(row)]) if (flaw := row.fault(width)) is None
            else replace(row, flaw=flaw)
            for row in self.listed()
        ]  # fmt: skip


def _singly(rows: Iterable[Record | Block]) -> Iterator[Record]:
    for one in rows:
        yield from one.records() if isinstance(one, Block) else (one,)


def meaning_at(cell: str, said: Column | None, beneath: str = "") -> Meaning | None:
    """Return what a header says, or the profile of it; what the profile leaves open, the header and its unit say."""
    own = meaning_of(cell)
    if beneath.strip("-–") and (own is None or own.unit is None):
        own = meaning_of(f"{cell} [{beneath}]") or (own and replace(own, unit=beneath))
    if said is None:
        return own
    unit = said.unit or (own.unit if own else _unit_in(cell) or beneath.strip("-–") or None)
    is_same = own is not None and said.temperature_C is None and own.holds == said.holds
    holds, qualifier = ("temperature", "set") if said.holds == "set temperature" else (said.holds, None)
    return Meaning(holds, unit, own.temperature_C if own and is_same else said.temperature_C, qualifier)


def _unit_in(cell: str) -> str | None:
    """Return the unit in brackets, after a comma or at the end of a header that is not understood."""
    parts = re.split(r"[()\[\]{}<>,;]", cell[:200])
    last = cell[:200].rpartition(" ")[2]
    units = (part.strip() for part in [*parts[1:], last if len(last) > 1 else ""])
    return next((unit for unit in units if unit and unit_of(unit)), None)


def measure(cell: str) -> tuple[str, str] | None:
    """Return figure and unit of a cell that has both: '46.12 mm²/s'; None for any other."""
    found = _MEASURE.fullmatch(cell.strip()) if len(cell) < 60 and _UNIT_SIGN.search(cell) else None
    return (type(cell)(found[1].strip()), found[2].strip()) if found and unit_of(found[2]) else None


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
