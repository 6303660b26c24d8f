"""A calculation as data: fields, units that can be chosen, ranges; equation, source, a worked example.

The formulae get their own units, whatever a person types.
"""

import math
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NamedTuple, TypeAlias

import numpy as np

from labcalc import formulae
from labcalc.errors import LabcalcError
from labcalc.lessons import Plot
from labcalc.wording import numeral, plain


class Unit(NamedTuple):
    """A unit, the way to the one that the formulae take, and the way back; both take arrays."""

    symbol: str
    taken: Callable[[Any], Any]
    given: Callable[[Any], Any]


def _unit(symbol: str, factor: float = 1.0, offset: float = 0.0) -> Unit:
    return Unit(symbol, lambda value: factor * value + offset, lambda value: (value - offset) / factor)


UNITS: Mapping[str, tuple[Unit, ...]] = MappingProxyType(
    {
        "": (_unit(""),),
        "temperature": (_unit("°C"), _unit("°F", 1.0 / 1.8, -32.0 / 1.8), _unit("K", 1.0, -273.15)),
        "viscosity": (_unit("mm²/s"), _unit("cSt"), _unit("m²/s", 1e6)),
        "density": (
            _unit("kg/m³"),
            _unit("g/cm³", 1000.0),
            Unit("°API", formulae.density_from_api_gravity, formulae.api_gravity),
            Unit("relative 60 °F", formulae.density_from_relative_density, formulae.relative_density),
        ),
        "pressure": (_unit("kPa"), _unit("bar", 100.0), _unit("psi", 6.894757)),
        "time": (_unit("s"), _unit("min", 60.0)),
    }
)
"""Units of each kind of quantity; the first is the one that the formulae take."""


class Column(NamedTuple):
    """One number of a field; its range is in the unit that the formulae take, ends included."""

    name: str
    kind: str = ""
    lowest: float = -math.inf
    highest: float = math.inf

    def read(self, text: str, unit: Unit, place: str) -> float:
        """Return what was typed, in the unit that the formulae take."""
        value = float(unit.taken(typed_number(text, place)))
        if not self.lowest * (1.0 - 1e-12) <= value <= self.highest * (1.0 + 1e-12):
            raise LabcalcError(f"{place}: {text} {unit.symbol}: {self.range_in(unit)} is expected".replace(" :", ":"))
        return value

    @property
    def usual_range(self) -> str:
        """The range in words, in the unit that the formulae take."""
        return self.range_in(UNITS[self.kind][0])

    def range_in(self, unit: Unit) -> str:
        """Return the range in words; empty where there is none."""
        ends = sorted(float(unit.given(end)) for end in (self.lowest, self.highest) if math.isfinite(end))
        words = " to ".join(f"{end:,.0f}".replace(",", "\u202f") if end >= 1e5 else plain(end, 10) for end in ends)
        return f"{words} {unit.symbol}".strip() + " or more" * (len(ends) == 1) if ends else ""


@dataclass(frozen=True)
class Field:
    """A choice, a number, or many: of one column in a row, of several columns a line each."""

    key: str
    label: str
    columns: tuple[Column, ...] = ()
    choices: tuple[str, ...] = ()
    many: bool = False
    optional: bool = False
    optional_columns: int = 0  # how many at the end of a line may be left out

    def units(self, typed: Mapping[str, str]) -> dict[str, Unit]:
        """Return the units that were chosen, by the key under which each is typed; the first of a kind is the usual.

        Raises LabcalcError : A unit that is none of its kind's.
        """
        keys = zip(self.symbols(), self.columns, strict=True)
        return {key: _chosen(key, typed.get(key, ""), UNITS[one.kind]) for key, one in keys}

    def symbols(self) -> dict[str, tuple[str, ...]]:
        """Return the units that can be chosen for each column, by the key under which each is typed."""
        keys = (f"{self.key} unit", *(f"{self.key} {n} unit" for n in range(2, len(self.columns) + 1)))
        columns = zip(keys, self.columns, strict=False)
        return {key: tuple(unit.symbol for unit in UNITS[one.kind]) for key, one in columns}

    def in_words(self, typed: Mapping[str, str]) -> str:
        """Return what was typed, with its units, in one line; empty where nothing was."""
        text = typed.get(self.key, "").strip() or next(iter(self.choices), "")
        units = (one.symbol for one in self.units(typed).values())
        return " ".join(filter(None, (" / ".join(text.splitlines()), *units))) if text else ""

    def read(self, typed: Mapping[str, str]) -> Any:
        """Return what was typed, in the units that the formulae take; None where nothing was.

        Raises LabcalcError : Field, line, what was typed, and what is expected.
        """
        text, units = typed.get(self.key, "").strip(), tuple(self.units(typed).values())
        if self.choices:
            if text and text not in self.choices:
                raise LabcalcError(f"{self.label}: '{text}': one of {', '.join(self.choices)} is expected")
            return text or self.choices[0]
        if not text:
            return None
        if not self.many:
            return self.columns[0].read(text, units[0], self.label)
        if len(self.columns) == 1:
            return np.array([self.columns[0].read(one, units[0], self.label) for one in re.split(r"[\s;]+", text)])
        lines = [re.split(r"[\s;]+", line.strip()) for line in text.splitlines() if line.strip()]
        return np.array([self._line(cells, units, f"{self.label}, line {n}") for n, cells in enumerate(lines, 1)])

    def _line(self, cells: Sequence[str], units: Sequence[Unit], place: str) -> list[float]:
        columns, missing = self.columns, len(self.columns) - len(cells)
        if not 0 <= missing <= self.optional_columns:
            names = ", ".join(one.name for one in columns)
            raise LabcalcError(f"{place}: '{' '.join(cells)}': {names} are expected")
        told = zip(columns, cells, units, strict=False)
        return [one.read(cell, unit, f"{place}, {one.name}") for one, cell, unit in told] + [math.nan] * missing


