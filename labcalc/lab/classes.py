"""Classes of products: what each lets a report calculate, and which standards' limits a product may ask for."""

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from labcalc.formulae import GRADE_TABLES, GradeCandidates, grade_candidates
from labcalc.lab.laboratory import Limit

_JUDGED = re.compile(r"(kinematic viscosity|density|CCAI)(?: at ([-−]?\d+) °C)?")
"""The quantities of a published table that a report can hold against a limit."""
_FIGURES = 4  # figures of a reported viscosity (ISO 3104:1994, clause 13)


@dataclass(frozen=True)
class ProductClass:
    """What a class of products brings; the one without a name brings nothing."""

    name: str = ""
    quantities: tuple[str, ...] = ()  # what a report calculates, some of ``all_quantities``
    precision_class: str = ""
    commodity: str = ""
    liquid: str | None = None  # kind of liquid, as in ``judge_slope``, where all of the class are one
    temperatures_C: tuple[float, ...] = ()  # temperatures at which a report gives the viscosity, measured or not, [°C]
    standards: tuple[str, ...] = ()  # standards whose limits a product of the class may ask for
    grades: tuple[str, ...] = ()  # the grades of them; empty: all


@dataclass(frozen=True)
class GradeSystem:
    """How a grade is told from the results of a run."""

    quantity: str
    name: str
    table: str = "ISO 3448"
    begins: str = ""  # how the names of the grades begin that are meant
    first: bool = False  # whether the first that fits is the grade; otherwise all that fit are told
    beside: str = ""  # what a report says beside it

    def told_by(self, **values: float) -> str:
        """Return the grade or grades that fit what is known, each value [as in the table]; empty where none does."""
        found = grade_candidates(self.table, **values)
        fitting = (grade.label for grade, fits in zip(found.table.grades, found.possible, strict=True) if fits)
        labels = [one for one in dict.fromkeys(fitting) if one.startswith(self.begins)][: 1 if self.first else None]
        return " or ".join(labels[:1] + [one.removeprefix("SAE ") for one in labels[1:]])

    @property
    def edition(self) -> str:
        """Standard and edition."""
        return grade_candidates(self.table).table.edition

    @property
    def asks_for(self) -> dict[str, str]:
        """Names in the table of what it judges, and of these as a report names them."""
        grades = (one for one in grade_candidates(self.table).table.grades if one.name.startswith(self.begins))
        keys = {key for grade in grades for key in grade.limits}
        return {key: one.name for key, one in grade_candidates(self.table).table.quantities.items() if key in keys}


@cache
def _content() -> dict[str, Any]:
    return tomllib.loads(files("labcalc.data").joinpath("product_classes.toml").read_text("utf-8"))


def _told(table: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}


@cache
def product_classes() -> dict[str, ProductClass]:
    """Return every class by its name, in the order of the table."""
    return {one["name"]: ProductClass(**_told(one)) for one in _content()["class"]}


@cache
def grade_systems() -> tuple[GradeSystem, ...]:
    """Return how each kind of grade is told."""
    return tuple(GradeSystem(**one) for one in _content()["grade"])


def all_quantities() -> tuple[str, ...]:
    """Return the names of all that a report can calculate, in the order in which it does."""
    return tuple(_content()["quantities"])


def quantities_of(class_name: str, commodity: str, changes: Iterable[str] = ()) -> tuple[str, ...]:
    """Return the names of what a report calculates for a product, in its order.

    ``changes`` are names of quantities, each after ``+`` (added) or ``-`` (left out); the last word counts.
    """
    known = product_classes().get(class_name)
    asked = set(known.quantities if known else _content()["without_class"][commodity])
    for change in changes:
        (asked.add if change[0] == "+" else asked.discard)(change[1:])
    return tuple(one for one in all_quantities() if one in asked)


@cache
def standard_limits() -> dict[str, tuple[Limit, ...]]:
    """Return the limits of every standard that a product may ask for, by the name that lab.toml writes."""
    found: dict[str, tuple[Limit, ...]] = {}
    for name in GRADE_TABLES:
        for asked, limits in _of_table(grade_candidates(name)):
            found.setdefault(asked, limits)
    return found


def standards_for(class_name: str) -> tuple[str, ...]:
    """Return the standards that a product of a class may ask for; of one without a class, all."""
    known = product_classes().get(class_name)
    if known is None:
        return tuple(standard_limits())
    split = ((one, *one.partition(", ")[::2]) for one in standard_limits())
    return tuple(
        one for one, standard, grade in split if standard in known.standards and (grade in (known.grades or (grade,)))
    )


def _of_table(candidates: GradeCandidates) -> Iterator[tuple[str, tuple[Limit, ...]]]:
    table = candidates.table
    for grade in table.grades:
        if not grade.standard:
            continue
        parts = {key: _JUDGED.fullmatch(table.quantities[key].name) for key in grade.limits}
        unjudged = [table.quantities[key].name for key, part in parts.items() if part is None]
        aside = f"; {', '.join(unjudged)} is not looked at" if unjudged else ""
        marks = {key: "memory" if "memory" in (grade.mark, table.quantities[key].mark) else "seen" for key in parts}
        source = ", ".join(filter(None, (grade.edition, grade.label))) + aside
        limits = (_limit(part, grade.limits[key], source, marks[key]) for key, part in parts.items() if part)
        yield ", ".join(filter(None, (grade.standard, grade.label))), tuple(limits)


def _limit(part: re.Match[str], limits: Any, source: str, mark: str) -> Limit:
    """Write a published limit as one of lab.toml: with decimals, and the last value below an end that is left out."""
    ends = [end if np.isfinite(end) else np.nan for end in (limits.lowest, limits.highest)]
    decimals = limits.decimals
    if decimals is None:
        of_viscosity = max(0, _FIGURES - 1 - int(np.floor(np.log10(np.nanmin(ends)))))  # at the lower end
        decimals = {"density": 1, "CCAI": 0}.get(part[1], of_viscosity)
    if not limits.highest_belongs and np.isfinite(ends[1]):
        ends[1] = round(ends[1] - 10.0**-decimals, decimals)
    temperature_C = float(part[2].replace("−", "-")) if part[2] else np.nan
    return Limit(part[1], temperature_C, ends[0], ends[1], decimals, source=source, mark=mark)
