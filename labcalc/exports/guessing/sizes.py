"""A column as it is looked at, and what it may hold by the sizes of its values."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.exports.arranging.flat import NOT_TAKEN, measure
from labcalc.exports.grammar.headers import parts_of
from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, QUANTITIES, Meaning
from labcalc.exports.profile import Column
from labcalc.exports.values.numbers import figure
from labcalc.wording import at_celsius, celsius, plain

_USUAL_C = np.array([-40, -30, -20, -10, 0, 10, 15, 20, 25, 30, 37.8, 40, 50, 60, 70, 80, 90, 98.9, 100, 110, 120, 150])
"""Temperatures that oils are measured at (common practice), [°C]."""
_NEAR_K, _REPEATS, _FOLLOWS = 0.2, 0.05, 0.01  # how far a usual temperature, repeats, η and ν·ρ are off: our choice
_TWO_C = (40.0, 100.0)  # where two viscosities are measured, if nothing says it: those of the index (ASTM D2270)


@dataclass
class Guess:
    """A column of the table as it is looked at, what it is taken for, and why."""

    header: str
    place: int
    cells: list[str]
    meaning: Meaning | None
    stated: Column | None  # what the arrangement says of it
    unit_beneath: str
    holds: str = ""
    why: str = "nothing is known of it: it is not used"
    said: Column | None = None  # what a profile has to say of it
    instead: Column | None = None  # what it may as well be

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

    @cached_property
    def parts(self) -> dict[str, Any]:
        """What the header says, understood or not."""
        return dict(parts_of(f"{self.header} [{self.unit_beneath}]"))

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
        return median(self.numbers)

    def differs(self, other: NDArray[np.float64]) -> float:
        """Return by how much the column differs from numbers, relative, in the median; NaN where nothing compares."""
        both = np.isfinite(self.numbers) & np.isfinite(other) & (other != 0.0)
        return median(np.abs(self.numbers[both] / other[both] - 1.0))

    @cached_property
    def has_unit(self) -> bool:
        """Whether header, line of units or cells say the unit."""
        return bool(self.meaning and self.meaning.unit) or any(map(measure, self.filled))

    @property
    def has_own_word(self) -> bool:
        """Whether the header has a word that says nothing known of what is read."""
        return self.header != self.names[-1] and bool({"unknown", "other"} & self.parts.keys())

    def are(self, reads: Callable[[str], object]) -> bool:
        return 2 * sum(reads(cell) is not None for cell in self.filled) > len(self.filled) > 0

    def take(self, holds: str, why: str, instead: Column | None = None, **said: object) -> None:
        """Guess; ``said`` beyond what the header says goes into the profile."""
        repeat = self.stated.repeat if self.stated else 0
        self.said = Column(holds, repeat=repeat, **said) if said else None  # type: ignore[arg-type]
        self.holds, self.why, self.instead = holds, why, instead

    def leave(self, why: str, instead: Column | None) -> None:
        """Guess that the column is to be ignored, or may be something else."""
        self.holds, self.why, self.said, self.instead = "ignored", why, Column("ignored"), instead


def median(values: NDArray[np.float64]) -> float:
    """Return the median of the numbers; NaN where there is none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def open_columns(seen: Iterable[Guess]) -> Iterator[Guess]:
    """Yield the columns that hold something, of which nothing is known yet."""
    taken = (one for one in seen if one.meaning is None or one.meaning.holds not in NOT_TAKEN)
    return (one for one in taken if not one.holds and one.filled)


def guess_temperatures(seen: list[Guess]) -> None:
    """Guess the column whose values are all temperatures that oils are measured at."""
    for one in open_columns(seen):
        if one.is_numeric and (unit := temperature_unit(one)):
            if one.has_own_word:
                one.why = "its sizes are of temperatures, its name is not: it is not used"
                one.instead = Column("temperature", unit)
                continue
            one.take("temperature", "all are temperatures that oils are measured at", unit=unit)
            return


def temperature_unit(one: Guess) -> str | None:
    """Return the unit in which all values are usual temperatures."""
    values = one.numbers[np.isfinite(one.numbers)]
    for name in ("°C", "K", "°F") if len(values) else ():
        unit = unit_of(name)
        if unit and (np.abs(values * unit.factor + unit.offset - _USUAL_C[:, None]).min(axis=0) < _NEAR_K).all():
            return name
    return None


