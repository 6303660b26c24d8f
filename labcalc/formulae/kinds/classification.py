"""Tables of grades, which grades an oil or fuel may have, and what speaks for or against each."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import DUST, Array, positive
from labcalc.formulae._tables import published_entries

EDITION = "SAE J300_202104, SAE J306_201902, ISO 3448:1992, ISO 8217:2017, EN 590, EN 14214, ASTM D975, D6751, D1655"

_JUDGED = {1: "fits", 0: "not known", -1: "doesn't fit"}
GRADE_TABLES: Mapping[str, str] = MappingProxyType(
    {
        "ISO 3448": "viscosity_grades",
        "SAE J300": "engine_oil_grades",
        "SAE J300 winter": "engine_oil_winter_grades",
        "SAE J306": "gear_oil_grades",
        "SAE J306 winter": "gear_oil_winter_grades",
        "ISO 8217": "marine_fuel_grades",
        "diesel fuel": "diesel_fuel_grades",
        "jet fuel": "jet_fuel_grades",
        "insulating and white oil": "insulating_and_white_oil_limits",
    }
)
"""Names of the tables, and their files."""


@dataclass(frozen=True)
class Quantity:
    """A quantity that a table judges."""

    name: str
    unit: str
    mark: str  # ``seen``, or ``memory`` if its limits are to be confirmed against the standard


@dataclass(frozen=True)
class Limits:
    """The interval of one quantity of a grade; infinite where a side is open."""

    lowest: float
    highest: float
    highest_belongs: bool
    decimals: int | None = None  # as the standard prints it, where that is not as the method reports a result

    def hold(self, values: Array) -> NDArray[np.bool_]:
        """Tell which values lie inside; NaN doesn't."""
        low = self.lowest - DUST * abs(self.lowest) if np.isfinite(self.lowest) else self.lowest
        reach = DUST * abs(self.highest) if np.isfinite(self.highest) else 0.0
        below = values <= self.highest + reach if self.highest_belongs else values < self.highest - reach
        return np.asarray((values >= low) & below)

    def words(self, unit: str) -> str:
        """Return the interval in words."""
        if not np.isfinite(self.highest):
            return f"{self.lowest:g} {unit} or more"
        if not np.isfinite(self.lowest):
            return f"{self.highest:g}{unit and f' {unit}'} or less"
        return f"{self.lowest:g} {unit} to {'' if self.highest_belongs else 'below '}{self.highest:g} {unit}"


@dataclass(frozen=True)
class Grade:
    """A grade and the limits of its quantities."""

    name: str
    mark: str
    limits: Mapping[str, Limits]
    label: str  # its name as a report gives it; empty where the standard has but one
    standard: str
    edition: str


@dataclass(frozen=True)
class GradeTable:
    """A published table of grades."""

    title: str
    source: str
    edition: str
    mark: str
    note: str
    quantities: Mapping[str, Quantity]
    grades: tuple[Grade, ...]


@cache
def grade_table(standard: str) -> GradeTable:
    """Return a table by its name, a key of ``GRADE_TABLES``."""
    if standard not in GRADE_TABLES:
        raise ValueError(f"table of grades '{standard}' is unknown; known are {', '.join(map(repr, GRADE_TABLES))}")
    told = published_entries(f"{GRADE_TABLES[standard]}.toml")
    mark = told["mark"]
    given = told["quantity"].items()
    quantities = {key: Quantity(one["name"], one["unit"], one.get("mark", mark)) for key, one in given}
    grades = tuple(_grade(entry, told, quantities) for entry in told["grade"])
    about = told["title"], told["source"], told["edition"], mark, told.get("note", "")
    return GradeTable(*about, MappingProxyType(quantities), grades)


def _grade(entry: Mapping[str, Any], told: Mapping[str, Any], quantities: Mapping[str, Quantity]) -> Grade:
    limits = {key: _limits(entry[key]) for key in quantities if key in entry}
    label = entry.get("label", "" if "standard" in entry else entry["name"])
    standard, edition = entry.get("standard", told.get("standard", "")), entry.get("edition", told["edition"])
    return Grade(entry["name"], entry.get("mark", told["mark"]), limits, label, standard, edition)


def _limits(entry: Mapping[str, Any]) -> Limits:
    highest = entry.get("at_most", entry.get("below", np.inf))
    lowest, decimals = float(entry.get("at_least", -np.inf)), entry.get("decimals")
    return Limits(lowest, float(highest), "below" not in entry, decimals)


