"""What lab.toml says that can't be true by itself: certificates, limits beside typical values, precision classes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.setup.findings import Finding, Severity
from labcalc.lab import (
    CertifiedValue,
    Instrument,
    Laboratory,
    Precision,
    PrecisionStatement,
    Product,
    ReferenceLot,
    method_of,
    nearest,
    published_precision,
)
from labcalc.wording import at_celsius, plain

_LIGHTEST_KG_M3 = 10.0  # no liquid is lighter; a density in g/cm³ always is
_LARGEST_U_PERCENT = 1.0  # certificates of viscosity and density state a tenth to a hundredth of it: common practice

_USUAL_COVERAGE = (1.9, 3.3)
"""From k of the normal distribution, 95 %, to that of 99.9 %, with Student's factors of few results in between."""


def findings_of_description(laboratory: Laboratory) -> Iterator[Finding]:
    """Yield what contradicts itself, or physics, in what lab.toml says."""
    for r, oil in enumerate(laboratory.references, 1):
        for n, lot in enumerate(oil.lots, 1):
            yield from _certificate(f"{oil.name}, lot {lot.lot}", lot, f"reference[{r}].lot[{n}].certified")
    for p, product in enumerate(laboratory.products, 1):
        yield from _limits(product, f"product[{p}].limit")
    yield from _precision_classes(laboratory)
    for i, instrument in enumerate(laboratory.instruments, 1):
        yield from _methods(laboratory, instrument, f"instrument[{i}].methods")


def _certificate(name: str, lot: ReferenceLot, key: str) -> Iterator[Finding]:
    for c, one in enumerate(lot.certified, 1):
        yield from _certified(f"{name}, {_in_words(one)}", one, f"{key}[{c}]")
    warmer = sorted((one for one in lot.certified if not _in_g_cm3(one)), key=lambda one: one.temperature_C)
    for cold, warm in combinations(warmer, 2):
        if cold.quantity == warm.quantity and warm.value >= cold.value:
            finding = f"{name}: {_in_words(warm)} isn't below {_in_words(cold)}, and warm oil is thinner and lighter"
            yield Finding("error", key, finding, "Compare with the certificate: are two values swapped?")


def _in_words(one: CertifiedValue) -> str:
    return at_celsius(f"{one.quantity} {plain(one.value)} {UNITS[one.quantity]}", one.temperature_C)


def _in_g_cm3(one: CertifiedValue) -> bool:
    return one.quantity == "density" and one.value < _LIGHTEST_KG_M3


def _certified(name: str, one: CertifiedValue, key: str) -> Iterator[Finding]:
    U, k = one.expanded_uncertainty, one.coverage_factor
    share, right, light = 100.0 * U / one.value, f"{1000.0 * one.value:.10g}", _in_g_cm3(one)
    looks: tuple[tuple[bool, Severity, str, str, str], ...] = (
        (light, "error", "value", "that is in g/cm³", f"Write {right}, and U in kg/m³ too."),
        (U == 0.0, "error", "expanded_uncertainty", "a U of 0", "Take U from the certificate."),
        (
            share > _LARGEST_U_PERCENT and not light,
            "error",
            "expanded_uncertainty",
            f"a U of {share:.2g} %",
            "In the value's unit?",
        ),
        (
            not _USUAL_COVERAGE[0] <= k <= _USUAL_COVERAGE[1],
            "warning",
            "coverage_factor",
            f"k = {k:g}",
            "Mostly it is 2.",
        ),
    )
    for odd, severity, field, finding, remedy in looks:
        if odd:
            yield Finding(severity, f"{key}.{field}", f"{name}: {finding}", remedy)


def _limits(product: Product, key: str) -> Iterator[Finding]:
    for n, limit in enumerate(product.limits, 1):
        for one in product.typical:
            alike = one.quantity == limit.quantity and not abs(one.temperature_C - limit.temperature_C) > 0.0
            if alike and (one.mean < limit.lowest or one.mean > limit.highest):
                finding = f"{product.name}: the typical {one.quantity} {one.mean:g} lies outside this limit"
                yield Finding("warning", f"{key}[{n}]", finding, "Compare both: one of them is wrong.")


def _precision_classes(laboratory: Laboratory) -> Iterator[Finding]:
    shipped = (one.precision_class for one in published_precision() if one.default)
    known = {name.casefold(): name for name in (*shipped, *(one.precision_class for one in laboratory.precision))}
    for p, product in enumerate(laboratory.products, 1):
        if (name := product.precision_class) and name.casefold() not in known:
            finding = f"{product.name}: no precision statement is for '{name}'{nearest(name, known.values())}"
            remedy = f"Known are {', '.join(known.values())}; [[precision]] can state another."
            yield Finding("warning", f"product[{p}].precision_class", finding, remedy)


def _methods(laboratory: Laboratory, instrument: Instrument, key: str) -> Iterator[Finding]:
    """Name the classes of products that no precision of the instrument's method is known for here."""
    asked = dict.fromkeys(one.precision_class for one in laboratory.products if one.precision_class)
    for quantity in ("kinematic viscosity", "density"):
        if not (method := method_of(laboratory, instrument.name, quantity)):
            continue
        published = [one for one in published_precision() if one.edition_title == method]
        ones: list[Precision | PrecisionStatement] = [*published, *laboratory.precision]
        stated = {one.precision_class.casefold() for one in ones if one.quantity == quantity}
        if lacking := [name for name in asked if name.casefold() not in stated]:
            finding = (
                f"{instrument.name}: no precision of {method} is known here for {quantity} of {', '.join(lacking)}"
            )
            yield Finding("warning", key, finding, "State your own under [[precision]]; `labcalc duplicates` tells it.")
