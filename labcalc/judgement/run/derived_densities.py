"""Densities at other temperatures: by the oil's own expansion where two were measured, else by the tables."""

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.uncertainty.effects import MODEL
from labcalc.judgement.uncertainty.results import Consequence, Result, Results, calculated, missing, taken_for_granted
from labcalc.wording import celsius, numeral

AT_60F = 140.0 / 9.0  # 60 °F, [°C]

_LEAST_SPAN_K = 10.0
"""Distance of two temperatures from which on two densities tell an expansion, [K]: labcalc's own choice."""

_report = partial(numeral, decimals=1)


def density_at(dossier: Dossier, results: Results, to_C: float) -> Consequence:
    """Return the density at a temperature, [°C]: by the oil's own expansion; by the table where there is none."""
    name = f"Density at {'60 °F' if to_C == AT_60F else celsius(to_C)}"
    measured = sorted((one for one in results.densities if not one.follows), key=_from_15)
    far = max(measured, key=lambda one: abs(one.temperature_C - measured[0].temperature_C), default=None)
    if far is None or abs(far.temperature_C - measured[0].temperature_C) < _LEAST_SPAN_K:
        return _by_table(name, to_C, min(results.densities, key=_from_15, default=None), dossier)
    try:
        return _by_own(name, to_C, measured[0], far, dossier.liquid)
    except OutOfRangeError as refusal:
        table = _by_table(name, to_C, measured[0], dossier)
        return replace(table, note=f"{table.note}; not by its own expansion: {refusal}")


def _from_15(result: Result) -> float:
    return abs(result.temperature_C - 15.0)


def _by_table(name: str, to_C: float, nearest: Result | None, dossier: Dossier) -> Consequence:
    """Return the density by the expansion that the tables give for the group, and how far oils are from that."""
    formula = "density_at_60F" if to_C == AT_60F else "density_at"
    if nearest is None:
        return missing(name, "kg/m³", formulae.edition_of(formula), "needs a measured density")
    from_C, commodity = nearest.temperature_C, dossier.commodity

    def density(measured: ArrayLike, oil_over_table: ArrayLike) -> NDArray[np.float64]:
        if to_C == AT_60F:
            found = formulae.density_at_60F(measured, from_C, commodity=commodity)
        else:
            found = formulae.density_at(measured, from_C, to_C, commodity=commodity)
        return np.asarray(found * np.asarray(oil_over_table))

    try:
        kg_m3 = formulae.table_expansion_uncertainty(nearest.value, from_C, to_C, commodity=commodity)
        relative = float(kg_m3 / density(nearest.value, 1.0))
    except OutOfRangeError as refusal:
        return missing(name, "kg/m³", formulae.edition_of(formula), str(refusal))
    basis = "how far oils expand otherwise than API MPMS 11.1 says (table_expansion.toml)"
    oil_over_table = taken_for_granted(MODEL, "expansion by the table", relative, basis)
    assumed = "" if dossier.product else ", assumed: lab.toml knows no such product"
    note = f"from {celsius(from_C)}, commodity group {commodity}{assumed}"
    return calculated(name, formula, density, [nearest, oil_over_table], _report, "kg/m³", note)


def _by_own(name: str, to_C: float, near: Result, far: Result, liquid: str | None) -> Consequence:
    def density(first: ArrayLike, second: ArrayLike, oil_over_equation: ArrayLike) -> NDArray[np.float64]:
        own = formulae.density_by_own_expansion(first, near.temperature_C, second, far.temperature_C, to_C)
        return np.asarray(own.density * np.asarray(oil_over_equation))

    own = formulae.density_by_own_expansion(
        near.value, near.temperature_C, far.value, far.temperature_C, to_C, liquid=liquid
    )
    basis = "how far oils expand otherwise than the equation of API MPMS 11.1 says (table_expansion.toml)"
    relative = float(own.equation_uncertainty / own.density)
    oil_over_equation = taken_for_granted(MODEL, "equation of the expansion", relative, basis)
    cold, hot = sorted((near.temperature_C, far.temperature_C))
    note = f"by its own expansion, {celsius(cold)} to {celsius(hot)}"
    formula = "density_by_own_expansion"
    return calculated(name, formula, density, [near, far, oil_over_equation], _report, "kg/m³", note)
