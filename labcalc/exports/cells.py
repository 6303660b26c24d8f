"""A laid-out export column by column: numbers, moments and texts of each row, and the first problem of each row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from labcalc.errors import ExportError
from labcalc.exports.dates import date_order, localised, parse_moment
from labcalc.exports.layout import Field, Layout
from labcalc.exports.numbers import decimal_sign, figure, half_unit, may_be_a_slip, proves_thousands
from labcalc.exports.profile import Profile
from labcalc.exports.sheet import Typed
from labcalc.exports.table import Refusal
from labcalc.exports.text import shown
from labcalc.exports.vocabulary import LIMITS

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_NAT = np.iinfo(np.int64).min
_SIGNIFICANT = ".12g"
"""Figures kept by a conversion: more than are ever printed, fewer than show the binary fraction."""
_YEARS = (1950, 2100)


@dataclass
class Problems:
    """The first offending cell of each refused row."""

    file: str
    found: dict[int, tuple[int, Refusal]] = field(default_factory=dict)

    def add(self, row: int, line: int, at: int, column: str | None, value: str | None, expected: str) -> None:
        """Note a problem; of two in a row, that in the column further left stays."""
        if row not in self.found or at < self.found[row][0]:
            name = None if column is None else shown(column)
            cell = None if value is None else shown(value)
            self.found[row] = at, Refusal(self.file, line, name, cell, expected)


class Cells:
    """Access to the columns of a layout by what they hold."""

    def __init__(self, layout: Layout, profile: Profile, file: str, delimiter: str) -> None:
        self.layout, self.profile, self.file = layout, profile, file
        self.lines = [record.line for record in layout.rows]
        self.problems = Problems(file)
        self._is_text = bool(delimiter)
        self._check_shape()
        self._rows = [record.cells + [""] * (layout.width - len(record.cells)) for record in layout.rows]
        self.decimal = decimal_sign(self._numeric(), profile.decimal, delimiter, file)
        self._has_thousands = (profile.thousands or profile.decimal) is not None or any(
            proves_thousands(cell, self.decimal) for _, column, _ in self._numeric() for cell in column
        )

    def __len__(self) -> int:
        return len(self.lines)

    def note(self, row: int, field_: Field, value: str | None, expected: str) -> None:
        """Note what is wrong with a cell."""
        self.problems.add(row, self.lines[row], field_.position, field_.header, value, expected)

    def texts(self, field_: Field) -> list[str]:
        """Return the cells of a column; a preamble's value for every row."""
        if field_.position < 0:
            return [self.layout.preamble[field_.holds][1]] * len(self)
        at = field_.position
        if self.layout.is_tidy and self._is_text:
            return [_unprotected(row[at]) for row in self._rows]
        if self.layout.is_tidy:
            return [row[at] for row in self._rows]
        return [cell if type(cell := row[at]) is Typed else cell.strip() for row in self._rows]

    def texts_at(self, field_: Field, row: int) -> str:
        """Return one cell of a column."""
        return self._rows[row][field_.position].strip()

    def where(self, holds: str) -> Field | None:
        """Return the column that holds something, or else the line above the header that says it for all rows."""
        return self.layout.of(holds) or (self.layout.preamble[holds][0] if holds in self.layout.preamble else None)

    def text(self, holds: str, default: str | None = None) -> list[str | None]:
        """Return the texts of all rows; None where there is none."""
        place = self.where(holds)
        return [default] * len(self) if place is None else [cell or None for cell in self.texts(place)]

    def numbers(self, field_: Field) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the values in the tidy table's unit and half a unit of their last printed place."""
        values, halves = np.full(len(self), np.nan), np.full(len(self), np.nan)
        unit = field_.unit
        assert unit is not None
        low, high, name = LIMITS[field_.holds]
        possible = _possible(field_)
        thousands, decimal = self.profile.thousands, self.decimal
        for row, cell in enumerate(self.texts(field_)):
            if not cell:
                continue
            value = figure(cell, decimal, thousands)
            if value is None:
                self.note(row, field_, cell, f"expected a number with decimal {'comma' if decimal == ',' else 'point'}")
                continue
            if not self._has_thousands and may_be_a_slip(cell, decimal, possible):
                self.note(
                    row, field_, cell, "reads two ways, with decimal or thousands sign; profile.thousands says which"
                )
                continue
            if unit.factor != 1.0 or unit.offset:
                value = float(format(value * unit.factor + unit.offset, _SIGNIFICANT))
            if not low <= value <= high:
                self.note(row, field_, cell, f"expected a {field_.holds} from {low:.10g} to {high:.10g} {name}")
                continue
            values[row], halves[row] = value, half_unit(cell, decimal) * unit.factor
            if type(cell) is Typed:
                halves[row] = -halves[row]
        typed = halves < 0
        if typed.any():  # a workbook doesn't keep the zeros at the end: the column's finest place stands for all
            halves[typed] = -halves[typed].max()
        return values, halves

    def replicates(self) -> list[int | None]:
        """Return the numbers of the repeats; None where the export has none."""
        place = self.where("replicate")
        if place is None:
            return [None] * len(self)
        numbers: list[int | None] = []
        for row, cell in enumerate(self.texts(place)):
            good = cell.isascii() and cell.isdigit() and 0 < len(cell) < 10 and int(cell) > 0
            if cell and not good:
                self.note(row, place, cell, "expected the number of the repeat: 1, 2, 3 ...")
            numbers.append(int(cell) if good else None)
        return numbers

    def moments(self, zone: ZoneInfo) -> NDArray[np.int64]:
        """Return the moments in microseconds since 1970, UTC; the smallest integer where there is none."""
        found = np.full(len(self), _NAT)
        day, clock = self.where("measured_at") or self.where("date"), self.where("time")
        if day is None:
            if clock is not None:
                raise ExportError(self.file, f"column '{shown(clock.header)}' has times, but no date stands beside it")
            return found
        days = self.texts(day)
        clocks = self.texts(clock) if clock is not None and day.holds == "date" else [""] * len(self)
        order = date_order(days, self.profile.date_order, day.header, self.file)
        known: dict[tuple[str, str], int | str] = {}
        for row, pair in enumerate(zip(days, clocks, strict=True)):
            if not pair[0]:
                if pair[1] and clock is not None:
                    self.note(row, day, None, "expected a date beside the time")
                continue
            if pair not in known:
                known[pair] = _moment(pair, order, zone)
            moment = known[pair]
            if isinstance(moment, int):
                found[row] = moment
            else:
                self.note(row, day, " ".join(filter(None, pair)), moment)
        return found

    def _numeric(self) -> list[tuple[str, list[str], Callable[[float], bool]]]:
        return [(one.header, self.texts(one), _possible(one)) for one in self.layout.fields if one.unit is not None]

    def _check_shape(self) -> None:
        width = self.layout.width
        for row, record in enumerate(self.layout.rows):
            cells = record.cells
            expected = _fault_of_shape(record.flaw, cells, width, record.ended)
            if expected is not None:
                last = next((cell for cell in reversed(cells) if cell.strip()), "")
                self.problems.add(row, record.line, -(10**6), None, last, expected)


