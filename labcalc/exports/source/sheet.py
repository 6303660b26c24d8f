"""Workbook → records (ECMA-376, part 1, clause 18: SpreadsheetML); typed numbers and dates read one way only."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime, time, timedelta
from functools import lru_cache
from math import inf, isfinite
from typing import NoReturn

from labcalc.exports.source.package import Package, local, refusing
from labcalc.exports.source.text import ContentError, Record, shown

_LAST_ROW, _LAST_COLUMN = 1 << 20, 1 << 14  # rows and columns of a sheet: the last cell is XFD1048576
_NEAR = 1024  # columns in which the cells of an export stand; what stands beyond is stray, and its row is refused
_MANY_FAR = 1000
_FAR = "{} stands far from the rest; expected a row of {{width}} cells"
_LONGEST_NUMBER = 60
_DATE_FORMATS = {*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)}  # without a code: clause 18.8.30
_NO_DATE = re.compile(r'"[^"]*"|[\\_*].|\[(?!(?:h+|m+|s+)\])[^\]]*\]', re.IGNORECASE | re.DOTALL)  # shown as it stands
_ESCAPED = re.compile("_x(?!0000)([0-9A-CE-F][0-9A-F]{3}|D[0-7][0-9A-F]{2})_", re.IGNORECASE)  # clause 22.9.2.19
_EPOCH, _EPOCH_1904 = datetime(1899, 12, 30), datetime(1904, 1, 1)  # noqa: DTZ001
_LAST_DAY = 2_957_003  # 31 December 9999, counted from 1904


class Typed(str):
    """A cell that the workbook holds as number, date or time: figures with a point, or ISO 8601."""

    epoch = _EPOCH  # from when the workbook counts days
    __hash__ = str.__hash__

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and str.__eq__(self, other)


def as_moment(cell: str) -> str:
    """Return a typed number as the time of day, or the day of 1950 to 2100, to which it counts days since the epoch."""
    if type(cell) is not Typed or not cell.replace(".", "", 1).isdigit():
        return cell
    return _moment(cell, cell.epoch) if float(cell) < 1.0 or 18_264 <= float(cell) < 73_416 else cell


class Broken(str):
    """A cell without a value: an error such as #N/A, or a formula, with '=', whose result isn't stored."""

    __slots__ = ("expected",)
    __hash__ = str.__hash__
    expected: str

    def __new__(cls, text: str, place: str) -> Broken:
        """Say also which cell it is."""
        cell = super().__new__(cls, text)
        what = "a formula whose result isn't stored" if text.startswith("=") else "an error"
        cell.expected = f"{place} holds {what}; expected a value"
        return cell

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Broken) and self.expected == other.expected


def stripped(cell: str) -> str:
    """Return a cell without the blanks around it; what a workbook holds as a value or an error stays that."""
    return cell if isinstance(cell, Typed | Broken) else cell.strip()


def joined(cell: str, more: str) -> str:
    """Return a cell with more behind it, such as its unit."""
    return cell if isinstance(cell, Broken) or not more else type(cell)(f"{cell} {more}".strip())


@lru_cache(maxsize=_LAST_COLUMN)
def place_of(letters: str) -> int:
    """Return the place of a column, from 0; raise ValueError where there is none."""
    place = 0
    for letter in letters[:4]:
        place = place * 26 + "ABCDEFGHIJKLMNOPQRSTUVWXYZ".index(letter) + 1
    if not 0 < place <= _LAST_COLUMN:
        raise ValueError(letters)
    return place - 1


def sheets(data: bytes, wanted: Iterable[str] = ()) -> Iterator[tuple[str, bool, Iterator[Record]]]:
    """Yield name of each sheet, or wanted one, whether it is hidden, and its records, blank rows in a row as one."""
    with refusing():
        book = _Book(data)
    for name in (*wanted,) or book.sheets:
        if name not in book.sheets:
            names = ", ".join(map(shown, book.sheets))
            raise ContentError(f"there is no sheet '{shown(name)}' (profile.sheet); the file has {names}")
        yield name, name in book.hidden, book.records(name)


