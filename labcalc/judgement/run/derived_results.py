"""What follows from the results of a run: index, grade, viscosities and densities elsewhere, gravity."""

import math
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.uncertainty import results as uncertainty
from labcalc.judgement.uncertainty.results import Consequence, Result, Results, calculated, missing, reported_value
from labcalc.lab import GradeSystem, grade_systems
from labcalc.statistics import coverage_factor
from labcalc.wording import celsius, numeral

AT_60F = 140.0 / 9.0  # 60 °F, [°C]
_LEAST_SPAN_K = 10.0  # from which distance on two densities tell an expansion, [K]: our own choice
_NEEDS_TWO = "needs two measured temperatures"
_whole, _tenth = (partial(numeral, decimals=number) for number in (0, 1))


def consequences_of(dossier: Dossier, results: Results) -> tuple[Consequence, ...]:
    """Return what the class of the product asks for, always in the same order; what can't be calculated says why."""
    density = cache(partial(density_at, dossier, results))
    if_measured: Callable[[float], Consequence | None] = density if results.densities else lambda _: None
    measured = {r.temperature_C for r in results.viscosities}
    at_40, at_100 = (results.of("kinematic viscosity", at) for at in (40.0, 100.0))
    calculate: dict[str, Callable[[], Iterable[Consequence]]] = {
        "viscosity index": lambda: (_index(at_40, at_100),),
        "viscosities at other temperatures": lambda: viscosities_at(
            results, [t for t in dossier.temperatures_C if t not in measured], dossier.liquid
        ),
        "density at 15 °C": lambda: (density(15.0),),
        "density at 20 °C": lambda: (density(20.0),),
        "relative density": lambda: (_by_60F("Relative density 60/60 °F", "", 4, "relative_density", density(AT_60F)),),
        "API gravity": lambda: (_by_60F("API gravity", "°API", 1, "api_gravity", density(AT_60F)),),
        "CCAI": lambda: (_ignition(results, if_measured(15.0), "CCAI", formulae.calculated_carbon_aromaticity_index),),
        "CII": lambda: (_ignition(results, if_measured(15.0), "CII", formulae.calculated_ignition_index),),
        "Saybolt viscosity": lambda: (_saybolt(results, fahrenheit, dossier.liquid) for fahrenheit in (100, 210)),
        "viscosity-gravity constant": lambda: (_gravity_constant(results, at, if_measured(15.0)) for at in (40, 100)),
        "molar mass": lambda: (_molecular_mass(at_40, at_100, if_measured(AT_60F)),),
    }
    found = {name: tuple(calculate[name]()) for name in dossier.quantities if name in calculate}
    known = (*results, density(15.0), *(one for ones in found.values() for one in ones))
    graded = {one.quantity: (_grade(one, known),) for one in grade_systems() if one.quantity in dossier.quantities}
    return tuple(one for name in dossier.quantities for one in (found | graded)[name])


def _index(at_40: Result | None, at_100: Result | None) -> Consequence:
    needs, report = "needs the kinematic viscosities at 40 °C and 100 °C", partial(reported_value, "viscosity index")
    formula = formulae.viscosity_index
    return calculated("Viscosity index", "viscosity_index", formula, [at_40, at_100], report, "", "table basis", needs)


def _by_60F(name: str, unit: str, decimals: int, formula: str, at_60F: Consequence) -> Consequence:
    report = partial(numeral, decimals=decimals)
    return calculated(name, formula, getattr(formulae, formula), [at_60F], report, unit, at_60F.note)