@dataclass(frozen=True, eq=False)
class GradeCandidates:
    """The grades of a table against what is known of one or many samples; last axis the grades."""

    table: GradeTable
    lowest: Mapping[str, Array]  # what each value is at the least, in one shape; a known value is both ends
    highest: Mapping[str, Array]  # and at the most
    possible: NDArray[np.bool_]  # no known value speaks against the grade
    certain: NDArray[np.bool_]  # every quantity of the grade is known and within its limits

    @property
    def grades(self) -> tuple[str, ...]:
        """Names of the grades, in the order of the last axis."""
        return tuple(grade.name for grade in self.table.grades)

    def candidates(self, *sample: int) -> tuple[str, ...]:
        """Return the possible grades, [-], of one sample; more than one where the known values can't decide.

        sample : Index of the sample, [-], an axis each; none for a single sample.
        """
        return tuple(name for name, fits in zip(self.grades, self.possible[sample], strict=True) if fits)

    def reasons(self, *sample: int) -> dict[str, str]:
        """Return what speaks for or against each grade, [-], for one sample.

        sample : Index of the sample, [-], an axis each; none for a single sample.
        """
        return {grade.name: "; ".join(self._words(grade, sample)) for grade in self.table.grades}

    def _words(self, grade: Grade, sample: tuple[int, ...]) -> list[str]:
        words = []
        for key, limits in grade.limits.items():
            quantity, low, high = self.table.quantities[key], self.lowest[key][sample], self.highest[key][sample]
            memory = ", a limit from memory" if "memory" in (quantity.mark, grade.mark) else ""
            judged = int(_judged(limits, low, high))
            value = f"above {low:.6g}" if judged < 0 else f"below {high:.6g}"
            value = f"{low:.6g}" if low == high else value if judged else ""
            told = f"{quantity.name} {value and f'{value} {quantity.unit}'}".rstrip()
            words.append(f"{told}: {_JUDGED[judged]}, {limits.words(quantity.unit)}{memory}")
        return words


def grade_candidates(standard: str, **values: ArrayLike) -> GradeCandidates:
    """Return which grades of a standard fit what is known of an oil or fuel.

    Where too little is known to decide, more than one grade is left: SAE 12, 16 and 20 overlap in the kinematic
    viscosity, and only the high-shear viscosity tells them apart. A kinematic viscosity that isn't known is below one
    at a lower temperature and above one at a higher: 380 mm²/s at 50 °C is no distillate of 11 mm²/s at 40 °C. The
    limits are for values as they are reported: round first. Of the winter grades an oil has the first that it fits.

    standard : Name of the table, a key of ``GRADE_TABLES``.
    values : What is known, in the unit of the table, [mm²/s], [mPa·s], [kg/m³] or [°C], by the names that the table
        uses: ``kv_100``, ``high_shear_150``, ``cranking_minus_30``, ``kv_50``, ``density_15`` and so on; NaN for not
        known.
    Returns : For each grade, last axis, whether it is possible and whether it is certain, [-]; all of the broadcast
        shape.
    Source : The tables in ``labcalc/data`` tell source, edition, and which limits are from memory: SAE J300, SAE J306,
        ISO 8217:2017, EN 590, EN 14214, ASTM D1655.

    >>> grade_candidates("SAE J300", kv_100=7.0).candidates()
    ('SAE 12', 'SAE 16', 'SAE 20')
    >>> grade_candidates("SAE J300", kv_100=7.0, high_shear_150=2.4).candidates()
    ('SAE 12', 'SAE 16')
    """
    table = grade_table(standard)
    low, high = _between(_known(table, standard, values))
    possible, certain = [], []
    for grade in table.grades:
        judged = np.stack([_judged(limits, low[key], high[key]) for key, limits in grade.limits.items()])
        possible.append((judged >= 0).all(axis=0))
        certain.append((judged > 0).all(axis=0))
    return GradeCandidates(table, low, high, np.stack(possible, axis=-1), np.stack(certain, axis=-1))


def _judged(limits: Limits, low: Array, high: Array) -> NDArray[np.int8]:
    """Return 1 inside, -1 outside, 0 where too little is known of the value."""
    inside = limits.hold(low) & limits.hold(high)
    outside = np.where(low == high, ~inside, (low >= limits.highest) | (high <= limits.lowest))
    return inside.astype(np.int8) - outside.astype(np.int8)


def _between(known: Mapping[str, Array]) -> tuple[dict[str, Array], dict[str, Array]]:
    """Return what each value is at the least and at the most: a viscosity lies between warmer and colder ones."""
    at = {key: float(key.removeprefix("kv_").replace("minus_", "-")) for key in known if key.startswith("kv_")}
    low, high = {}, {}
    for key, value in known.items():
        warmer = [known[one] for one in at if key in at and at[one] > at[key]]
        colder = [known[one] for one in at if key in at and at[one] < at[key]]
        low[key] = np.where(np.isnan(value), np.fmax.reduce([np.full_like(value, -np.inf), *warmer]), value)
        high[key] = np.where(np.isnan(value), np.fmin.reduce([np.full_like(value, np.inf), *colder]), value)
    return low, high


def _known(table: GradeTable, standard: str, values: Mapping[str, ArrayLike]) -> dict[str, Array]:
    for key in values:
        if key not in table.quantities:
            known = ", ".join(map(repr, table.quantities))
            raise ValueError(f"'{key}' is no quantity of {standard}; known are {known}")
    arrays = []
    for key, one in table.quantities.items():
        value = values.get(key, np.nan)
        arrays.append(np.asarray(value, float) if one.unit == "°C" else positive(value, one.name, one.unit))
    return dict(zip(table.quantities, np.broadcast_arrays(*arrays), strict=True))
