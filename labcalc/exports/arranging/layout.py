"""A flat table → what each of its columns holds, and what holds for all rows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field as made_by, replace
from itertools import chain, islice

from labcalc.errors import ExportError
from labcalc.exports.arranging.names import key_and_value
from labcalc.exports.grammar.units import Unit, relative_to_water, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, QUANTITIES, Meaning, carries_measured_unit, meaning_of
from labcalc.exports.profile import FOR_ALL_ROWS, Column
from labcalc.exports.source.records import Block, Record
from labcalc.exports.source.sheet import Broken
from labcalc.exports.source.text import shown
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.exports.values.columns import Rows
from labcalc.wording import at_celsius, celsius

MEASURED = (*QUANTITIES, "viscosity", "relative density", "API gravity")
NOT_TAKEN = ("ignored", "statistic", "method")
"""What a column may hold that is no part of the tidy table: it is named among the columns not used."""
_NEAR = 100
"""Rows beneath the header among which a cell with its unit is looked for."""


@dataclass(frozen=True)
class Field:
    """A column of the export: header as written, position, what it holds, and unit."""

    header: str
    position: int
    holds: str
    unit: Unit | None = None
    temperature_C: float | None = None
    repeat: int = 1
    """Number of the column among those that hold the same side by side."""
    own_units: str = ""
    """Whether cells have units of their own: ``some`` do, or ``all`` must, as nothing else says the unit."""
    is_told: bool = False
    """Whether the profile says its temperature."""


@dataclass
class Flat:
    """An export as one table: header, the units of its columns, what the profile says of them, rows."""

    header: Record
    units: list[str]
    said: dict[int, Column]
    rows: Iterable[Record | Block]
    """Told once, some at a time, unless they are ``listed``."""
    preamble: dict[str, tuple[Field, str]] = made_by(default_factory=dict)
    set_aside: list[int] = made_by(default_factory=list)
    unread: list[str] = made_by(default_factory=list)
    """What else holds results, and isn't read: named beside the columns not used."""

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


@dataclass(frozen=True)
class Layout:
    """An export taken apart. ``preamble``: what holds for all rows → field and value."""

    header_line: int
    width: int
    fields: tuple[Field, ...]
    preamble: Mapping[str, tuple[Field, str]]
    rows: Rows
    set_aside: tuple[int, ...]
    """Lines beneath the header that are no rows: footer, repeated headers."""
    unused: tuple[str, ...]
    is_tidy: bool

    def of(self, holds: str) -> Field | None:
        """Return the column that holds something, None if none does."""
        return next((field for field in self.fields if field.holds == holds), None)


def lay_out(flat: Flat, file: str) -> Layout:
    """Say what the columns of a flat table hold."""
    cells = flat.header.cells
    fields = tuple(_ranked(_fields(flat, file)))
    _check_fields(fields, file)
    used = [field.position for field in fields]
    held = {at for row in flat.near() for at, cell in enumerate(row.cells) if cell.strip()}
    unused = tuple(
        cell or f"column {at + 1}"
        for at, cell in enumerate(cells)
        if at not in [one.position for one in fields if one.holds != "status"] and (cell or at in held)
    )
    rows = Rows(flat.rows, len(cells), sorted({0, *used}))
    if not len(rows):
        raise ExportError(file, f"there is no row beneath the header in line {flat.header.line}; expected results")
    tidy, aside = tuple(cells) == TIDY_COLUMNS, tuple(sorted(flat.set_aside))
    unused += tuple(flat.unread)
    return Layout(flat.header.line, len(cells), fields, flat.preamble, rows, aside, unused, tidy)


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


_MEASURE = re.compile(r"([+\-−]?\d[\d.,'’\u00a0\u2009\u202f ]*(?:[eE][+\-]?\d{1,3})?)([^\d.,].*)", re.DOTALL)


_UNIT_SIGN = re.compile(r"[^\W\d_]|[°%]")


def measure(cell: str) -> tuple[str, str] | None:
    """Return figure and unit of a cell that has both: '46.12 mm²/s'; None for any other."""
    found = _MEASURE.fullmatch(cell.strip()) if len(cell) < 60 and _UNIT_SIGN.search(cell) else None
    if found is None or not unit_of(found[2]):
        return None
    return type(cell)(found[1].strip()), found[2].strip()


def problems_of(flat: Flat, file: str) -> Iterator[str]:
    """Yield for each column what a refusal would say of it."""
    near = flat.near()
    for position in range(len(flat.header.cells)):
        try:
            _field_at(flat, near, position, file)
        except ExportError as failure:
            yield failure.problem


def _fields(flat: Flat, file: str) -> Iterable[Field]:
    near = flat.near()
    return filter(None, (_field_at(flat, near, position, file) for position in range(len(flat.header.cells))))


def _field_at(flat: Flat, near: Sequence[Record], position: int, file: str) -> Field | None:
    """Return what a column holds, None if it is not used."""
    cell, meaning = flat.header.cells[position], flat.meaning(position)
    is_measured = meaning is not None and meaning.holds in (*MEASURED, "temperature")
    units = _units_of_cells(near, position) if is_measured or meaning is None else []
    if meaning is None:
        refuse_measured(cell, flat.unit_beneath(position) or (units[0] or "" if units and all(units) else ""), file)
    if meaning is None or meaning.holds in NOT_TAKEN:
        return None
    unit = next(filter(None, units), None)
    said_unit = meaning if meaning.unit or unit is None else replace(meaning, unit=unit)
    field = _field(cell or f"column {position + 1}", position, said_unit, file)
    said = flat.said.get(position)
    if said is None and unit is None:
        return field
    own_units = "" if unit is None else "some" if meaning.unit else "all"
    is_told = said is not None and said.temperature_C is not None
    return replace(field, repeat=said.repeat if said else 0, own_units=own_units, is_told=is_told)


