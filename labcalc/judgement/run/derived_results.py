"""What follows from the results of a run: index, grade, interpolated viscosity, density at 15 °C, gravity."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run.results import Result, Results, reported_value
from labcalc.judgement.uncertainty.effects import Effect, budget_of, carried, unknown, varied
from labcalc.statistics import UncertaintyBudget
from labcalc.wording import celsius, numeral


@dataclass(frozen=True)
class Consequence:
    """A quantity that was calculated from the results, by a published method."""

    name: str
    value: float
    """NaN where it is a word or could not be calculated."""
    reported: str
    unit: str
    standard: str
    note: str = ""
    effects: tuple[Effect, ...] = ()
    """What each source of uncertainty of the results does to the value; empty where there is none to carry."""

    @cached_property
    def budget(self) -> UncertaintyBudget | None:
        """The uncertainty by its sources, carried one by one; None of a word or of what could not be calculated."""
        return budget_of(self.name, self.unit, self.value, self.effects) if self.effects else None

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty (95.45 %), of the inputs alone; NaN where unknown."""
        return self.budget.expanded_uncertainty if self.budget else math.nan


def consequences_of(dossier: Dossier, results: Results) -> tuple[Consequence, ...]:
    """Return all that a run report calculates from the results; what can't be calculated says why.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.
    results : Results
        Its results.

    Returns
    -------
    tuple of Consequence
        Always the same quantities in the same order.
    """
    density_15, density_60F, relative_density, gravity = _densities(dossier, results)
    return (
        _index(results),
        _grade(results),
        *_viscosities(dossier, results),
        density_15,
        relative_density,
        gravity,
        *(_saybolt(results, fahrenheit) for fahrenheit in (100, 210)),
        *(_gravity_constant(results, at, density_15) for at in (40, 100)),
        _molecular_mass(results, density_60F),
    )


def _missing(name: str, unit: str, standard: str, why: str) -> Consequence:
    return Consequence(name, math.nan, "–", unit, standard, why)


def _calculated(
    name: str,
    function: Callable[..., ArrayLike],
    inputs: Sequence[Result | Consequence],
    report: Callable[[float], str],
    unit: str,
    standard: str,
    note: str = "",
) -> Consequence:
    """Evaluate a function of results and carry their uncertainty; a refusal becomes the note."""
    if refused := [one.note for one in inputs if isinstance(one, Consequence) and math.isnan(one.value)]:
        return _missing(name, unit, standard, refused[0])
    values, effects = [one.value for one in inputs], [one.effects for one in inputs]
    try:
        outcomes = np.asarray(function(*varied(values)))
        value, known = float(outcomes[0]), carried(outcomes, values, effects)
    except OutOfRangeError as beyond:  # of a value at the very end of the range: beyond it there is no slope
        try:
            value = float(np.asarray(function(*values)))
        except OutOfRangeError as refusal:
            return _missing(name, unit, standard, str(refusal))
        known = tuple(unknown(e.component, e.source.name, str(beyond)) for one in effects for e in one)
    return Consequence(name, value, report(value), unit, standard, note, known)