def guess_densities(seen: list[Guess]) -> None:
    """Guess the column whose sizes are of densities, unless one is known."""
    if any(one.holds.startswith("density") for one in seen):
        return
    for one in open_columns(seen):
        if one.is_numeric and one.meaning is None and (0.6 < one.middle < 1.2 or 600.0 < one.middle < 1200.0):
            density_by_size(one, None, 1.4)
            return


def density_by_size(one: Guess, at: float | None, only_if: float = np.inf) -> None:
    """Guess a column to hold densities, and the unit, if its sizes are of one and spread less than that."""
    middle = one.middle
    spread = float(np.nanmax(one.numbers) / np.nanmin(one.numbers)) if middle > 0.0 else np.nan
    unit = next((unit for unit in ("g/cm³", "kg/m³") if _possible(unit_of(unit), middle, "density")), None)
    if unit and 1.0 <= spread < only_if:
        one.take("density", f"sizes about {plain(middle)} are of {unit}", unit=unit, temperature_C=at)


def _possible(unit: Unit | None, value: float, holds: str) -> bool:
    low, high, _ = LIMITS[holds]
    return unit is not None and low <= unit.converted(value) <= high


def guess_exchanged(seen: list[Guess]) -> None:
    """Guess two viscosities that fit the density in no row, and in all of them exchanged, to be exchanged."""
    for at in {one.meaning.temperature_C for one in seen if one.meaning}:
        beside = [one for one in seen if one.meaning and one.meaning.temperature_C == at and one.holds != "ignored"]
        measured = [[one for one in beside if one.meaning and one.meaning.holds == kind] for kind in QUANTITIES]
        if [len(some) for some in measured] == [1, 1, 1]:
            nu, eta, rho = (one for (one,) in measured)
            if _follows(nu, eta, rho.numbers) and not _follows(eta, nu, rho.numbers):
                why = "it is exchanged: by kinematic viscosity · density"
                nu.take("dynamic viscosity", why, unit="mPa·s", temperature_C=at)
                eta.take("kinematic viscosity", why, unit="mm²/s", temperature_C=at)


def guess_viscosities(seen: list[Guess], is_placed: bool) -> None:
    """Guess columns of viscosities: repeats side by side, or at the two usual temperatures, the larger at the lower."""
    some = [one for one in open_columns(seen) if one.is_numeric and _may_be_viscosity(one, seen)]
    if any("viscosity" in one.holds for one in seen):
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
            if len(group) > 1 and one.said:
                one.said, one.why = replace(one.said, repeat=number), f"repeats side by side; {one.why}"


def _viscosity(one: Guess, seen: list[Guess], groups: list[list[Guess]], usual_C: float | None) -> None:
    named, own = (one.meaning.holds, one.meaning.temperature_C) if one.meaning else ("", None)
    density = next((other.numbers for other in seen if other.holds.startswith("density")), None)
    is_dynamic, instead = named.startswith("dynamic"), None
    if named not in ("", "viscosity"):
        why = "the header says so; the unit is the usual one"
    elif len(groups) == 2 and density is not None and _follows(one, groups[one in groups[0]][0], density):
        is_dynamic, why = True, "it is viscosity · density of the other"
    else:
        why, instead = "by its sizes; a dynamic viscosity looks alike", Column("dynamic viscosity", "mPa·s", own)
    if own is None and usual_C is not None:
        why += f"; {' and '.join(map(celsius, _TWO_C))} are usual"
    holds, unit = ("dynamic viscosity", "mPa·s") if is_dynamic else ("kinematic viscosity", "mm²/s")
    one.take(holds, why, instead, unit=unit, temperature_C=own if own is not None else usual_C)


def _may_be_viscosity(one: Guess, seen: list[Guess]) -> bool:
    """Tell whether a column is named so, or has sizes of viscosities that fall where temperatures rise."""
    if one.meaning is not None:
        return "viscosity" in one.meaning.holds
    is_printed = bool((one.numbers[np.isfinite(one.numbers)] % 1.0).any())
    heats = (other.numbers for other in seen if other.holds == "temperature" and other.is_numeric)
    heat = next(heats, np.zeros(len(one.cells)))
    coldest, hottest = (median(one.numbers[heat == end]) for end in (np.nanmin(heat), np.nanmax(heat)))
    return is_printed and not hottest > coldest and _possible(unit_of("mm²/s"), one.middle, "kinematic viscosity")


def _follows(one: Guess, other: Guess, density: NDArray[np.float64]) -> bool:
    """Tell whether a viscosity is the other one times density, in g/cm³ or kg/m³."""
    scale = 1.0 if median(density) < 10.0 else 1e-3
    return one.differs(other.numbers * density * scale) < _FOLLOWS