class _Book:
    """A workbook: its sheets by name, its shared strings, which styles are of dates."""

    def __init__(self, data: bytes) -> None:
        self._package = Package(data)
        start = dict(self._package.related("").values())["officeDocument"]
        related = self._package.related(start)
        self.sheets: dict[str, str] = {}
        self.hidden: set[str] = set()
        self.epoch = _EPOCH

        def see(name: str, said: dict[str, str]) -> None:
            if local(name) == "sheet":
                kind, path = related[{local(key): value for key, value in said.items()}["id"]]
                if kind == "worksheet":
                    self.sheets[said["name"]] = path
                    self.hidden |= {said["name"]} if said.get("state", "visible") != "visible" else set()
            elif local(name) == "workbookPr" and said.get("date1904") in ("1", "true"):
                self.epoch = _EPOCH_1904

        self._package.read(start, see)
        by_kind = dict(related.values())
        self.dates = self._formats(by_kind["styles"]) if "styles" in by_kind else set()
        self.strings = self._shared(by_kind["sharedStrings"]) if "sharedStrings" in by_kind else []

    def records(self, name: str) -> Iterator[Record]:
        """Yield the rows of a sheet while it is read."""
        with refusing():
            sheet = _Sheet(self, name)
            for _ in self._package.stream(self.sheets[name], sheet.start, sheet.end, sheet.pieces.append):
                yield from sheet.ready
                sheet.ready.clear()

    def _formats(self, part: str) -> set[str]:
        """Return the styles of cells whose format is of a date or time."""
        formats, styles, number = set(map(str, _DATE_FORMATS)), set[str](), -1

        def see(name: str, said: dict[str, str]) -> None:
            nonlocal number
            tag = local(name)
            if tag == "numFmt" and set("dmyhs") & set(_NO_DATE.sub("", said["formatCode"]).lower()):
                formats.add(said["numFmtId"])
            elif tag in ("cellXfs", "cellStyles"):
                number = 0 if tag == "cellXfs" else -1
            elif tag == "xf" and number >= 0:
                if said.get("numFmtId") in formats:
                    styles.add(str(number))
                number += 1

        self._package.read(part, see)
        return styles

    def _shared(self, part: str) -> list[str]:
        strings, runs, pieces = list[str](), list[str](), list[str]()

        def end(name: str) -> None:
            tag = local(name)
            if tag == "si":
                strings.append(_unescaped("".join(runs)))
                runs.clear()
            else:
                _end_of_text(tag, runs, pieces)

        self._package.read(part, lambda _, __: pieces.clear(), end, pieces.append)
        return strings


