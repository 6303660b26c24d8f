"""What follows from the results of a run: index, grade, interpolated viscosity, density at 15 °C, gravity."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run.consequence import Consequence, calculated, missing, taken_for_granted
from labcalc.judgement.run.derived_densities import densities_of
from labcalc.judgement.run.results import Result, Results, reported_value
from labcalc.judgement.uncertainty.effects import CONFIDENCE, MODEL
from labcalc.statistics import coverage_factor
from labcalc.wording import celsius, numeral


def consequences_of(dossier: Dossier, results: Results, liquid: str | None = None) -> tuple[Consequence, ...]:
    """Return all that a run report calculates from the results; what can't be calculated says why.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.
    results : Results
        Its results.
    liquid : str, optional
        Kind of liquid, as in ``judge_slope``; of none, the widest uncertainty of line and expansion is taken.

    Returns
    -------
    tuple of Consequence
        Always the same quantities in the same order.
    """
    density_15, density_60F, relative_density, gravity = densities_of(dossier, results, liquid)
    return (
        _index(results),
        _grade(results),
        *_viscosities(dossier, results, liquid),
        density_15,
        relative_density,
        gravity,
        *(_saybolt(results, fahrenheit, liquid) for fahrenheit in (100, 210)),
        *(_gravity_constant(results, at, density_15) for at in (40, 100)),
        _molecular_mass(results, density_60F),
    )


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


def _grade(results: Results) -> Consequence:
    name, standard = "Viscosity grade", formulae.edition_of("viscosity_grade")
    at_40 = results.of("kinematic viscosity", 40.0)
    if at_40 is None:
        return missing(name, "", standard, "needs the kinematic viscosity at 40 °C")
    grade = str(formulae.viscosity_grade(float(at_40.reported)))
    return Consequence(name, math.nan, grade, "", standard)


def _viscosities(dossier: Dossier, results: Results, liquid: str | None) -> list[Consequence]:
    measured = {r.temperature_C for r in results.viscosities}
    wanted = (t for t in dossier.laboratory.report.temperatures_C if t not in measured)
    return [viscosity_at(results, temperature, liquid) for temperature in wanted]


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
