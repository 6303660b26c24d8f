"""Density at 15 °C and 60 °F: by the oil's own expansion where two were measured, else by the tables; and gravity."""

import math
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run.consequence import Consequence, calculated, missing, taken_for_granted
from labcalc.judgement.run.results import Result, Results
from labcalc.judgement.uncertainty.effects import MODEL
from labcalc.wording import celsius, numeral, signed

_60F = 140.0 / 9.0  # 60 °F, [°C]

_LEAST_SPAN_K = 10.0
"""Distance of two temperatures from which on two densities tell an expansion, [K]: labcalc's own choice."""

_MEASURED_K = 1.0  # distance from 15 °C within which a density counts as measured there, [K]: labcalc's own choice
_Place = tuple[str, float, str]  # name, temperature [°C] and formula of a density

_AT_15: _Place = ("Density at 15 °C", 15.0, "density_at")
_AT_20: _Place = ("Density at 20 °C", 20.0, "density_at")
_AT_60F: _Place = ("Density at 60 °F", _60F, "density_at_60F")

_report = partial(numeral, decimals=1)


@dataclass(frozen=True)
class Densities:
    """The densities of a run at other temperatures, each calculated when it is asked for."""

    dossier: Dossier
    results: Results

    @cached_property
    def at_15(self) -> Consequence:
        """Density at 15 °C, with the table's answer beside that of the oil's own expansion."""
        found = self._at(_AT_15)
        if self._pair is None or "; " in found.note:
            return found
        near, far = self._pair
        base = near if _from_15(near) > _MEASURED_K else far  # from 15 °C itself it would only repeat the result
        beside = _beside(found, _by_table(*_AT_15, base, self.dossier), base.temperature_C, self.dossier)
        return replace(found, note=f"{found.note}; {beside}")

    @cached_property
    def at_20(self) -> Consequence:
        """Density at 20 °C."""
        return self._at(_AT_20)

    @cached_property
    def at_60F(self) -> Consequence:
        """Density at 60 °F."""
        return self._at(_AT_60F)

    @cached_property
    def relative(self) -> Consequence:
        """Relative density 60/60 °F."""
        standard, report = formulae.edition_of("relative_density"), partial(numeral, decimals=4)
        inputs, name = [self.at_60F], "Relative density 60/60 °F"
        return calculated(name, formulae.relative_density, inputs, report, "", standard, self.at_60F.note)

    @cached_property
    def gravity(self) -> Consequence:
        """API gravity."""
        standard, inputs = formulae.edition_of("api_gravity"), [self.at_60F]
        return calculated("API gravity", formulae.api_gravity, inputs, _report, "°API", standard, self.at_60F.note)

    @cached_property
    def _pair(self) -> tuple[Result, Result] | None:
        return _pair(self.results)

    def _at(self, place: _Place) -> Consequence:
        """Return a density by the oil's own expansion; by the table where there is none."""
        nearest = min(self.results.densities, key=_from_15, default=None)
        if nearest is None:
            return missing(place[0], "kg/m³", formulae.edition_of(place[2]), "needs a measured density")
        if self._pair is None:
            return _by_table(*place, nearest, self.dossier)
        try:
            return _by_own(*place[:2], self._pair, self.dossier.liquid)
        except OutOfRangeError as refusal:
            table = _by_table(*place, self._pair[0], self.dossier)
            return replace(table, note=f"{table.note}; not by its own expansion: {refusal}")


def _from_15(result: Result) -> float:
    return abs(result.temperature_C - 15.0)


def _pair(results: Results) -> tuple[Result, Result] | None:
    """Return the measured density nearest to 15 °C and the one furthest from it; None where they tell no expansion."""
    measured = [r for r in results.densities if not r.follows]
    if not measured:
        return None
    near = min(measured, key=_from_15)
    far = max(measured, key=lambda r: abs(r.temperature_C - near.temperature_C))
    return (near, far) if abs(far.temperature_C - near.temperature_C) >= _LEAST_SPAN_K else None


def _by_table(name: str, to_C: float, key: str, nearest: Result, dossier: Dossier) -> Consequence:
    """Return the density by the expansion that the tables give for the group, and how far oils are from that."""
    from_C, commodity, standard = nearest.temperature_C, dossier.commodity, formulae.edition_of(key)

    def density(measured: ArrayLike, oil_over_table: ArrayLike) -> NDArray[np.float64]:
        if to_C == _60F:
            found = formulae.density_at_60F(measured, from_C, commodity=commodity)
        else:
            found = formulae.density_at(measured, from_C, to_C, commodity=commodity)
        return np.asarray(found * np.asarray(oil_over_table))

    try:
        kg_m3 = formulae.table_expansion_uncertainty(nearest.value, from_C, to_C, commodity=commodity)
        relative = float(kg_m3 / density(nearest.value, 1.0))
    except OutOfRangeError as refusal:
        return missing(name, "kg/m³", standard, str(refusal))
    basis = "how far oils expand otherwise than API MPMS 11.1 says (table_expansion.toml)"
    oil_over_table = taken_for_granted(MODEL, "expansion by the table", relative, basis)
    note = f"from {celsius(from_C)}, {_group(dossier)}"
    return calculated(name, density, [nearest, oil_over_table], _report, "kg/m³", standard, note)


def _group(dossier: Dossier) -> str:
    assumed = "" if dossier.product else ", assumed: lab.toml knows no such product"
    return f"commodity group {dossier.commodity}{assumed}"


def _by_own(name: str, to_C: float, pair: tuple[Result, Result], liquid: str | None) -> Consequence:
    near, far = pair

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
    standard = formulae.edition_of("density_by_own_expansion")
    return calculated(name, density, [near, far, oil_over_equation], _report, "kg/m³", standard, note)


def _beside(own: Consequence, table: Consequence, from_C: float, dossier: Dossier) -> str:
    """Say what the table gives, and whether the difference is more than the uncertainties explain."""
    group = dossier.commodity + ("" if dossier.product else ", which is assumed")
    if math.isnan(table.value):
        return f"the table for {group}: {table.note}"
    difference = calculated("", np.subtract, [table, own], _report, "kg/m³", "")
    size, U = signed(difference.value, 1), difference.expanded_uncertainty
    answer = f"the table for {group} gives {table.reported} from {celsius(from_C)}, {size}"
    if math.isnan(U):
        return f"{answer}: can't tell whether they differ, as U is unknown"
    if abs(difference.value) <= U:
        return f"{answer}, within the uncertainties (±{numeral(U, 1)})"
    why = "of another group, contaminated, or a density is wrong"
    return f"{answer}, beyond the uncertainties (±{numeral(U, 1)}): {why}"