def _grade(system: GradeSystem, known: Sequence[Result | Consequence]) -> Consequence:
    """Tell the grade by the values as reported; what the table asks for beside them is said."""
    reported = {one.name.casefold(): float(one.reported.replace("−", "-")) for one in known if math.isfinite(one.value)}
    values = {key: reported[name.casefold()] for key, name in system.asks_for.items() if name.casefold() in reported}
    if not any(key.startswith("kv_") for key in values):
        needed = next(name for key, name in system.asks_for.items() if key.startswith("kv_"))
        return missing(system.name, "", system.edition, f"needs the {needed}")
    if system.table == "ISO 3448":
        grade = str(formulae.viscosity_grade(values["kv_40"]))
    else:
        grade = system.told_by(**values) or f"none of {system.table}"
    unasked = ", ".join(name for key, name in system.asks_for.items() if key not in values)
    note = "; ".join(filter(None, (system.beside, unasked and f"not known: {unasked}")))
    return Consequence(system.name, math.nan, grade, "", system.edition, note)


def viscosities_at(results: Results, temperatures: Sequence[float], liquid: str | None) -> list[Consequence]:
    """Return the kinematic viscosity of the line at temperatures, [°C], with how far oils bend away from it there."""
    report, measured = partial(reported_value, "kinematic viscosity"), [r.temperature_C for r in results.viscosities]
    beyond = f"extrapolated: measured from {celsius(measured[0])} to {celsius(measured[-1])} only" if measured else ""
    found = []
    for one, inputs in zip(temperatures, _inputs_of_line(results, temperatures, liquid), strict=True):
        note = "" if measured and measured[0] <= one <= measured[-1] else beyond
        name, line = f"Kinematic viscosity at {celsius(one)}", _line_at(results, one)
        found.append(calculated(name, "fit_viscosity_temperature", line, inputs, report, "mm²/s", note, _NEEDS_TWO))
    return found


def _inputs_of_line(
    results: Results, temperatures: Sequence[float], liquid: str | None
) -> list[list[Result | Consequence | None]]:
    """Return the viscosities, and the oil's over the line's: 1, with how far oils bend up from it, the wider side."""
    viscosities, k = results.viscosities, coverage_factor(uncertainty.CONFIDENCE)
    if len(viscosities) < 2:
        return [[None]] * len(temperatures)
    try:
        percents = results.line_through.departure_percent(temperatures, [r.value for r in viscosities], liquid)
    except OutOfRangeError as refusal:
        return [[*viscosities, missing("", "", "", str(refusal))]] * len(temperatures)
    basis, sizes = formulae.edition_of("line_model_uncertainty"), (np.expm1(0.01 * k * percents) / k).tolist()
    return [
        [*viscosities, uncertainty.taken_for_granted(uncertainty.MODEL, "bend of the oil", size, basis)]
        for size in sizes
    ]


def _line_at(results: Results, temperature: float) -> Callable[..., NDArray[np.float64]]:
    """Return the function that takes the measured viscosities, and the oil over the line, to one temperature."""

    def viscosity(*inputs: ArrayLike) -> NDArray[np.float64]:
        *viscosities, oil_over_line = inputs
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            line = results.line_through(np.stack(viscosities, axis=-1))
            return np.asarray(line.kinematic_viscosity_at(temperature, extrapolate=True) * np.asarray(oil_over_line))

    return viscosity


def _saybolt(results: Results, fahrenheit: int, liquid: str | None) -> Consequence:
    name, temperature = f"Saybolt Universal viscosity at {fahrenheit} °F", (fahrenheit - 32.0) / 1.8
    kinematic, formula = _line_at(results, temperature), "saybolt_universal_from_kinematic"

    def saybolt(*inputs: ArrayLike) -> NDArray[np.float64]:
        return formulae.saybolt_universal_from_kinematic(kinematic(*inputs), temperature)

    def report(seconds: float) -> str:
        return numeral(seconds, 1 if seconds < 200.0 else 0)

    note = f"from the viscosity-temperature line at {numeral(temperature, 2)} °C"
    [inputs] = _inputs_of_line(results, [temperature], liquid)
    return calculated(name, formula, saybolt, inputs, report, "s", note, _NEEDS_TWO)


