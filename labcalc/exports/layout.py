"""Records → where the header, the preamble, the units, the rows and the footer are, and what each column holds."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from labcalc.errors import ExportError
from labcalc.exports.profile import Column
from labcalc.exports.records import Record
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.exports.text import shown
from labcalc.exports.vocabulary import FOOTER, QUANTITIES, Meaning, Unit, meaning_of, unit_of

_MEASURED = (*QUANTITIES, "viscosity")
_FOR_ALL_ROWS = (
    "sample", "product", "lot", "role", "measured_at", "date", "time", "instrument", "operator", "run", "temperature",
    "remark",
)  # fmt: skip
"""What a line above the header may say for all rows."""


@dataclass(frozen=True)
class Field:
    """A column of the export: header as written, position, what it holds, and unit."""

    header: str
    position: int
    holds: str
    unit: Unit | None = None
    temperature_C: float | None = None


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


def header_of(records: Iterable[Record], columns: Mapping[str, Column]) -> tuple[int, int] | None:
    """Return place and number of recognised columns of the first record that reads as a header, None if none does."""
    for place, record in enumerate(records):
        meanings = [_meaning(cell, columns) for cell in record.cells]
        known = [one for one in meanings if one is not None and one.holds != "ignored"]
        if len(known) >= 2 and any(one.holds in _MEASURED for one in known):
            return place, len(known)
    return None


def lay_out(records: list[Record], place: int, columns: Mapping[str, Column], file: str) -> Layout:
    """Take the records apart around the header at ``place``."""
    header = records[place]
    cells = [cell.strip() for cell in header.cells]
    width = max((number for number, cell in enumerate(cells, 1) if cell), default=0)
    _check_profile(columns, cells, file)
    first, units = _units_beneath(records, place)
    fields = tuple(_fields(cells[:width], units, columns, file))
    _check_fields(fields, file)
    told = [field.position for field in fields if field.holds in _TOLD_OF_A_ROW]
    rows, aside = _rows(records[first:], cells, units, width, told)
    if not rows:
        raise ExportError(file, f"there is no row beneath the header in line {header.line}; expected results")
    used = {field.position for field in fields}
    unused = tuple(cell for at, cell in enumerate(cells[:width]) if cell and at not in used)
    tidy = tuple(cells[:width]) == TIDY_COLUMNS
    preamble = _preamble(records[:place], columns)
    return Layout(header.line, width, fields, preamble, tuple(rows), tuple(aside), unused, tidy)


def _meaning(cell: str, columns: Mapping[str, Column]) -> Meaning | None:
    said = columns.get(cell) or columns.get(cell.strip())
    return meaning_of(cell.strip()) if said is None else Meaning(said.holds, said.unit, said.temperature_C)


def _check_profile(columns: Mapping[str, Column], cells: list[str], file: str) -> None:
    for name in columns:
        if name.strip() not in cells:
            close = difflib.get_close_matches(name, [cell for cell in cells if cell], n=1)
            hint = (
                f"did you mean '{shown(close[0])}'?"
                if close
                else f"it has {', '.join(map(shown, filter(None, cells)))}"
            )
            raise ExportError(file, f"there is no column '{shown(name)}', which [profile.columns] names; {hint}")


def _units_beneath(records: list[Record], place: int) -> tuple[int, list[str]]:
    for at in range(place + 1, len(records)):
        cells = [cell.strip() for cell in records[at].cells]
        filled = [cell for cell in cells if cell.strip("-–")]
        if not filled:
            if any(cells):
                break
            continue
        if all(unit_of(cell) for cell in filled):
            return at + 1, cells
        break
    return place + 1, []


def _fields(cells: list[str], units: list[str], columns: Mapping[str, Column], file: str) -> Iterable[Field]:
    for position, cell in enumerate(cells):
        meaning = _meaning(cell, columns)
        if meaning is None or meaning.holds == "ignored":
            continue
        beneath = units[position] if position < len(units) else ""
        if meaning.unit is None and beneath.strip("-–"):
            meaning = replace(meaning, unit=beneath)
        yield _field(cell, position, meaning, file)


def _field(header: str, position: int, meaning: Meaning, file: str) -> Field:
    if meaning.holds not in (*_MEASURED, "temperature"):
        return Field(header, position, meaning.holds)
    column = f"column '{shown(header)}'"
    if meaning.unit is None:
        raise ExportError(
            file, f"{column} has no unit; expected one in its header, or in [profile.columns] of lab.toml"
        )
    unit = unit_of(meaning.unit)
    kind = meaning.holds if meaning.holds != "viscosity" or unit is None else unit.kind
    if unit is None or unit.kind != kind or (meaning.holds == "viscosity" and "viscosity" not in kind):
        raise ExportError(
            file, f"{column}: '{shown(meaning.unit)}' is no unit of {meaning.holds}; [profile.columns] can say which"
        )
    return Field(header, position, kind, unit, meaning.temperature_C)


def _check_fields(fields: tuple[Field, ...], file: str) -> None:
    seen: dict[tuple[str, float | None], Field] = {}
    for field in fields:
        other = seen.setdefault((field.holds, field.temperature_C), field)
        if other is not field:
            what = field.holds if field.temperature_C is None else f"{field.holds} at {field.temperature_C:g} °C"
            raise ExportError(
                file,
                f"columns '{shown(other.header)}' and '{shown(field.header)}' both hold {what}; expected one, "
                'or "ignored" for the other in [profile.columns] of lab.toml',
            )
    if not any(field.holds in QUANTITIES for field in fields):
        raise ExportError(file, "there is no column with a viscosity or a density; [profile.columns] can name one")


def _preamble(records: list[Record], columns: Mapping[str, Column]) -> dict[str, tuple[Field, str]]:
    said: dict[str, tuple[Field, str]] = {}
    for record in records:
        key, value = _key_and_value(record.cells)
        meaning = _meaning(key, columns) if value else None
        if meaning is None or meaning.holds not in _FOR_ALL_ROWS:
            continue
        unit = unit_of(meaning.unit) if meaning.unit else None
        if meaning.holds == "temperature" and unit is None:
            number = re.fullmatch(r"(?P<figure>\S+)\s*(?P<unit>\D+)", value)
            unit = unit_of(number["unit"]) if number else None
            value = number["figure"] if number else value
            if unit is None:
                continue
        said.setdefault(meaning.holds, (Field(key, -1 - record.line, meaning.holds, unit), value))
    return said


def _key_and_value(cells: list[str]) -> tuple[str, str]:
    filled = [cell.strip() for cell in cells if cell.strip()]
    if len(filled) == 1 or (filled and ":" in filled[0].rstrip(":") and _FIRST_WORD.match(filled[0])):
        key, _, value = ",".join(cells).strip(" ,").partition(":")
        return key.strip(), value.strip()
    return (filled[0].rstrip(": "), filled[1]) if filled else ("", "")


_FIRST_WORD = re.compile(r"[^\W\d][\w ]*:\s")


def _rows(
    records: list[Record], header: list[str], units: list[str], width: int, told: list[int]
) -> tuple[list[Record], list[int]]:
    rows: list[Record] = []
    aside: list[int] = []
    blank_at = 0
    for record in records:
        first = next((cell for cell in record.cells if cell.strip()), None)
        if first is None and record.flaw is None:
            blank_at = record.line
        elif first is not None and _is_no_row(record, first.strip(), header, units, width, told):
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


def _is_no_row(record: Record, first: str, header: list[str], units: list[str], width: int, told: list[int]) -> bool:
    if first == next(filter(None, header)) and [cell.strip() for cell in record.cells] == header:
        return True
    if units and unit_of(first) and [cell.strip() for cell in record.cells] == units:
        return True
    if not FOOTER.fullmatch(first):
        return False
    if len(record.cells) < width or sum(bool(cell.strip()) for cell in record.cells) == 1:
        return True
    is_told = bool(told) and all(record.cells[at].strip() for at in told)
    return _SUMS.match(first) is not None and not is_told


_TOLD_OF_A_ROW = ("temperature", "measured_at", "date", "time", "run", "replicate")
"""What a sum or a mean has not: a line that begins as one, but has all of these, is of a sample with that name."""
_SUMS = re.compile(
    r"(sum|total|mean|average|std|standard dev|min|max|summe|mittelwert|moyenne|media|média)", re.IGNORECASE
)
