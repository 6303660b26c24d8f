"""Records → where the header, the preamble, the units, the rows and the footer are, and what each column holds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field as made_by, replace
from itertools import islice

from labcalc.errors import ExportError
from labcalc.exports.names import key_and_value
from labcalc.exports.profile import FOR_ALL_ROWS, Column
from labcalc.exports.records import Record
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.exports.text import shown
from labcalc.exports.units import Unit, relative_to_water, unit_of
from labcalc.exports.vocabulary import FOOTER, QUANTITIES, Meaning, carries_measured_unit, meaning_of
from labcalc.wording import at_celsius

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


@dataclass
class Flat:
    """An export as one table: header, the units of its columns, what the profile says of them, rows."""

    header: Record
    units: list[str]
    said: dict[int, Column]
    rows: Sequence[Record]
    preamble: dict[str, tuple[Field, str]] = made_by(default_factory=dict)
    set_aside: list[int] = made_by(default_factory=list)

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

    def add(self, columns: Mapping[str, Column], values: Callable[[Record], list[str]]) -> None:
        """Add columns at the right; a row whose shape is wrong keeps its cells."""
        width = len(self.header.cells)
        self.header = replace(self.header, cells=[*self.header.cells, *columns])
        self.said = self.said | dict(enumerate(columns.values(), width))
        self.rows = [
            replace(row, cells=[*row.cells[:width], *values(row)]) if (flaw := row.fault(width)) is None
            else replace(row, flaw=flaw)
            for row in self.rows
        ]  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """An export taken apart. ``preamble``: what holds for all rows → field and value."""

    header_line: int
    width: int
    fields: tuple[Field, ...]
    preamble: Mapping[str, tuple[Field, str]]
    rows: tuple[Record, ...]
    set_aside: tuple[int, ...]
    """Lines beneath the header that are no rows: footer, repeated headers."""
    unused: tuple[str, ...]
    is_tidy: bool

    def of(self, holds: str) -> Field | None:
        """Return the column that holds something, None if none does."""
        return next((field for field in self.fields if field.holds == holds), None)


def lay_out(flat: Flat, file: str) -> Layout:
    """Say what the columns of a flat table hold."""
    if not flat.rows:
        raise ExportError(file, f"there is no row beneath the header in line {flat.header.line}; expected results")
    cells = flat.header.cells
    fields = tuple(_ranked(_fields(flat, file)))
    _check_fields(fields, file)
    used = {field.position for field in fields}
    unused = tuple(cell for at, cell in enumerate(cells) if cell and at not in used)
    tidy, aside = tuple(cells) == TIDY_COLUMNS, tuple(sorted(flat.set_aside))
    return Layout(flat.header.line, len(cells), fields, flat.preamble, tuple(flat.rows), aside, unused, tidy)


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


def measure(cell: str) -> tuple[str, str] | None:
    """Return figure and unit of a cell that has both: '46.12 mm²/s'; None for any other."""
    found = _MEASURE.fullmatch(cell.strip()) if len(cell) < 60 else None
    if found is None or not unit_of(found[2]):
        return None
    return type(cell)(found[1].strip()), found[2].strip()


def units_beneath(records: list[Record], place: int) -> tuple[int, list[str]]:
    """Return the place of the first row beneath a header, and the units where a line of them stands between."""
    for at in range(place + 1, len(records)):
        cells = [cell.strip() for cell in records[at].cells]
        filled = [cell for cell in cells if cell.strip("-–")]
        if not any(cells) or is_rule(records[at]):
            continue
        if filled and all(unit_of(cell) for cell in filled):
            return at + 1, cells
        break
    return place + 1, []


def _fields(flat: Flat, file: str) -> Iterable[Field]:
    for position, cell in enumerate(flat.header.cells):
        meaning = flat.meaning(position)
        if meaning is None:
            refuse_measured(cell, flat.unit_beneath(position), file)
        if meaning is None or meaning.holds in NOT_TAKEN:
            continue
        header = cell or f"column {position + 1}"
        unit = _unit_of_cells(flat.rows, position) if meaning.holds in (*MEASURED, "temperature") else None
        field = _field(header, position, replace(meaning, unit=meaning.unit or unit), file)
        said = flat.said.get(position)
        own_units = "" if unit is None else "some" if meaning.unit else "all"
        yield replace(field, repeat=said.repeat if said else 0, own_units=own_units)


def refuse_measured(cell: str, unit: str, file: str) -> None:
    """Raise ExportError where a header that is not understood has the unit of what is measured."""
    if carries_measured_unit(f"{cell} [{unit}]"):
        raise ExportError(
            file,
            f"column '{shown(cell)}' is not understood, but has a unit of viscosity, density or temperature; "
            '[profile.columns] of lab.toml can say what it holds, or "ignored"',
        )


def _unit_of_cells(rows: Sequence[Record], position: int) -> str | None:
    cells = (row.cells[position] for row in islice(rows, _NEAR) if position < len(row.cells))
    return next((found[1] for cell in cells if (found := measure(cell))), None)


def _ranked(fields: Iterable[Field]) -> list[Field]:
    """Number the repeats of a quantity at a temperature from 1 on."""
    fields = [replace(one, repeat=max(one.repeat, 1)) for one in fields]
    ranks: dict[tuple[str, float | None], dict[int, int]] = {}
    for one in sorted(fields, key=lambda one: one.repeat):
        known = ranks.setdefault((one.holds, one.temperature_C), {})
        known.setdefault(one.repeat, len(known) + 1)
    return [replace(one, repeat=ranks[one.holds, one.temperature_C][one.repeat]) for one in fields]


def _field(header: str, position: int, meaning: Meaning, file: str) -> Field:
    if meaning.holds not in (*MEASURED, "temperature"):
        return Field(header, position, meaning.holds)
    column = f"column '{shown(header)}'"
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
        if other is not field:
            what = field.holds if field.temperature_C is None else at_celsius(field.holds, field.temperature_C)
            raise ExportError(
                file,
                f"columns '{shown(other.header)}' and '{shown(field.header)}' both hold {what}; expected one, "
                'or "ignored" for the other in [profile.columns] of lab.toml',
            )
    if not any(field.holds in QUANTITIES for field in fields):
        raise ExportError(file, "there is no column with a viscosity or a density; [profile.columns] can name one")


def preamble_of(records: Iterable[Record], columns: Mapping[str, Column]) -> dict[str, tuple[Field, str]]:
    """Return what the lines above a header say for all rows."""
    said: dict[str, tuple[Field, str]] = {}
    for record in records:
        key, value = key_and_value(record.cells)
        meaning = meaning_at(key, columns.get(key)) if value else None
        if meaning is None or meaning.holds not in FOR_ALL_ROWS:
            continue
        unit = unit_of(meaning.unit) if meaning.unit else None
        holds = _holds(meaning)
        if meaning.holds == "temperature" and unit is None:
            found = measure(value)
            if found is None:
                continue
            value, unit = found[0], unit_of(found[1])
        said.setdefault(holds, (Field(key, -1 - record.line, holds, unit), value))
    return said


def rows_beneath(
    records: Iterable[Record], repeated: Sequence[list[str]], width: int, told: list[int]
) -> tuple[list[Record], list[int]]:
    """Return the rows, and the lines of what is none: footers, rules, repeated headers, notes at the end."""
    rows: list[Record] = []
    aside: list[int] = []
    firsts = {next(filter(None, cells), "") for cells in repeated}
    blank_at = 0
    for record in records:
        first = next((cell.strip() for cell in record.cells if cell.strip()), None)
        if first is None and record.flaw is None:
            blank_at = record.line
        elif first is not None and (
            (first in firsts and [cell.strip() for cell in record.cells] in repeated)
            or _is_no_row(record, first, width, told)
        ):
            aside.append(record.line)
        else:
            rows.append(record)
    return _without_notes(rows, aside, blank_at, width)


def _without_notes(rows: list[Record], aside: list[int], blank_at: int, width: int) -> tuple[list[Record], list[int]]:
    """Set aside what stands at the end beneath the last blank line, if no line of it is a whole row."""
    notes = [record for record in rows if record.line > blank_at > 0]
    if len(notes) == len(rows) or not all(_is_note(record, width) for record in notes):
        return rows, aside
    return rows[: len(rows) - len(notes)], sorted([*aside, *(record.line for record in notes)])


def _is_note(record: Record, width: int) -> bool:
    filled = sum(bool(cell.strip()) for cell in record.cells)
    return record.ended and record.flaw is None and (filled == 1 or (filled == 2 and len(record.cells) < width))


def _is_no_row(record: Record, first: str, width: int, told: list[int]) -> bool:
    if first[0] in _DRAWN and is_rule(record):
        return True
    if not FOOTER.fullmatch(first):
        return False
    if len(record.cells) < width or sum(bool(cell.strip()) for cell in record.cells) == 1:
        return True
    is_told = bool(told) and all(record.cells[at].strip() for at in told)
    return _SUMS.match(first) is not None and not is_told


def is_rule(record: Record) -> bool:
    """Tell whether a line is drawn, not written."""
    filled = [cell.strip() for cell in record.cells if cell.strip()]
    return bool(filled) and len(filled[0]) > 2 and all(not cell.strip(_DRAWN) for cell in filled)


_DRAWN = "-–—=_*+| "


TOLD_OF_A_ROW = ("temperature", "measured_at", "date", "time", "run", "replicate")
"""What a sum or a mean has not: a line that begins as one, but has all of these, is of a sample with that name."""
_SUMS = re.compile(
    r"(sum|total|mean|average|std|standard dev|min|max|summe|mittelwert|moyenne|media|média)", re.IGNORECASE
)
