"""Tables of grades that ship in labcalc/data: which quantity of a grade lies between which limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae._refusals import Array
from labcalc.formulae._tables import published_entries

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

DUST = 1e-9  # share of a limit below which a difference is dust of binary arithmetic


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
    quantities = {
        key: Quantity(entry["name"], entry["unit"], entry.get("mark", mark)) for key, entry in told["quantity"].items()
    }
    grades = tuple(_grade(entry, told, quantities) for entry in told["grade"])
    return GradeTable(
        told["title"], told["source"], told["edition"], mark, told.get("note", ""), MappingProxyType(quantities), grades
    )


def _grade(entry: Mapping[str, Any], told: Mapping[str, Any], quantities: Mapping[str, Quantity]) -> Grade:
    limits = {key: _limits(entry[key]) for key in quantities if key in entry}
    label = entry.get("label", "" if "standard" in entry else entry["name"])
    standard, edition = entry.get("standard", told.get("standard", "")), entry.get("edition", told["edition"])
    return Grade(entry["name"], entry.get("mark", told["mark"]), limits, label, standard, edition)


def _limits(entry: Mapping[str, Any]) -> Limits:
    highest = entry.get("at_most", entry.get("below", np.inf))
    lowest, decimals = float(entry.get("at_least", -np.inf)), entry.get("decimals")
    return Limits(lowest, float(highest), "below" not in entry, decimals)
