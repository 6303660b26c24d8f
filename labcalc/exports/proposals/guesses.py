"""What the columns of a table may hold, by headers, units and sizes of values: guesses, for a proposal.

Nothing is read by them. What each is guessed by is said with it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.exports.arranging.layout import NOT_TAKEN, Flat, measure
from labcalc.exports.grammar.headers import parts_of
from labcalc.exports.grammar.units import OPEN_GALLON, Unit, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, QUANTITIES, Meaning, is_invalid, meaning_of
from labcalc.exports.profile import DATE_ORDERS, FOR_ALL_ROWS, Arrangement, Column
from labcalc.exports.values.dates import parse_day, parse_moment, parse_time
from labcalc.exports.values.numbers import figure
from labcalc.wording import at_celsius, celsius, plain

_USUAL_C = np.array([-40, -30, -20, -10, 0, 10, 15, 20, 25, 30, 37.8, 40, 50, 60, 70, 80, 90, 98.9, 100, 110, 120, 150])
"""Temperatures that oils are measured at (common practice), [°C]."""
_NEAR_K, _REPEATS, _FOLLOWS = 0.2, 0.05, 0.01
"""How far from a usual temperature one is read; how far repeats, and η and ν·ρ, differ, relative: our own choice."""
_OF_A_ROW = ("measured_at", "date", "time", "temperature", "set temperature")
"""What a statistic of results has not."""
_DEVIATIONS = ("s", "s %", "s%", "σ")
_TWO_C = (40.0, 100.0)
"""Where two viscosities of an oil are measured, if nothing says it: the temperatures of its index (ASTM D2270)."""
_PARTS = {
    "year": "yyyy yy jjjj aaaa rrrr year jahr an ano año anno", "month": "mm mon month monat mois mes mês mese",
    "day": "dd tt jj gg day tag jour dia día giorno", "hour": "hh hour std heure hora ora", "second": "ss sec sek",
}  # fmt: skip
"""How a header says the part of a moment; minutes are the months behind hours."""
_PART_OF = {word: part for part, words in _PARTS.items() for word in words.split()}


_WITHOUT_UNIT = ("viscosity", "kinematic viscosity", "dynamic viscosity", "density", "temperature")
"""What has to have a unit."""


@dataclass(frozen=True)
class Guess:
    """A column, what it is taken for, and why; ``said``: what a profile has to say of it."""

    header: str
    place: int
    values: tuple[str, ...]
    holds: str = ""
    why: str = "nothing is known of it: it is not used"
    said: Column | None = None
    instead: Column | None = None
    """What it may as well be."""

    @property
    def names(self) -> tuple[str, ...]:
        """Return what [profile.columns] may call the column, its place last."""
        return (*filter(None, [self.header]), f"column {self.place + 1}")

    @property
    def taken_for(self) -> str:
        """Return in words what the column is taken for."""
        at = None if self.said is None else self.said.temperature_C
        unit = f" [{self.said.unit}]" if self.said is not None and self.said.unit else ""
        return (at_celsius(self.holds, at) if at is not None else self.holds) + unit if self.holds else "–"


@dataclass
class _Seen:
    """A column of the table as it is looked at."""

    header: str
    place: int
    cells: list[str]
    meaning: Meaning | None
    said: Column | None
    parts: dict[str, Any]
    """What the header says, understood or not."""
    guess: Guess = field(init=False)

    def __post_init__(self) -> None:
        values = tuple(dict.fromkeys(filter(None, self.cells)))[:3]
        self.guess = Guess(self.header, self.place, values)

    @property
    def filled(self) -> list[str]:
        return [cell for cell in self.cells if cell]

    @cached_property
    def numbers(self) -> NDArray[np.float64]:
        """Value of each cell, NaN where there is none; a sign that may be either is taken for the decimal one."""
        figures = [(measure(cell) or (cell, ""))[0] for cell in self.cells]
        sign = "," if any("," in one and "." not in one for one in figures) else "."
        return np.array([np.nan if (value := figure(one, sign)) is None else value for one in figures])

    @property
    def is_numeric(self) -> bool:
        return bool(2 * np.isfinite(self.numbers).sum() > len(self.filled) > 0)

    @property
    def middle(self) -> float:
        """Median of the numbers; NaN where there is none."""
        return _median(self.numbers)

    def differs(self, other: NDArray[np.float64]) -> float:
        """Return by how much the column differs from numbers, relative, in the median; NaN where nothing compares."""
        both = np.isfinite(self.numbers) & np.isfinite(other) & (other != 0.0)
        return _median(np.abs(self.numbers[both] / other[both] - 1.0))

    @cached_property
    def has_unit(self) -> bool:
        """Whether header, line of units or cells say the unit."""
        return bool(self.meaning and self.meaning.unit) or any(map(measure, self.filled))

    @property
    def has_own_word(self) -> bool:
        """Whether the header has a word that says nothing known of what is read."""
        return self.header != self.guess.names[-1] and bool({"unknown", "other"} & self.parts.keys())

    def are(self, reads: Callable[[str], object]) -> bool:
        return 2 * sum(reads(cell) is not None for cell in self.filled) > len(self.filled) > 0

    def take(self, holds: str, why: str, **said: object) -> None:
        """Guess; ``said`` beyond what the header says goes into the profile."""
        repeat = self.said.repeat if self.said else 0
        column = Column(holds, repeat=repeat, **said) if said else None  # type: ignore[arg-type]
        self.guess = replace(self.guess, holds=holds, why=why, said=column)

    def leave(self, why: str, instead: Column | None) -> None:
        """Guess that the column is to be ignored, or may be something else."""
        self.guess = replace(self.guess, holds="ignored", why=why, said=Column("ignored"), instead=instead)


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def guess_columns(table: Flat) -> tuple[Guess, ...]:
    """Return a guess for each column of a table; all are to be judged by the laboratory."""
    near = [[cell.strip() for cell in row.cells] for row in table.near() if row.flaw is None]
    width = len(table.header.cells)
    rows = [row + [""] * (width - len(row)) for row in near]
    seen = [
        _Seen(
            header,
            at,
            [row[at] for row in rows],
            table.meaning(at),
            table.said.get(at),
            dict(parts_of(f"{header} [{table.unit_beneath(at)}]")),
        )
        for at, header in enumerate(table.header.cells)
    ]
    _by_words(seen)
    _by_units(seen)
    _parts_of_moments(seen)
    _moments(seen)
    is_placed = bool({"temperature", "set temperature"} & ({one.guess.holds for one in seen} | table.preamble.keys()))
    if not is_placed:
        _temperatures(seen)
    _densities(seen)
    _exchanged(seen)
    _viscosities(seen, is_placed or any(one.guess.holds == "temperature" for one in seen))
    if "sample" not in table.preamble and not any(one.guess.holds == "sample" for one in seen):
        _sample(seen)
    return tuple(one.guess for one in seen)


def _open(seen: Iterable[_Seen]) -> Iterator[_Seen]:
    taken = (one for one in seen if one.meaning is None or one.meaning.holds not in NOT_TAKEN)
    return (one for one in taken if not one.guess.holds and one.filled)


def _by_words(seen: list[_Seen]) -> None:
    held = set[tuple[object, ...]]()
    samples = [one for one in seen if one.meaning and one.meaning.holds == "sample"]
    for one in seen:
        meaning = one.meaning
        if meaning is None:
            continue
        if one in samples[:-1]:
            one.leave("the sample's name stands elsewhere", Column("run"))
            continue
        key = meaning.holds, meaning.temperature_C, meaning.qualifier, one.said
        if key in held and meaning.holds in LIMITS and one.has_unit:
            instead = Column(meaning.holds, meaning.unit, meaning.temperature_C, repeat=2)
            one.leave(f"{meaning.holds} stands elsewhere", instead)
            continue
        held.add(key)
        if meaning.holds in NOT_TAKEN:
            one.guess = replace(one.guess, why=f"{meaning.statistic or meaning.holds}: it is not used")
        elif meaning.unit and unit_of(meaning.unit) == Unit(OPEN_GALLON):
            one.take(
                "density",
                "the header says so, but not which gallon",
                unit="lb/US gal",
                temperature_C=meaning.temperature_C,
            )
            one.guess = replace(one.guess, instead=Column("density", "lb/imp gal", meaning.temperature_C))
        elif one.has_unit or meaning.holds not in _WITHOUT_UNIT:
            at = np.nan if meaning.temperature_C is None else meaning.temperature_C
            one.take(at_celsius(meaning.holds, at), "the header says so")
        elif meaning.holds == "density":
            _density(one, meaning.temperature_C)
        elif meaning.holds == "temperature" and (unit := _temperature_unit(one)):
            one.take("temperature", "the header says so; the unit by the sizes", unit=unit)


def _by_units(seen: list[_Seen]) -> None:
    """Guess columns whose name is not known by unit and temperature in the header; what is there already is ignored."""
    for one in _open(seen):
        unit = unit_of(one.parts["unit"]) if "unit" in one.parts and "other" not in one.parts else None
        if one.meaning is not None or unit is None or unit.kind not in LIMITS:
            continue
        if any(other.guess.holds.startswith(unit.kind) for other in seen):
            instead = Column(unit.kind, one.parts["unit"], one.parts.get("at"), repeat=2)
            one.leave(f"{unit.kind} stands elsewhere", None if unit.kind == "temperature" else instead)
        else:
            at = None if unit.kind == "temperature" else one.parts.get("at")
            one.take(unit.kind, "the unit in the header", unit=one.parts["unit"], temperature_C=at)


def _density(one: _Seen, at: float | None, only_if: float = np.inf) -> None:
    middle = one.middle
    spread = float(np.nanmax(one.numbers) / np.nanmin(one.numbers)) if middle > 0.0 else np.nan
    unit = next((unit for unit in ("g/cm³", "kg/m³") if _possible(unit_of(unit), middle, "density")), None)
    if unit and 1.0 <= spread < only_if:
        one.take("density", f"sizes about {plain(middle)} are of {unit}", unit=unit, temperature_C=at)


def _possible(unit: Unit | None, value: float, holds: str) -> bool:
    low, high, _ = LIMITS[holds]
    return unit is not None and low <= unit.converted(value) <= high


def _temperature_unit(one: _Seen) -> str | None:
    """Return the unit in which all values are usual temperatures."""
    values = one.numbers[np.isfinite(one.numbers)]
    for name in ("°C", "K", "°F") if len(values) else ():
        unit = unit_of(name)
        if unit and (np.abs(values * unit.factor + unit.offset - _USUAL_C[:, None]).min(axis=0) < _NEAR_K).all():
            return name
    return None


def _parts_of_moments(seen: list[_Seen]) -> None:
    parts: dict[int, str] = {}
    for one in seen:
        words = re.findall(r"[^\W\d]+", one.header.casefold())
        part = (
            _PART_OF.get(words[-1])
            if words and one.is_numeric and (one.meaning is None or one.meaning.holds == "date")
            else None
        )
        parts |= {one.place: "minute" if part == "month" and "hour" in parts.values() else part} if part else {}
    if {"year", "month", "day"} <= {*parts.values()}:
        for place, part in parts.items():
            seen[place].take(part, "its name and those beside it", unit=None)


def _moments(seen: list[_Seen]) -> None:
    if any(one.guess.holds in ("measured_at", "date", "year") for one in seen):
        return
    held = set[str]()
    for one in _open(seen):
        if one.are(lambda cell: next(filter(None, (parse_day(cell, order) for order in DATE_ORDERS)), None)):
            holds, why = "date", "the cells are dates"
        elif one.are(lambda cell: next(filter(None, (parse_moment(cell, "", order) for order in DATE_ORDERS)), None)):
            holds, why = "measured_at", "the cells are dates and times"
        elif one.are(parse_time):
            holds, why = "time", "the cells are times"
        else:
            continue
        if holds in held or "measured_at" in held:
            one.leave(f"{holds} stands elsewhere", Column(holds))
        else:
            one.take(holds, why, unit=None)
            held.add(holds)


def _temperatures(seen: list[_Seen]) -> None:
    for one in _open(seen):
        if one.is_numeric and (unit := _temperature_unit(one)):
            if one.has_own_word:
                why = "its sizes are of temperatures, its name is not: it is not used"
                one.guess = replace(one.guess, why=why, instead=Column("temperature", unit))
                continue
            one.take("temperature", "all are temperatures that oils are measured at", unit=unit)
            return


def _densities(seen: list[_Seen]) -> None:
    if any(one.guess.holds.startswith("density") for one in seen):
        return
    for one in _open(seen):
        if one.is_numeric and one.meaning is None and (0.6 < one.middle < 1.2 or 600.0 < one.middle < 1200.0):
            _density(one, None, 1.4)
            return


def _viscosities(seen: list[_Seen], is_placed: bool) -> None:
    """Guess columns of viscosities: repeats side by side, or at the two usual temperatures, the larger at the lower."""
    some = [one for one in _open(seen) if one.is_numeric and _may_be_viscosity(one, seen)]
    if any("viscosity" in one.guess.holds for one in seen):
        some = [one for one in some if one.meaning is not None]
    elif any(one.meaning for one in some):
        some = [one for one in some if one.meaning is not None or not one.has_own_word]
    groups = [some[:1]]
    for before, one in pairwise(some):
        are_repeats = one.differs(before.numbers) < _REPEATS
        groups[-1:] = [[*groups[-1], one]] if are_repeats else [groups[-1], [one]]
    largest = max((one.middle for one in some), default=np.nan)
    are_two = not is_placed and len(groups) == 2 and largest > 2.0 * min(one.middle for one in some)
    for group in groups:
        for number, one in enumerate(group, 1):
            _viscosity(one, seen, groups, _TWO_C[int(one.middle < largest / 2.0)] if are_two else None)
            if len(group) > 1 and one.guess.said:
                why = f"repeats side by side; {one.guess.why}"
                one.guess = replace(one.guess, said=replace(one.guess.said, repeat=number), why=why)


def _viscosity(one: _Seen, seen: list[_Seen], groups: list[list[_Seen]], usual_C: float | None) -> None:
    named = one.meaning.holds if one.meaning else ""
    own = one.meaning.temperature_C if one.meaning else None
    density = next((other.numbers for other in seen if other.guess.holds.startswith("density")), None)
    is_dynamic = named.startswith("dynamic")
    if named in ("", "viscosity") and len(groups) == 2 and density is not None and _follows(one, groups, density):
        is_dynamic, why, instead = True, "it is viscosity · density of the other", None
    elif named in ("", "viscosity"):
        why, instead = "by its sizes; a dynamic viscosity looks alike", Column("dynamic viscosity", "mPa·s", own)
    else:
        why, instead = "the header says so; the unit is the usual one", None
    if own is None and usual_C is not None:
        why += f"; {' and '.join(map(celsius, _TWO_C))} are usual"
    holds, unit = ("dynamic viscosity", "mPa·s") if is_dynamic else ("kinematic viscosity", "mm²/s")
    one.take(holds, why, unit=unit, temperature_C=own if own is not None else usual_C)
    one.guess = replace(one.guess, instead=instead)


def _exchanged(seen: list[_Seen]) -> None:
    """Guess two viscosities that fit the density in no row, and in all of them exchanged, to be exchanged."""
    measured = [[one for one in seen if one.guess.holds.split(" at ")[0] == kind] for kind in QUANTITIES]
    if [len(some) for some in measured] != [1, 1, 1]:
        return
    nu, eta, rho = (one for (one,) in measured)
    scale = 1.0 if rho.middle < 10.0 else 1e-3
    if eta.differs(nu.numbers * rho.numbers * scale) > _FOLLOWS > nu.differs(eta.numbers * rho.numbers * scale):
        for one, holds, unit in ((nu, "dynamic viscosity", "mPa·s"), (eta, "kinematic viscosity", "mm²/s")):
            one.take(holds, "it is exchanged: by kinematic viscosity · density", unit=unit)


def _may_be_viscosity(one: _Seen, seen: list[_Seen]) -> bool:
    """Tell whether a column is named so, or has sizes of viscosities that fall where temperatures rise."""
    if one.meaning is not None:
        return "viscosity" in one.meaning.holds
    is_printed = bool((one.numbers[np.isfinite(one.numbers)] % 1.0).any())
    heat = next(
        (other.numbers for other in seen if other.guess.holds == "temperature"), np.full(len(one.cells), np.nan)
    )
    known = np.isfinite(heat)
    ends = (heat == one for one in (heat[known].min(), heat[known].max())) if known.any() else (known, known)
    coldest, hottest = (_median(one.numbers[rows]) for rows in ends)
    return is_printed and not hottest > coldest and _possible(unit_of("mm²/s"), one.middle, "kinematic viscosity")


def _follows(one: _Seen, groups: list[list[_Seen]], density: NDArray[np.float64]) -> bool:
    """Tell whether a viscosity is the other one times density, in g/cm³ or kg/m³."""
    other = groups[0][0] if one in groups[1] else groups[1][0]
    scale = 1.0 if _median(density) < 10.0 else 1e-3
    return one.differs(other.numbers * density * scale) < _FOLLOWS


def _sample(seen: list[_Seen]) -> None:
    texts = [one for one in _open(seen) if not one.is_numeric]
    if texts:
        most = max(texts, key=lambda one: len(set(one.cells)))
        most.take("sample", "the column of texts that differ most", unit=None)


def invalid_among(table: Flat) -> tuple[str, ...]:
    """Return what cells say of rows that don't count."""
    places = [at for at in range(len(table.header.cells)) if (one := table.meaning(at)) and one.holds == "status"]
    texts = (row.cells[at].strip() for row in table.near() for at in places if at < len(row.cells))
    return tuple(filter(is_invalid, dict.fromkeys(texts)))


