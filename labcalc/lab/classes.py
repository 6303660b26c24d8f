"""Classes of products: what each lets a report calculate, and which standards' limits a product may ask for.

Beside them what lab.toml says of oils: what a product is held to, its class and standard, reference oils' certificates.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib.resources import files
from typing import Any

import numpy as np

import labcalc.lab._tables as toml
from labcalc.formulae import COMMODITIES, GRADE_TABLES, GradeCandidates, grade_candidates
from labcalc.lab import laboratory as records
from labcalc.lab.laboratory import Limit, Product, TypicalValue

_JUDGED = re.compile(r"(kinematic viscosity|density|CCAI)(?: at ([-−]?\d+) °C)?")  # held against limits
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


def quantity_and_temperature(record: Any) -> tuple[str, str]:
    """Return what tells a value of a table from its others."""
    return record.quantity, f"{record.temperature_C:g}"


def _check_temperature(record: Limit | TypicalValue) -> Iterator[tuple[str, str]]:
    given = record.temperature_C == record.temperature_C
    if (index := records.INDICES.get(record.quantity)) and given:
        yield "temperature_C", f"{record.temperature_C:g}: {index} takes no temperature_C"
    if not index and not given:
        yield "temperature_C", f"missing, and must be given for {record.quantity}"


def _check_limit(limit: Limit) -> Iterator[tuple[str, str]]:
    yield from _check_temperature(limit)
    yield from toml.in_order("lowest", "highest", "a number greater than lowest", strictly=True)(limit)
    if limit.lowest != limit.lowest and limit.highest != limit.highest:
        yield "", "lowest or highest is missing; at least one of them must be given"


_values = partial(toml.tables, unique=quantity_and_temperature, called="the same quantity and temperature")


def _product(**given: Any) -> Product:
    """Fill in what its class brings and the limits of its standard, where the product says nothing of its own."""
    brought = product_classes().get(given["class_"], ProductClass())
    given["precision_class"] = given["precision_class"] or brought.precision_class
    given["commodity"] = given["commodity"] or brought.commodity or Product.commodity
    own = {quantity_and_temperature(one) for one in given["limits"]}
    published = standard_limits().get(given["standard"], ()) if given["standard"] else ()
    given["limits"] += tuple(one for one in published if quantity_and_temperature(one) not in own)
    return Product(**given)


def _check_product(product: Product) -> Iterator[tuple[str, str]]:
    known = standards_for(product.class_)
    if product.standard and product.standard not in known:
        of = f" of {product.class_}" if product.class_ else ""
        names = ", ".join(map(toml.shown, known))
        expected = f"one of {names} is expected" if known else f"no limits{of} are known here"
        yield "standard", f"{toml.shown(product.standard)}: {expected}{toml.nearest(product.standard, known)}"


def _change(value: Any, path: str, problems: toml.Problems) -> Any:
    words = all_quantities()
    if isinstance(value, str) and value[:1] in ("+", "-") and value[1:] in words:
        return value
    guess = toml.nearest(value.lstrip("+-"), words) if isinstance(value, str) else ""
    return problems.note(path, f"{toml.shown(value)}: + or - is expected before one of {', '.join(words)}{guess}")


QUANTITIES = toml.Key(toml.listed(_change, "quantities"), ())  # beside or without what the class names
PRODUCT = toml.table(
    toml.keys_of(
        Product,
        class_=toml.Key(toml.choice(product_classes())),
        commodity=toml.Key(toml.choice(COMMODITIES), ""),
        quantities=QUANTITIES,
        limits=toml.Key(_values(toml.record_of(Limit, _check_limit))),
        typical=toml.Key(_values(toml.record_of(TypicalValue, _check_temperature))),
    ),
    _product,
    _check_product,
    Product,
)  # reader of a [[product]]
_TWO = 2.0  # coverage factor where neither a value nor its lot states one: that of 95 %


def _lot(value: Any, path: str, problems: toml.Problems) -> Any:
    """Read a lot; what its certificate says of k holds for each value that says nothing itself."""
    lot = _LOT(value, path, problems)
    if lot is toml.UNFIT:
        return toml.UNFIT
    k = lot.coverage_factor
    silent = {"coverage_factor": k or _TWO, "k_is_stated": k is not None}
    values = (replace(one, **silent) if one.coverage_factor is None else one for one in lot.certified)
    return replace(lot, certified=tuple(values))


_LOT = toml.record_of(
    records.ReferenceLot,
    toml.in_order("valid_from", "valid_to", "a day on or after valid_from"),
    certified=toml.Key(_values(toml.record_of(records.CertifiedValue), may_be_empty=False)),
)
toml.described(_lot, lambda: toml.schema_of(_LOT))
_LOTS = toml.tables(_lot, unique=lambda lot: lot.lot.casefold(), called="a lot of this name", may_be_empty=False)
REFERENCE = toml.record_of(records.ReferenceMaterial, lots=toml.Key(_LOTS))  # reader of one reference oil
