"""What follows from the results of a run: index, grade, interpolated viscosity, density at 15 °C, gravity."""

import math
import warnings
from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run.consequence import Consequence, calculated, missing, taken_for_granted
from labcalc.judgement.run.derived_densities import Densities
from labcalc.judgement.run.results import Result, Results, reported_value
from labcalc.judgement.uncertainty.effects import CONFIDENCE, MODEL
from labcalc.lab import GradeSystem, grade_systems
from labcalc.statistics import coverage_factor
from labcalc.wording import celsius, numeral


def consequences_of(dossier: Dossier, results: Results) -> tuple[Consequence, ...]:
    """Return all that a run report calculates from the results; what can't be calculated says why.

    dossier : The run with its context.
    results : Its results.
    Returns : What the class of the product asks for, always in the same order.
    """
    liquid = dossier.liquid
    densities = Densities(dossier, results)
    calculate: dict[str, Callable[[], Iterable[Consequence]]] = {
        "viscosity index": lambda: (_index(results),),
        "viscosities at other temperatures": lambda: _viscosities(dossier, results),
        "density at 15 °C": lambda: (densities.at_15,),
        "density at 20 °C": lambda: (densities.at_20,),
        "relative density": lambda: (densities.relative,),
        "API gravity": lambda: (densities.gravity,),
        "CCAI": lambda: (_ignition(results, densities.at_15, "CCAI", formulae.calculated_carbon_aromaticity_index),),
        "CII": lambda: (_ignition(results, densities.at_15, "CII", formulae.calculated_ignition_index),),
        "Saybolt viscosity": lambda: (_saybolt(results, fahrenheit, liquid) for fahrenheit in (100, 210)),
        "viscosity-gravity constant": lambda: (_gravity_constant(results, at, densities.at_15) for at in (40, 100)),
        "molar mass": lambda: (_molecular_mass(results, densities.at_60F),),
    }
    found = {name: tuple(calculate[name]()) for name in dossier.quantities if name in calculate}
    known = (*results, densities.at_15, *(one for ones in found.values() for one in ones))
    graded = {one.quantity: (_grade(one, known),) for one in grade_systems() if one.quantity in dossier.quantities}
    return tuple(one for name in dossier.quantities for one in (found | graded)[name])


def _index(results: Results) -> Consequence:
    name, standard = "Viscosity index", formulae.edition_of("viscosity_index")
    pair = [results.of("kinematic viscosity", temperature) for temperature in (40.0, 100.0)]
    inputs = [r for r in pair if r is not None]
    if len(inputs) < 2:
        return missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C")
    return calculated(
        name,
        formulae.viscosity_index,
        inputs,
        lambda v: reported_value("viscosity index", v),
        "",
        standard,
        "table basis",
    )


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


def _viscosities(dossier: Dossier, results: Results) -> list[Consequence]:
    measured = {r.temperature_C for r in results.viscosities}
    return [viscosity_at(results, t, dossier.liquid) for t in dossier.temperatures_C if t not in measured]


def viscosity_at(results: Results, temperature: float, liquid: str | None = None) -> Consequence:
    """Return the kinematic viscosity of the line at a temperature, [°C], with how far oils bend away from it there."""
    name, standard = f"Kinematic viscosity at {celsius(temperature)}", formulae.edition_of("fit_viscosity_temperature")
    if len(results.viscosities) < 2:
        return missing(name, "mm²/s", standard, "needs two measured temperatures")
    low, high = results.viscosities[0].temperature_C, results.viscosities[-1].temperature_C
    note = "" if low <= temperature <= high else f"extrapolated: measured from {celsius(low)} to {celsius(high)} only"
    report = partial(reported_value, "kinematic viscosity")
    inputs: list[Result | Consequence] = [*results.viscosities, _oil_over_line(results, temperature, liquid)]
    return calculated(name, _line_at(results, temperature), inputs, report, "mm²/s", standard, note)