def _fault_of_shape(flaw: str | None, cells: list[str], width: int, ended: bool) -> str | None:
    if flaw is not None:
        return f"{flaw}; expected a row of {width} cells"
    if len(cells) < width:
        cut = "" if ended else ", and the file ends within the line: it may be cut off"
        return f"the row ends here, with {len(cells)} cells; expected {width}{cut}"
    if len(cells) > width and any(cell.strip() for cell in cells[width:]):
        return f"the row has {len(cells)} cells; expected {width}"
    if any("\0" in cell for cell in cells):
        return "the row is damaged (NUL characters); expected text"
    return None


def _possible(field_: Field) -> Callable[[float], bool]:
    low, high, _ = LIMITS[field_.holds]
    unit = field_.unit
    assert unit is not None
    factor, offset = unit.factor, unit.offset
    return lambda value: low <= value * factor + offset <= high


def _moment(pair: tuple[str, str], order: str | None, zone: ZoneInfo) -> int | str:
    moment = parse_moment(*pair, order) if len(pair[0]) < 60 and len(pair[1]) < 60 else None
    if moment is None or not _YEARS[0] <= moment.year <= _YEARS[1]:
        return "expected a date and time that exist, such as 2026-03-31 14:05"
    local = localised(moment, zone)
    if local is None:
        return f"the clocks of {zone.key} change then: that time comes twice or never; expected one with its offset"
    return (local - _EPOCH) // _MICROSECOND


def _unprotected(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell.lstrip("'")[:1] in set("=+-@\t\r") else cell
