"""A laid-out export column by column: numbers, moments and texts of each row, and the first problem of each row."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from labcalc.exports.arranging.flat import Field, measure
from labcalc.exports.arranging.layout import Layout
from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS
from labcalc.exports.profile import Profile
from labcalc.exports.source.sheet import Broken, Typed, as_moment, stripped
from labcalc.exports.source.text import ContentError, shown
from labcalc.exports.table import Refusal
from labcalc.exports.values import dates, numbers
from labcalc.exports.values.columns import MOST_REFUSED, Column, joined
from labcalc.wording import plain

_NOT_WHOLE = -(10**6)  # in the place of a column's position: cells may stand in the wrong column, or be cut off
_MISSING = "; all of the row is refused, unless profile.missing names it"


class Cells:
    """Access to the columns of a layout by what they hold."""

    def __init__(self, layout: Layout, profile: Profile, file: str, delimiter: str, zone: ZoneInfo) -> None:
        self.layout, self.profile, self.file, self.zone = layout, profile, file, zone
        self.lines = layout.rows.lines
        self.refused: dict[int, tuple[int, int, str | None, str | None, str]] = {}  # row → position, line, header, text
        self.doubled = np.zeros(len(self.lines), bool)  # repeat a row above in every cell, its time too
        self._is_text = bool(delimiter)
        for row, last, expected in layout.rows.faults:
            self._refuse(row, _NOT_WHOLE, int(self.lines[row]), None, last, expected)
        columns = layout.rows.columns()
        self._columns = {one.position: self._prepared(one, columns.pop(one.position)) for one in layout.fields}
        self._first = columns.get(0)
        numeric = [(one.header, *_counted(self.column(one), one, one.unit)) for one in layout.fields if one.unit]
        self.decimal = numbers.decimal_sign(numeric, "." if layout.is_tidy else profile.decimal, delimiter)
        self._has_thousands = (profile.thousands or profile.decimal) is not None or any(
            numbers.proves_thousands(cell, self.decimal) for _, column, _ in numeric for cell, _ in column
        )

    def __len__(self) -> int:
        return len(self.lines)

    @property
    def good(self) -> NDArray[np.bool_]:
        """Whether each row has no problem so far."""
        good = ~self.doubled
        good[list(self.refused)] = False
        return good

    def note(self, row: int, field_: Field, value: str | None, expected: str) -> None:
        """Note what is wrong with a cell."""
        origins = self.layout.rows.origins.get(row, ())
        origin = origins[field_.position] if 0 <= field_.position < len(origins) else None
        line, column = origin or (int(self.lines[row]), field_.header)
        self._refuse(row, field_.position, line, column, value, expected)

    def _refuse(self, row: int, at: int, line: int, column: str | None, value: str | None, expected: str) -> None:
        """Note a problem; of two in a row, that in the column further left stays."""
        if row not in self.refused or at < self.refused[row][0]:
            self.refused[row] = at, line, column, value, expected
        if len(self.refused) > MOST_REFUSED:
            place = str(self.refusal(min(self.refused))).removeprefix(f"{self.file}, ")
            raise ContentError(f"over {MOST_REFUSED:,} rows are refused, the first: {place}")

    def refusal(self, row: int, sample: str = "", moment: int = int(dates.NO_MOMENT)) -> Refusal:
        """Return why a row is refused. moment : [µs] since 1970, UTC, as in ``moments``."""
        at, line, *texts, expected = self.refused[row]
        column, value = (text if text is None else shown(text) for text in texts)
        is_known = moment != dates.NO_MOMENT and at != _NOT_WHOLE
        when = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=moment) if is_known else None
        return Refusal(self.file, line, column, value, expected, self.layout.rows.sheets.get(row, ""), sample, when)

    def column(self, field_: Field) -> Column:
        """Return the texts of a column; a preamble's value for every row."""
        if field_.position < 0:
            return Column.all_of(self.layout.preamble[field_.holds][1], len(self))
        return self._columns[field_.position]

    def cell(self, field_: Field, row: int) -> str:
        """Return one cell of a column."""
        column = self.column(field_)
        return column.distinct[int(column.at[row])]

    def first(self, row: int) -> str:
        """Return the first cell of a row, also of a column that isn't used."""
        return "" if self._first is None else self._first.distinct[int(self._first.at[row])].strip()

    def where(self, holds: str) -> Field | None:
        """Return the column that holds something, or else the line above the header that says it for all rows."""
        return self.layout.of(holds) or (self.layout.preamble[holds][0] if holds in self.layout.preamble else None)

    @cached_property
    def texts(self) -> dict[str, Column]:
        """The texts of all rows that go into the tidy table as they are, by what they hold."""
        names = ("sample", "product", "lot", "role", "remark", "instrument", "operator")
        return {name: self.text(name) for name in names}

    def text(self, holds: str) -> Column:
        """Return the texts of all rows, empty where there is none."""
        place = self.where(holds)
        return self.column(place) if place is not None else Column.all_of("", len(self))

    def numbers(self, field_: Field) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the values in the tidy table's unit and half a unit of their last printed place."""
        column = self.column(field_)
        values, halves, factors = (np.full(len(column.distinct), np.nan) for _ in range(3))
        typed: dict[int, str] = {}
        wrong: dict[int, str] = {}
        for place, written in ((at, text) for at, text in enumerate(column.distinct) if text):
            cell, unit = _apart(written, field_) if field_.own_units else (written, field_.unit)
            value, expected = self._number(cell, unit, field_)
            if expected is not None or unit is None:
                wrong[place] = expected or ""
                continue
            values[place], halves[place], factors[place] = value, numbers.half_unit(cell, self.decimal), unit.factor
            if type(cell) is Typed and not self.layout.is_tidy:
                typed[place] = cell
        halves[[*typed]] = numbers.typed_half_units([*typed.values()])
        self._note_all(field_, column, wrong)
        return values[column.at], (halves * factors)[column.at]

    def _number(self, cell: str, unit: Unit | None, field_: Field) -> tuple[float, str | None]:
        """Return the value of a cell in the tidy table's unit, or what was expected."""
        value = numbers.figure(cell, self.decimal, self.profile.thousands)
        if value is None or unit is None:
            also = f", and a unit of {field_.holds}" if field_.own_units else ""
            also += "" if any(map(str.isdigit, cell)) or unit is None else _MISSING
            return 0.0, f"expected a number with decimal {'comma' if self.decimal == ',' else 'point'}{also}"
        if not self._has_thousands and numbers.may_be_a_slip(cell, self.decimal, _possible(field_.holds, unit)):
            return 0.0, "reads two ways, with decimal or thousands sign; profile.thousands says which"
        value = unit.converted(value)
        low, high, name = LIMITS[field_.holds]
        if not low <= value <= high:
            meant = "; is it in g/cm³?" if name == "kg/m³" and low <= 1000.0 * value <= high else ""
            return 0.0, f"expected a {field_.holds} from {plain(low, 10)} to {plain(high, 10)} {name}{meant}"
        return value, None

    @cached_property
    def replicates(self) -> NDArray[np.float64]:
        """The numbers of the repeats; NaN where the export has none."""
        place = self.where("replicate")
        if place is None:
            return np.broadcast_to(np.nan, len(self))
        column = self.column(place)
        good = [one.isascii() and one.isdigit() and len(one) < 10 and int(one) > 0 for one in column.distinct]
        numbers = [float(one) if fine else np.nan for one, fine in zip(column.distinct, good, strict=True)]
        expected = "expected the number of the repeat: 1, 2, 3 ..."
        self._note_all(place, column, {at: expected for at, one in enumerate(column.distinct) if one and not good[at]})
        return np.array(numbers)[column.at]

    @cached_property
    def moments(self) -> NDArray[np.int64]:
        """The moments in microseconds since 1970, UTC; the smallest integer where there is none."""
        day, clock = self.where("measured_at") or self.where("date"), self.where("time")
        if day is None and clock is not None and not any(map(dates.parse_time, self._told(clock).distinct)):
            day, clock = clock, None
        if day is None:
            if clock is not None:
                raise ContentError(f"column '{shown(clock.header)}' has times, but no date stands beside it")
            return np.broadcast_to(dates.NO_MOMENT, len(self))
        days = self._told(day)
        at, pairs = days.at, [(text, "") for text in days.distinct]
        if clock is not None and day.holds == "date":
            clocks = self._told(clock)
            both, at = np.unique(joined(days.at, clocks.at), return_inverse=True)
            span = int(clocks.at.max()) + 1
            pairs = [(days.distinct[one // span], clocks.distinct[one % span]) for one in both.tolist()]
        told = [" ".join(filter(None, pair)) if pair[0] else "" for pair in pairs]
        local, order = dates.plain_moments(told), None
        if local is None:
            order = dates.date_order(days.distinct, self.profile.date_order, day.header)
            found = dates.instants([_moment(*pair, order) for pair in pairs], self.zone)
        else:
            found = dates.localised(local, self.zone)
        wrong = {}
        for place in np.flatnonzero(found == dates.NO_MOMENT).tolist():
            if any(pairs[place]):
                wrong[place] = _what_was_expected(pairs[place][0], _moment(*pairs[place], order), self.zone)
        self._note_all(day, Column(told, at), wrong)
        return found[at]

    def _told(self, field_: Field) -> Column:
        return self.column(field_).changed(as_moment)

    def note_doubled(self) -> None:
        """Note the rows that are doubled; a file without any seconds in its times tells none."""
        moments = self.moments
        known = moments != dates.NO_MOMENT
        if not (moments[known] % 60_000_000).any():
            return
        order = np.argsort(moments, kind="stable")
        same = moments[order][1:] == moments[order][:-1]
        rows = np.sort(order[np.append(same, False) | np.append(False, same)])
        rows = rows[known[rows] & self.good[rows]]
        if len(rows):
            _, first = np.unique(joined(*(one.at[rows] for one in self._columns.values())), return_index=True)
            self.doubled[np.delete(rows, first)] = True

    def _note_all(self, field_: Field, column: Column, wrong: dict[int, str]) -> None:
        for row in column.rows_of(wrong) if wrong else ():
            place = column.at[row]
            self.note(row, field_, column.distinct[place] or None, wrong[place])

    def _prepared(self, field_: Field, column: Column) -> Column:
        """Return a column without the blanks around its texts, or with, if it is of a table of labcalc's own."""
        if self.layout.is_tidy and self._is_text:
            return column.changed(_unprotected)
        if self._is_text:
            return column.changed(self._present(str.strip) if self.profile.missing else str.strip)
        broken = {at: cell.expected for at, cell in enumerate(column.distinct) if isinstance(cell, Broken)}
        self._note_all(field_, column, broken)
        change = _unbroken if self.layout.is_tidy else self._present(lambda cell: stripped(_unbroken(cell)))
        return column.changed(change)

    def _present(self, change: Callable[[str], str]) -> Callable[[str], str]:
        """Return the change of a text that leaves nothing of what the profile calls missing."""
        return lambda cell: "" if (text := change(cell)) in self.profile.missing else text


def _counted(column: Column, field_: Field, unit: Unit) -> tuple[Iterable[tuple[str, int]], Callable[[float], bool]]:
    figures = [_apart(cell, field_)[0] for cell in column.distinct] if field_.own_units else column.distinct
    return list(zip(figures, np.bincount(column.at).tolist(), strict=True)), _possible(field_.holds, unit)


def _apart(cell: str, field_: Field) -> tuple[str, Unit | None]:
    """Return the figure of a cell and its unit, None where that is of something else, or missing."""
    found = measure(cell) if field_.own_units else None
    if found is None:
        return cell, None if field_.own_units == "all" else field_.unit
    unit = unit_of(found[1])
    return found[0], unit if unit and field_.unit and unit.kind == field_.unit.kind else None


@lru_cache(maxsize=64)
def _possible(holds: str, unit: Unit) -> Callable[[float], bool]:
    low, high, _ = LIMITS[holds]
    return lambda value: low <= unit.converted(value) <= high


def _moment(day: str, clock: str, order: str | None) -> datetime | None:
    moment = dates.parse_moment(day, clock, order) if len(day) < 60 and len(clock) < 60 else None
    return moment if moment is not None and dates.are_possible([moment.year]) else None


def _what_was_expected(day: str, moment: datetime | None, zone: ZoneInfo) -> str:
    if not day:
        return "expected a date beside the time"
    if moment is None:
        return "expected a date and time that exist, such as 2026-03-31 14:05"
    return f"the clocks of {zone.key} change then: that time comes twice or never; expected one with its offset"


def _unbroken(cell: str) -> str:
    return "" if isinstance(cell, Broken) else cell


def _unprotected(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell.lstrip("'")[:1] in set("=+-@\t\r") else cell
