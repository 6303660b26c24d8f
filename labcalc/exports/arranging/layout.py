"""A flat table → what its columns hold, what holds for all rows, and what is said in pieces or by the file's name."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import PurePath
from zoneinfo import ZoneInfo

from labcalc.errors import ExportError
from labcalc.exports.arranging.flat import MEASURED, NOT_TAKEN, Field, Flat, between, key_and_value, meaning_at, measure
from labcalc.exports.grammar.units import relative_to_water, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, QUANTITIES, Meaning, carries_measured_unit
from labcalc.exports.profile import FOR_ALL_ROWS, MOMENT_PARTS, Column, Profile
from labcalc.exports.source.sheet import Broken, Typed, stripped
from labcalc.exports.source.text import ContentError, Record, shown
from labcalc.exports.table import TIDY_COLUMNS
from labcalc.exports.values.columns import Rows
from labcalc.exports.values.dates import EPOCH, NO_MOMENT, date_order, instants, parse_moment
from labcalc.exports.values.numbers import figure, reads_two_ways
from labcalc.wording import at_celsius, celsius

BLANK = re.compile(r"\{(\w+)\}")  # a blank in the pattern of a file's name
FILE_NAME = "file name"  # where the values in a file's name stand, for messages
_SECONDS = {"s": 1, "sec": 1, "sek": 1, "seg": 1, "min": 60, "h": 3600}
_LONGEST_S = 1e9


@dataclass(frozen=True)
class Layout:
    """An export taken apart. ``preamble``: what holds for all rows → field and value."""

    header_line: int
    fields: tuple[Field, ...]
    preamble: Mapping[str, tuple[Field, str]]
    rows: Rows
    set_aside: tuple[int, ...]  # lines beneath the header that are no rows: footer, repeated headers
    unused: tuple[str, ...]
    is_tidy: bool

    def of(self, holds: str) -> Field | None:
        """Return the column that holds something, None if none does."""
        return next((field for field in self.fields if field.holds == holds), None)


def lay_out(flat: Flat) -> Layout:
    """Say what the columns of a flat table hold."""
    cells, near = flat.header.cells, flat.near()
    fields = tuple(_ranked(filter(None, (_field_at(flat, near, at) for at in range(len(cells))))))
    _check_fields(fields)
    used = [field.position for field in fields]
    held = {at for row in near for at, cell in enumerate(row.cells) if cell.strip()}
    taken = [one.position for one in fields if one.holds != "status"]
    unused = [cell or f"column {at + 1}" for at, cell in enumerate(cells) if at not in taken and (cell or at in held)]
    rows = Rows(flat.rows, len(cells), sorted({0, *used}))
    if not len(rows):
        raise ContentError(f"there is no row beneath the header in line {flat.header.line}; expected results")
    tidy, aside = tuple(cells) == TIDY_COLUMNS, tuple(sorted(flat.set_aside))
    return Layout(flat.header.line, fields, flat.preamble, rows, aside, (*unused, *flat.unread), tidy)


def problems_of(flat: Flat) -> Iterator[str]:
    """Yield for each column what a refusal would say of it."""
    near = flat.near()
    for position in range(len(flat.header.cells)):
        try:
            _field_at(flat, near, position)
        except ExportError as failure:
            yield failure.problem


def _field_at(flat: Flat, near: Sequence[Record], position: int) -> Field | None:
    """Return what a column holds, None if it is not used."""
    cell, meaning = flat.header.cells[position], flat.meaning(position)
    is_measured = meaning is not None and meaning.holds in (*MEASURED, "temperature")
    units = _units_of_cells(near, position) if is_measured or meaning is None else []
    if meaning is None:
        refuse_measured(cell, flat.unit_beneath(position) or (units[0] or "" if units and all(units) else ""))
    if meaning is None or meaning.holds in NOT_TAKEN:
        return None
    unit = next(filter(None, units), None)
    said_unit = meaning if meaning.unit or unit is None else replace(meaning, unit=unit)
    field = _field(cell or f"column {position + 1}", position, said_unit)
    said = flat.said.get(position)
    if said is None and unit is None:
        return field
    own_units = "" if unit is None else "some" if meaning.unit else "all"
    is_told = said is not None and said.temperature_C is not None
    return replace(field, repeat=said.repeat if said else 0, own_units=own_units, is_told=is_told)


def refuse_measured(cell: str, unit: str) -> None:
    """Raise ExportError where a header that is not understood has the unit of what is measured."""
    if carries_measured_unit(f"{cell} [{unit}]"):
        raise ContentError(
            f"column '{shown(cell)}' is not understood, but has a unit of viscosity, density or temperature; "
            '[profile.columns] of lab.toml can say what it holds, or "ignored"'
        )


def _units_of_cells(rows: Sequence[Record], position: int) -> list[str | None]:
    """Return the unit of each cell that holds anything, None for a cell without."""
    cells = (row.cells[position] for row in rows if position < len(row.cells) and row.cells[position].strip())
    return [found[1] if (found := measure(cell)) else None for cell in cells]


def _ranked(fields: Iterable[Field]) -> list[Field]:
    """Number the repeats of a quantity at a temperature from 1 on."""
    stated = [(max(one.repeat, 1), one) for one in fields]
    ranks: dict[tuple[str, float | None], dict[int, int]] = {}
    for repeat, one in sorted(stated, key=lambda pair: pair[0]):
        known = ranks.setdefault((one.holds, one.temperature_C), {})
        known.setdefault(repeat, len(known) + 1)
    return [replace(one, repeat=ranks[one.holds, one.temperature_C][repeat]) for repeat, one in stated]


def _field(header: str, position: int, meaning: Meaning) -> Field:
    if meaning.holds not in (*MEASURED, "temperature"):
        return Field(header, position, meaning.holds)
    column = f"column '{shown(header)}'"
    low, high, _ = LIMITS["temperature"]
    if meaning.temperature_C is not None and not low <= meaning.temperature_C <= high:
        at, lowest, highest = map(celsius, (meaning.temperature_C, low, high))
        raise ContentError(f"{column} is for {at}; expected a temperature from {lowest} to {highest}")
    if meaning.holds in ("relative density", "API gravity"):
        return _relative_field(header, position, meaning)
    if meaning.unit is None:
        raise ContentError(f"{column} has no unit; expected one in its header, or in [profile.columns] of lab.toml")
    unit = unit_of(meaning.unit)
    if unit is None or unit.kind not in (meaning.holds, f"kinematic {meaning.holds}", f"dynamic {meaning.holds}"):
        problem = f"'{shown(meaning.unit)}' is no unit of {meaning.holds}"
        raise ContentError(f"{column}: {problem}; [profile.columns] can say which")
    holds = unit.kind if meaning.holds == "viscosity" else _holds(meaning)
    return Field(header, position, holds, unit, meaning.temperature_C)


def _holds(meaning: Meaning) -> str:
    return "set temperature" if meaning.qualifier == "set" else meaning.holds


def _relative_field(header: str, position: int, meaning: Meaning) -> Field:
    """Return a column of relative densities or API gravities as densities at their temperature."""
    water = relative_to_water(meaning.water_C) if meaning.water_C is not None else None
    unit = unit_of("°API") if meaning.holds == "API gravity" else water
    if unit is None or meaning.temperature_C is None:
        raise ContentError(
            f"column '{shown(header)}' has no temperatures of oil and water; expected them in its header, "
            "such as 'SG 60/60 °F', or \"ignored\" in [profile.columns] of lab.toml"
        )
    return Field(header, position, "density", unit, meaning.temperature_C)


def _check_fields(fields: tuple[Field, ...]) -> None:
    seen: dict[tuple[str, float | None, int], Field] = {}
    for field in fields:
        other = seen.setdefault((field.holds, field.temperature_C, field.repeat), field)
        if other is not field and field.holds != "status":
            what = field.holds if field.temperature_C is None else at_celsius(field.holds, field.temperature_C)
            raise ContentError(
                f"columns '{shown(other.header)}' and '{shown(field.header)}' both hold {what}; expected one, "
                'or "ignored" for the other in [profile.columns] of lab.toml'
            )
    if not any(field.holds in QUANTITIES for field in fields):
        raise ContentError("there is no column with a viscosity or a density; [profile.columns] can name one")


def preamble_of(records: Iterable[Record], columns: Mapping[str, Column]) -> dict[str, tuple[Field, str]]:
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
            raise ContentError(f"line {record.line}: '{shown(broken)}': {broken.expected}")
        unit = unit_of(meaning.unit) if meaning.unit else None
        holds = _holds(meaning)
        if meaning.holds == "temperature" and unit is None:
            found = measure(value)
            if found is None:
                continue
            value, unit = found[0], unit_of(found[1])
        said.setdefault(holds, (Field(key, -1 - record.line, holds, unit), value))
    return said


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