def repeated_above(guesses: Iterable[Guess], table: Flat, how: Arrangement) -> tuple[str, ...]:
    """Return what is blank in the rows beneath that of a sample, where results stand beside the blank."""
    rows = [row for row in table.near() if row.flaw is None and not row.is_blank]
    blank = {one.holds: [not "".join(row.cells[one.place : one.place + 1]).strip() for row in rows] for one in guesses}
    wanted = blank.get("sample", [])
    if how.layout != "rows" or not any(wanted) or wanted[0]:
        return ()
    return tuple(holds for holds in FOR_ALL_ROWS if holds != "remark" and blank.get(holds) == wanted)


def statistics_among(table: Flat, sections: Sequence[str]) -> tuple[str, ...]:
    """Return the first cells of lines that are said of results: 'Mean', 's'; never of one with a date or temperature.

    What has a figure, or stands in a row with them too, is left alone: a sample may be named so, as 'Max 5' is.
    """
    own = (at for at, header in enumerate(table.header.cells) if header not in sections)
    told = [at for at in own if (one := table.meaning(at)) and one.holds in _OF_A_ROW]
    rows = [[cell.strip() for cell in row.cells] for row in table.near()]
    are_told = [any(row[at : at + 1] > [""] and any(row[:at]) for at in told) for row in rows]
    kept = {
        cell.casefold()
        for row, is_told in zip(rows, are_told, strict=True)
        for cell in row[not is_told :]
        if is_told or not told
    }
    firsts = (next(filter(None, row), "") for row, is_told in zip(rows, are_told, strict=True) if not is_told)
    return tuple(one for one in dict.fromkeys(firsts) if one.casefold() not in kept and _is_statistic(one))


def _is_statistic(text: str) -> bool:
    meaning = None if re.search(r"\d", text) else meaning_of(text)
    return text.casefold() in _DEVIATIONS or (meaning is not None and meaning.holds == "statistic")
