"""Does the product comply, and is it as it usually is? Specification limits and typical values of lab.toml."""

from __future__ import annotations

import math

from labcalc.judgement.checks import Check
from labcalc.judgement.consequences import Consequence
from labcalc.judgement.material import Dossier
from labcalc.judgement.results import UNITS, Result, find_result
from labcalc.lab import Limit, Product, TypicalValue
from labcalc.statistics import rounded, rounded_to_figures

__all__ = ["TYPICAL_DEVIATIONS", "specification_checks", "typical_check"]

TYPICAL_DEVIATIONS = 3.0
"""How many standard deviations a product may be from its typical value: common practice."""

_RULE = "value rounded to the limit's decimals (ASTM E29, rounding method); closer to a limit than U: second look"


def specification_checks(
    dossier: Dossier, results: tuple[Result, ...], consequences: tuple[Consequence, ...]
) -> tuple[Check, ...]:
    """Compare each limit of the product's specification with the result, by the stated decision rule."""
    name = "Specification"
    if dossier.is_reference:
        return ()
    if dossier.product is None:
        return (Check(name, "not checked", "lab.toml knows no product of this name"),)
    if not dossier.product.limits:
        return (Check(name, "not checked", f"lab.toml gives {dossier.product.name} no limits"),)
    return tuple(_specification(limit, dossier.product, results, consequences) for limit in dossier.product.limits)


def typical_check(dossier: Dossier, results: tuple[Result, ...]) -> Check | None:
    """Compare the results with the product's typical values; None for a reference oil."""
    name = "Typical values"
    if dossier.is_reference:
        return None
    typical = dossier.product.typical if dossier.product else ()
    pairs = [
        (value, found) for value in typical if (found := find_result(results, value.quantity, value.temperature_C))
    ]
    if not pairs:
        return Check(name, "not checked", "lab.toml gives this product no typical value that was measured here")
    value, found = max(pairs, key=lambda pair: abs(_deviations(*pair)))
    score = _deviations(value, found)
    side = "above" if score > 0 else "below"
    return Check(
        name,
        "met" if abs(score) <= TYPICAL_DEVIATIONS else "doubtful",
        f"{found.name[0].lower()}{found.name[1:]}, {found.reported} {found.unit}, is {abs(score):.1f} standard "
        f"deviations {side} the typical {value.mean:g}; limit {TYPICAL_DEVIATIONS:g}"
        + (f" (furthest of {len(pairs)})" if len(pairs) > 1 else ""),
        "typical values of lab.toml; limit by common practice",
    )


def _deviations(typical: TypicalValue, found: Result) -> float:
    return (found.value - typical.mean) / typical.standard_deviation


def _specification(
    limit: Limit, product: Product, results: tuple[Result, ...], consequences: tuple[Consequence, ...]
) -> Check:
    where = "" if math.isnan(limit.temperature_C) else f" at {limit.temperature_C:g} °C"
    name = f"Specification: {limit.quantity}{where}"
    unit = UNITS.get(limit.quantity, "")
    found = _value(limit, results, consequences)
    if found is None:
        return Check(name, "not checked", "not measured in this run")
    value, uncertainty = found
    reported = float(rounded(value, limit.decimals))
    outside = reported < limit.lowest or reported > limit.highest
    margin = min(_margins(value, limit))
    close = not outside and margin < uncertainty
    u = "" if math.isnan(uncertainty) else f" (U = {rounded_to_figures(uncertainty, 2)})"
    return Check(
        name,
        "not met" if outside else "doubtful" if close else "met",
        f"{rounded(value, limit.decimals)}{f' {unit}' if unit else ''}{u}; {_words(limit, unit)}"
        + (": within by less than the uncertainty" if close else ""),
        f"{product.specification or product.name}; {_RULE}",
    )


def _value(
    limit: Limit, results: tuple[Result, ...], consequences: tuple[Consequence, ...]
) -> tuple[float, float] | None:
    """Return the value to compare and its expanded uncertainty: measured, else an index or a density."""
    if measured := find_result(results, limit.quantity, limit.temperature_C):
        return measured.value, measured.expanded_uncertainty
    names = {"viscosity index": "Viscosity index", "density": f"Density at {limit.temperature_C:g} °C"}
    for one in consequences:
        if one.name == names.get(limit.quantity) and math.isfinite(one.value):
            return one.value, one.expanded_uncertainty
    return None


def _margins(value: float, limit: Limit) -> list[float]:
    sides = (value - limit.lowest, limit.highest - value)
    return [abs(margin) for margin in sides if not math.isnan(margin)]


def _words(limit: Limit, unit: str) -> str:
    low, high = (f"{side:.{limit.decimals}f}" for side in (limit.lowest, limit.highest))
    if math.isnan(limit.lowest):
        return f"at most {high} {unit}".strip()
    if math.isnan(limit.highest):
        return f"at least {low} {unit}".strip()
    return f"limits {low} to {high} {unit}".strip()