@dataclass(frozen=True)
class Given:
    """What was typed into the fields of a calculation, read, and the units by their keys."""

    values: Mapping[str, Any]
    units: Mapping[str, Unit]

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    def unit(self, key: str) -> str:
        """Return the symbol of the unit that was chosen for a field."""
        return self.units[f"{key} unit"].symbol

    def drawn(self, key: str, values: Any) -> Any:
        """Return results as numbers in the unit that was chosen for a field."""
        return self.units[f"{key} unit"].given(np.asarray(values, dtype=float))

    def said(self, key: str, values: Any, figures: int = 0) -> list[str]:
        """Return results, or with ``figures`` left out values as they were typed, in a unit that was chosen."""
        shown = np.atleast_1d(self.drawn(key, values))
        return numerals(shown, figures=figures) if figures else [plain(float(one)) for one in shown]


def numerals(values: Any, decimals: int | None = None, *, figures: int = 2) -> list[str]:
    """Return numbers as ``numeral`` does."""
    return [numeral(float(one), decimals, figures=figures) for one in np.atleast_1d(values)]


def typed_number(text: str, place: str) -> float:
    """Return a number with decimal point or comma.

    Raises LabcalcError : It is none: place, what was typed, that a number is expected.
    """
    written = " ".join(text.split())
    try:
        value = float(written.replace(",", ".").replace("\u2212", "-").replace("_", "x"))
    except ValueError:
        value = math.nan
    if math.isfinite(value):
        return value
    raise LabcalcError(": ".join(filter(None, (place, written and f"'{written}'", "a number is expected"))))


def _chosen(key: str, symbol: str, units: Sequence[Unit]) -> Unit:
    found = next((one for one in units if one.symbol == symbol or not symbol), None)
    if found is None:
        raise LabcalcError(f"{key}: '{symbol}': one of {', '.join(one.symbol for one in units)} is expected")
    return found


@dataclass(frozen=True)
class Table:
    """A result: cells as they are read, and copied."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    folded: bool = False

    @property
    def copied(self) -> str:
        """The table as a spreadsheet takes it."""
        return "\n".join("\t".join(row).replace("\u2212", "-") for row in (self.columns, *self.rows))


def table(caption: str, columns: Mapping[str, Sequence[str]]) -> Table:
    """Return a table of columns of equal length, by their headings."""
    return Table(caption, tuple(columns), tuple(zip(*columns.values(), strict=True)))


Result: TypeAlias = Table | Plot | str


@dataclass(frozen=True)
class Calculation:
    """A calculation at the bench; ``results`` makes tables, pictures and sentences of what was typed."""

    page: str
    key: str
    title: str
    fields: tuple[Field, ...]
    results: Callable[[Given], Iterator[Result]]
    equation: str
    example: Mapping[str, str]  # what is typed in the worked example
    printed: str  # where that is from, and what it comes to there
    formulae: Sequence[str] = ()
    published: str = ""  # the source, where it isn't that of formulae
    remark: str = ""

    @property
    def source(self) -> str:
        """Standards and editions."""
        return self.published or "; ".join(dict.fromkeys(map(formulae.edition_of, self.formulae)))

    @property
    def range(self) -> str:
        """The ranges of what is typed, and where else the calculation holds."""
        told = {one.name: one.usual_range for each in self.fields for one in each.columns}
        return "; ".join([*(f"{name} {words}" for name, words in told.items() if words), *filter(None, [self.remark])])

    @property
    def names(self) -> tuple[str, ...]:
        """The keys under which values and units are typed."""
        return tuple(name for one in self.fields for name in (one.key, *one.symbols()))

    def run(self, typed: Mapping[str, str]) -> tuple[Result, ...]:
        """Return the results; a sentence where something has yet to be typed.

        typed : Texts by key of the field; units under the keys that ``Field.symbols`` tells.
        Raises LabcalcError : What can't be used, in one line.
        """
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                values = {one.key: one.read(typed) for one in self.fields}
                missing = [one.label for one in self.fields if values[one.key] is None and not one.optional]
                if missing:
                    return (f"Still to be typed: {'; '.join(missing)}.",)
                units = {key: unit for one in self.fields for key, unit in one.units(typed).items()}
                results = tuple(self.results(Given(values, units)))
            except ValueError as refusal:
                raise LabcalcError(str(refusal)) from refusal
        return (*results, *(f"Note: {words}." for words in dict.fromkeys(str(one.message) for one in caught)))