def refuse_measured(cell: str, unit: str, file: str) -> None:
    """Raise ExportError where a header that is not understood has the unit of what is measured."""
    if carries_measured_unit(f"{cell} [{unit}]"):
        raise ExportError(
            file,
            f"column '{shown(cell)}' is not understood, but has a unit of viscosity, density or temperature; "
            '[profile.columns] of lab.toml can say what it holds, or "ignored"',
        )


def _units_of_cells(rows: Sequence[Record], position: int) -> list[str | None]:
    """Return the unit of each cell that holds anything, None for a cell without."""
    cells = [row.cells[position] for row in rows if position < len(row.cells) and row.cells[position].strip()]
    has_any = _UNIT_SIGN.search("".join(cells)) is not None
    return [found[1] if has_any and (found := measure(cell)) else None for cell in cells]


def _ranked(fields: Iterable[Field]) -> list[Field]:
    """Number the repeats of a quantity at a temperature from 1 on."""
    fields = list(fields)
    ranks: dict[tuple[str, float | None], dict[int, int]] = {}
    for one in sorted(fields, key=_stated_repeat):
        known = ranks.setdefault((one.holds, one.temperature_C), {})
        known.setdefault(_stated_repeat(one), len(known) + 1)
    numbered = ((one, ranks[one.holds, one.temperature_C][_stated_repeat(one)]) for one in fields)
    return [one if one.repeat == rank else replace(one, repeat=rank) for one, rank in numbered]


def _stated_repeat(field: Field) -> int:
    return max(field.repeat, 1)


def _field(header: str, position: int, meaning: Meaning, file: str) -> Field:
    if meaning.holds not in (*MEASURED, "temperature"):
        return Field(header, position, meaning.holds)
    column = f"column '{shown(header)}'"
    low, high, _ = LIMITS["temperature"]
    if meaning.temperature_C is not None and not low <= meaning.temperature_C <= high:
        at, lowest, highest = map(celsius, (meaning.temperature_C, low, high))
        raise ExportError(file, f"{column} is for {at}; expected a temperature from {lowest} to {highest}")
    if meaning.holds in ("relative density", "API gravity"):
        return _relative_field(header, position, meaning, file)
    if meaning.unit is None:
        raise ExportError(
            file, f"{column} has no unit; expected one in its header, or in [profile.columns] of lab.toml"
        )
    unit = unit_of(meaning.unit)
    if unit is None or unit.kind not in (meaning.holds, f"kinematic {meaning.holds}", f"dynamic {meaning.holds}"):
        raise ExportError(
            file, f"{column}: '{shown(meaning.unit)}' is no unit of {meaning.holds}; [profile.columns] can say which"
        )
    holds = unit.kind if meaning.holds == "viscosity" else _holds(meaning)
    return Field(header, position, holds, unit, meaning.temperature_C)


def _holds(meaning: Meaning) -> str:
    return "set temperature" if meaning.qualifier == "set" else meaning.holds


def _relative_field(header: str, position: int, meaning: Meaning, file: str) -> Field:
    """Return a column of relative densities or API gravities as densities at their temperature."""
    water = relative_to_water(meaning.water_C) if meaning.water_C is not None else None
    unit = unit_of("°API") if meaning.holds == "API gravity" else water
    if unit is None or meaning.temperature_C is None:
        raise ExportError(
            file,
            f"column '{shown(header)}' has no temperatures of oil and water; expected them in its header, "
            "such as 'SG 60/60 °F', or \"ignored\" in [profile.columns] of lab.toml",
        )
    return Field(header, position, "density", unit, meaning.temperature_C)


def _check_fields(fields: tuple[Field, ...], file: str) -> None:
    seen: dict[tuple[str, float | None, int], Field] = {}
    for field in fields:
        other = seen.setdefault((field.holds, field.temperature_C, field.repeat), field)
        if other is not field and field.holds != "status":
            what = field.holds if field.temperature_C is None else at_celsius(field.holds, field.temperature_C)
            raise ExportError(
                file,
                f"columns '{shown(other.header)}' and '{shown(field.header)}' both hold {what}; expected one, "
                'or "ignored" for the other in [profile.columns] of lab.toml',
            )
    if not any(field.holds in QUANTITIES for field in fields):
        raise ExportError(file, "there is no column with a viscosity or a density; [profile.columns] can name one")


def preamble_of(records: Iterable[Record], columns: Mapping[str, Column], file: str) -> dict[str, tuple[Field, str]]:
    """Return what the lines above a header say for all rows."""
    said: dict[str, tuple[Field, str]] = {}
    for record in records:
        key, value = key_and_value(record.cells)
        key = key if key in columns else key.lstrip("#%/ ") or key  # marks of a comment
        meaning = meaning_at(key, columns.get(key)) if value else None
        if meaning is not None and meaning.holds == "ignored":
            said[f"{key}, ignored,"] = Field(key, -1 - record.line, "ignored"), value
        if meaning is None or meaning.holds not in FOR_ALL_ROWS:
            continue
        if broken := next((cell for cell in record.cells if isinstance(cell, Broken)), None):
            raise ExportError(file, f"line {record.line}: '{shown(broken)}': {broken.expected}")
        unit = unit_of(meaning.unit) if meaning.unit else None
        holds = _holds(meaning)
        if meaning.holds == "temperature" and unit is None:
            found = measure(value)
            if found is None:
                continue
            value, unit = found[0], unit_of(found[1])
        said.setdefault(holds, (Field(key, -1 - record.line, holds, unit), value))
    return said