def _ignition(
    results: Results, density_15: Consequence | None, name: str, index: Callable[..., NDArray[np.float64]]
) -> Consequence:
    """Return an index of ignition from the viscosity measured nearest to 50 °C, its usual temperature."""
    usable = [r for r in results.viscosities if 40.0 <= r.temperature_C <= 150.0]
    nearest = min(usable, key=lambda r: abs(r.temperature_C - 50.0), default=None)
    at_C, formula = nearest.temperature_C if nearest else math.nan, "calculated_carbon_aromaticity_index"

    def at_its_temperature(density: ArrayLike, viscosity: ArrayLike) -> NDArray[np.float64]:
        return index(density, viscosity, at_C)

    needs = "needs a kinematic viscosity, at 50 °C at best, and a density"
    note = f"from the kinematic viscosity at {celsius(at_C)}"
    return calculated(name, formula, at_its_temperature, [density_15, nearest], _whole, "", note, needs)


def _gravity_constant(results: Results, temperature: int, density_15: Consequence | None) -> Consequence:
    name, at = f"Viscosity-gravity constant ({celsius(temperature)})", celsius(temperature)
    formula = formulae.viscosity_gravity_constant_40C if temperature == 40 else formulae.viscosity_gravity_constant_100C
    inputs, report = [density_15, results.of("kinematic viscosity", temperature)], partial(numeral, decimals=3)
    needs = f"needs the kinematic viscosity at {at} and a density"
    return calculated(name, "viscosity_gravity_constant_40C", formula, inputs, report, needs=needs)


def _molecular_mass(at_40: Result | None, at_100: Result | None, density_60F: Consequence | None) -> Consequence:
    """Estimate the relative molecular mass; how wrong the equation is for an oil isn't known, so there is no U."""

    def mass(kv_40: ArrayLike, kv_100: ArrayLike, kg_m3: ArrayLike) -> NDArray[np.float64]:
        warm, hot = formulae.viscosities_at_100F_and_210F(kv_40, kv_100)
        return formulae.relative_molecular_mass(warm, hot, formulae.relative_density(kg_m3))

    inputs, needs = [at_40, at_100, density_60F], "needs the kinematic viscosities at 40 °C and 100 °C and a density"
    name, note = "Relative molecular mass", "an estimate; the equation's own error is not known"
    return replace(calculated(name, "relative_molecular_mass", mass, inputs, _whole, "", note, needs), effects=())


# --- Densities: by the oil's own expansion where two were measured, else by the tables ---


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
    oil_over_table = uncertainty.taken_for_granted(uncertainty.MODEL, "expansion by the table", relative, basis)
    assumed = "" if dossier.product else ", assumed: lab.toml knows no such product"
    note = f"from {celsius(from_C)}, commodity group {commodity}{assumed}"
    return calculated(name, formula, density, [nearest, oil_over_table], _tenth, "kg/m³", note)


def _by_own(name: str, to_C: float, near: Result, far: Result, liquid: str | None) -> Consequence:
    def density(first: ArrayLike, second: ArrayLike, oil_over_equation: ArrayLike) -> NDArray[np.float64]:
        own = formulae.density_by_own_expansion(first, near.temperature_C, second, far.temperature_C, to_C)
        return np.asarray(own.density * np.asarray(oil_over_equation))

    measured = near.value, near.temperature_C, far.value, far.temperature_C
    own = formulae.density_by_own_expansion(*measured, to_C, liquid=liquid)
    basis = "how far oils expand otherwise than the equation of API MPMS 11.1 says (table_expansion.toml)"
    relative = float(own.equation_uncertainty / own.density)
    oil_over_equation = uncertainty.taken_for_granted(uncertainty.MODEL, "equation of the expansion", relative, basis)
    cold, hot = sorted((near.temperature_C, far.temperature_C))
    note, formula = f"by its own expansion, {celsius(cold)} to {celsius(hot)}", "density_by_own_expansion"
    return calculated(name, formula, density, [near, far, oil_over_equation], _tenth, "kg/m³", note)