def _index(results: Results) -> Consequence:
    name, standard = "Viscosity index", formulae.edition_of("viscosity_index")
    pair = [results.of("kinematic viscosity", temperature) for temperature in (40.0, 100.0)]
    inputs = [r for r in pair if r is not None]
    if len(inputs) < 2:
        return _missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C")
    return _calculated(
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
        return _missing(name, "", standard, "needs the kinematic viscosity at 40 °C")
    grade = str(formulae.viscosity_grade(float(at_40.reported)))
    return Consequence(name, math.nan, grade, "", standard)


def _viscosities(dossier: Dossier, results: Results) -> list[Consequence]:
    measured = {r.temperature_C for r in results.viscosities}
    return [_viscosity_at(results, t) for t in dossier.laboratory.report.temperatures_C if t not in measured]


def _viscosity_at(results: Results, temperature: float) -> Consequence:
    name, standard = f"Kinematic viscosity at {celsius(temperature)}", formulae.edition_of("fit_viscosity_temperature")
    if len(results.viscosities) < 2:
        return _missing(name, "mm²/s", standard, "needs two measured temperatures")
    low, high = results.viscosities[0].temperature_C, results.viscosities[-1].temperature_C
    note = "" if low <= temperature <= high else f"extrapolated: measured from {celsius(low)} to {celsius(high)} only"
    report = partial(reported_value, "kinematic viscosity")
    return _calculated(name, _line_at(results, temperature), results.viscosities, report, "mm²/s", standard, note)


def _line_at(results: Results, temperature: float) -> Callable[..., NDArray[np.float64]]:
    """Return the function that takes the measured viscosities to the line's at one temperature."""

    def viscosity(*viscosities: ArrayLike) -> NDArray[np.float64]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            line = results.line_through(np.stack(viscosities, axis=-1))
            return line.kinematic_viscosity_at(temperature, extrapolate=True)

    return viscosity


def _densities(dossier: Dossier, results: Results) -> list[Consequence]:
    """Return the density at 15 °C and at 60 °F, and what is made of that."""
    names = ("Density at 15 °C", "Density at 60 °F", "Relative density 60/60 °F", "API gravity")
    units = ("kg/m³", "kg/m³", "", "°API")
    formulas = ("density_at", "density_at_60F", "relative_density", "api_gravity")
    standards = [formulae.edition_of(key) for key in formulas]
    nearest, commodity = _nearest_to_15(results), dossier.commodity
    if nearest is None:
        return [_missing(*row, "needs a measured density") for row in zip(names, units, standards, strict=True)]
    group = f"commodity group {commodity}" + ("" if dossier.product else ", assumed: lab.toml knows no such product")
    note = f"from {celsius(nearest.temperature_C)}, {group}"
    functions = (
        lambda density: formulae.density_at(density, nearest.temperature_C, 15.0, commodity=commodity),
        lambda density: formulae.density_at_60F(density, nearest.temperature_C, commodity=commodity),
        formulae.relative_density,
        formulae.api_gravity,
    )
    found: list[Consequence] = []
    for place, (name, unit, standard, function) in enumerate(zip(names, units, standards, functions, strict=True)):
        source = nearest if place < 2 else found[1]
        report = partial(numeral, decimals=4 if place == 2 else 1)
        found.append(_calculated(name, function, [source], report, unit, standard, note))
    return found


def _nearest_to_15(results: Results) -> Result | None:
    return min(results.densities, key=lambda r: abs(r.temperature_C - 15.0), default=None)


def _saybolt(results: Results, fahrenheit: int) -> Consequence:
    name, temperature = f"Saybolt Universal viscosity at {fahrenheit} °F", (fahrenheit - 32.0) / 1.8
    standard = formulae.edition_of("saybolt_universal_from_kinematic")
    if len(results.viscosities) < 2:
        return _missing(name, "s", standard, "needs two measured temperatures")
    kinematic = _line_at(results, temperature)

    def saybolt(*viscosities: ArrayLike) -> NDArray[np.float64]:
        return formulae.saybolt_universal_from_kinematic(kinematic(*viscosities), temperature)

    note = f"from the viscosity-temperature line at {numeral(temperature, 2)} °C"
    report: Callable[[float], str] = lambda v: numeral(v, 1 if v < 200.0 else 0)  # noqa: E731
    return _calculated(name, saybolt, results.viscosities, report, "s", standard, note)


def _gravity_constant(results: Results, temperature: int, density_15: Consequence) -> Consequence:
    name = f"Viscosity-gravity constant ({celsius(temperature)})"
    standard = formulae.edition_of("viscosity_gravity_constant_40C")
    viscosity = results.of("kinematic viscosity", temperature)
    if viscosity is None or not results.densities:
        return _missing(name, "", standard, f"needs the kinematic viscosity at {celsius(temperature)} and a density")
    formula = formulae.viscosity_gravity_constant_40C if temperature == 40 else formulae.viscosity_gravity_constant_100C
    return _calculated(name, formula, [density_15, viscosity], partial(numeral, decimals=3), "", standard)


def _molecular_mass(results: Results, density_60F: Consequence) -> Consequence:
    """Estimate the relative molecular mass; how wrong the equation is for an oil isn't known, so there is no U."""
    name, standard = "Relative molecular mass", formulae.edition_of("relative_molecular_mass")
    pair = [results.of("kinematic viscosity", at) for at in (40.0, 100.0)]
    viscosities = [r.value for r in pair if r is not None]
    if len(viscosities) < 2 or not results.densities:
        return _missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C and a density")
    if math.isnan(density_60F.value):
        return _missing(name, "", standard, density_60F.note)
    try:
        warm, hot = formulae.viscosities_at_100F_and_210F(*viscosities)
        mass = float(formulae.relative_molecular_mass(warm, hot, formulae.relative_density(density_60F.value)))
    except OutOfRangeError as refusal:
        return _missing(name, "", standard, str(refusal))
    return Consequence(name, mass, numeral(mass, 0), "", standard, "an estimate; the equation's own error is not known")