def _oil_over_line(results: Results, temperature: float, liquid: str | None) -> Consequence:
    """Return the viscosity of the oil over that of the line: 1, with how far oils bend away from it.

    The bend is known in the logarithm of the viscosity; U is what it may be above the line, the wider side.
    """
    k = coverage_factor(CONFIDENCE)
    try:
        percent = results.line_through.departure_percent(temperature, [r.value for r in results.viscosities], liquid)
    except OutOfRangeError as refusal:
        return missing("", "", "", str(refusal))
    basis = formulae.edition_of("line_model_uncertainty")
    return taken_for_granted(MODEL, "bend of the oil", math.expm1(0.01 * k * float(percent)) / k, basis)


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
    standard = formulae.edition_of("saybolt_universal_from_kinematic")
    if len(results.viscosities) < 2:
        return missing(name, "s", standard, "needs two measured temperatures")
    kinematic = _line_at(results, temperature)

    def saybolt(*inputs: ArrayLike) -> NDArray[np.float64]:
        return formulae.saybolt_universal_from_kinematic(kinematic(*inputs), temperature)

    note = f"from the viscosity-temperature line at {numeral(temperature, 2)} °C"
    report: Callable[[float], str] = lambda v: numeral(v, 1 if v < 200.0 else 0)  # noqa: E731
    inputs: list[Result | Consequence] = [*results.viscosities, _oil_over_line(results, temperature, liquid)]
    return calculated(name, saybolt, inputs, report, "s", standard, note)


def _ignition(
    results: Results, density_15: Consequence, name: str, index: Callable[..., NDArray[np.float64]]
) -> Consequence:
    """Return an index of ignition from the viscosity measured nearest to 50 °C, its usual temperature."""
    standard = formulae.edition_of("calculated_carbon_aromaticity_index")
    usable = [r for r in results.viscosities if 40.0 <= r.temperature_C <= 150.0]
    if not usable or not results.densities:
        return missing(name, "", standard, "needs a kinematic viscosity, at 50 °C at best, and a density")
    nearest = min(usable, key=lambda r: abs(r.temperature_C - 50.0))
    note = f"from the kinematic viscosity at {celsius(nearest.temperature_C)}"
    return calculated(
        name,
        lambda density, viscosity: index(density, viscosity, nearest.temperature_C),
        [density_15, nearest],
        partial(numeral, decimals=0),
        "",
        standard,
        note,
    )


def _gravity_constant(results: Results, temperature: int, density_15: Consequence) -> Consequence:
    name = f"Viscosity-gravity constant ({celsius(temperature)})"
    standard = formulae.edition_of("viscosity_gravity_constant_40C")
    viscosity = results.of("kinematic viscosity", temperature)
    if viscosity is None or not results.densities:
        return missing(name, "", standard, f"needs the kinematic viscosity at {celsius(temperature)} and a density")
    formula = formulae.viscosity_gravity_constant_40C if temperature == 40 else formulae.viscosity_gravity_constant_100C
    return calculated(name, formula, [density_15, viscosity], partial(numeral, decimals=3), "", standard)


def _molecular_mass(results: Results, density_60F: Consequence) -> Consequence:
    """Estimate the relative molecular mass; how wrong the equation is for an oil isn't known, so there is no U."""
    name, standard = "Relative molecular mass", formulae.edition_of("relative_molecular_mass")
    pair = [results.of("kinematic viscosity", at) for at in (40.0, 100.0)]
    viscosities = [r.value for r in pair if r is not None]
    if len(viscosities) < 2 or not results.densities:
        return missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C and a density")
    if math.isnan(density_60F.value):
        return missing(name, "", standard, density_60F.note)
    try:
        warm, hot = formulae.viscosities_at_100F_and_210F(*viscosities)
        mass = float(formulae.relative_molecular_mass(warm, hot, formulae.relative_density(density_60F.value)))
    except OutOfRangeError as refusal:
        return missing(name, "", standard, str(refusal))
    return Consequence(name, mass, numeral(mass, 0), "", standard, "an estimate; the equation's own error is not known")