class _Sheet:
    """A sheet while it is read: the rows that are ``ready``, the row and the cell at hand."""

    def __init__(self, book: _Book, name: str) -> None:
        self._book, self._name = book, name
        self.ready: list[Record] = []
        self.pieces: list[str] = []
        self._runs: list[str] = []
        self._numbers: dict[str, str] = {}
        self._line = self._last = self._widest = self._many = 0
        self._said: dict[str, str] = {}
        self._value: str | None = None
        self._formula: str | None = None
        self._number, self._cells, self._at, self._far = "", list[str](), -1, ""

    def start(self, name: str, said: dict[str, str]) -> None:
        """Take the beginning of an element."""
        self.pieces.clear()
        tag = local(name)
        if tag == "c":
            self._said, self._value, self._formula = said, None, None
            self._runs.clear()
        elif tag == "row":
            line = int(said.get("r", self._line + 1))
            if not self._line < line <= _LAST_ROW:
                self._refuse(f"row {line} stands after row {self._line}")
            self._line, self._number, self._cells, self._at, self._far = line, str(line), list[str](), -1, ""

    def end(self, name: str) -> None:
        """Take the end of an element."""
        tag = local(name)
        if tag == "v":
            self._value = "".join(self.pieces)
        elif tag == "c":
            self._put()
        elif tag == "f":
            self._formula = "".join(self.pieces)
        elif tag == "row":
            self._end_of_row()
        else:
            _end_of_text(tag, self._runs, self.pieces)

    def _refuse(self, what: str) -> NoReturn:
        raise ContentError(f"{what}; expected the rows and cells of a sheet in order, to XFD1048576")

    def _put(self) -> None:
        self._at = self._position()
        text = self._text() if self._value is not None or self._formula is not None or self._runs else ""
        if text and self._at >= _NEAR:
            self._far = self._far or self._place()
        elif text:
            self._cells.extend([""] * (self._at + 1 - len(self._cells)))
            self._cells[self._at] = text

    def _position(self) -> int:
        reference = self._said.get("r")
        if reference is None:
            return self._at + 1
        letters = reference.rstrip("0123456789")
        if reference[len(letters) :] != self._number:
            self._refuse(f"a cell of row {self._line} has the reference '{shown(reference)}'")
        try:
            return place_of(letters)
        except ValueError:
            self._refuse(f"a cell has the reference '{shown(reference)}'")

    def _end_of_row(self) -> None:
        if not (self._cells or self._far):
            return
        if self._line > self._last + 1:
            self.ready.append(Record(self._line - 1, []))
        if self._far:
            self._many += 1
            if self._many > _MANY_FAR:
                self._refuse(f"the cells of over {_MANY_FAR} rows stand far from the rest, such as {self._far}")
        self._widest = max(self._widest, len(self._cells))
        self._cells.extend([""] * (self._widest - len(self._cells)))
        self.ready.append(Record(self._line, self._cells, _FAR.format(self._far) if self._far else None))
        self._last = self._line

    def _text(self) -> str:
        value, kind = self._value, self._said.get("t", "n")
        if kind == "inlineStr":
            return _unescaped("".join(self._runs))
        if not value and (value is None or kind != "str"):
            return "" if self._formula is None else Broken(f"={self._formula}", self._place())
        if kind == "s":
            return self._book.strings[int(value) if value.isdigit() else len(self._book.strings)]
        if kind == "n" and self._said.get("s", "0") in self._book.dates:
            return _moment(value, self._book.epoch)
        if kind == "n":
            if value not in self._numbers:
                number = self._numbers[value] = _number(value)
                if isinstance(number, Typed) and self._book.epoch != _EPOCH:
                    number.epoch = self._book.epoch
            return self._numbers[value]
        if kind == "b":
            return str(value == "1")
        if kind == "e":
            return Broken(value, self._place())
        return Typed(value) if kind == "d" else _unescaped(value)

    def _place(self) -> str:
        return f"cell {self._said.get('r', f'{self._at + 1} of row {self._line}')} of sheet '{shown(self._name)}'"


def _end_of_text(tag: str, runs: list[str], pieces: list[str]) -> None:
    """Take a text into the runs that a cell consists of; a guide to pronouncing it (rPh) holds the one before."""
    if tag == "t":
        runs.append("".join(pieces))
    elif tag == "rPh":
        del runs[-1:]


def _unescaped(text: str) -> str:
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text) if "_x" in text else text


def _number(value: str) -> str:
    try:
        number = float(value) if len(value) <= _LONGEST_NUMBER else inf
    except ValueError:
        return value
    is_whole = number.is_integer() and abs(number) < 1e15
    return Typed(int(number) if is_whole else repr(number)) if isfinite(number) else value


def _moment(value: str, epoch: datetime) -> str:
    """Return a date, a time of day or both, as the number of days since the epoch says it, to the millisecond."""
    text = _number(value)
    days = float(text) if isinstance(text, Typed) else inf
    if not 0.0 <= days < _LAST_DAY:
        return text
    moment = epoch + timedelta(milliseconds=round(days * 86_400_000))
    if days < 1.0:
        return Typed(moment.time())
    return Typed(moment.date() if moment.time() == time() else moment.isoformat(" "))
