"""What follows from the results of a run: index, grade, interpolated viscosity, density at 15 °C, gravity."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae import ViscosityTemperatureLine
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.run.fitted_line import line_through
from labcalc.judgement.run.results import Result, find_result, reported_value
from labcalc.judgement.uncertainty.effects import Effect, budget_of, carried, unknown
from labcalc.statistics import UncertaintyBudget, rounded


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


def viscosity_line(results: Sequence[Result]) -> ViscosityTemperatureLine | None:
    """Return the viscosity-temperature line of the run, or None where none goes through its points."""
    inputs = [r for r in results if r.quantity == "kinematic viscosity"]
    if len(inputs) < 2:
        return None
    try:
        return line_through(inputs)([r.value for r in inputs])
    except OutOfRangeError:
        return None


def consequences_of(dossier: Dossier, results: tuple[Result, ...]) -> tuple[Consequence, ...]:
    """Return all that a run report calculates from the results; what can't be calculated says why.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.
    results : tuple of Result
        Its results.

    Returns
    -------
    tuple of Consequence
        Always the same quantities in the same order.
    """
    return (
        _index(results),
        _grade(results),
        *_viscosities(dossier, results),
        *_densities(dossier, results),
        *_constants(dossier, results),
        _molecular_mass(dossier, results),
    )


def _missing(name: str, unit: str, standard: str, why: str) -> Consequence:
    return Consequence(name, math.nan, "–", unit, standard, why)


def _calculated(
    name: str,
    function: Callable[..., float],
    inputs: Sequence[Result],
    report: Callable[[float], str],
    unit: str,
    standard: str,
    note: str = "",
) -> Consequence:
    """Evaluate a function of results and carry their uncertainty; a refusal becomes the note."""
    values = [r.value for r in inputs]
    try:
        value = float(function(*values))
    except OutOfRangeError as refusal:
        return _missing(name, unit, standard, str(refusal))
    try:
        effects = carried(function, values, [r.effects for r in inputs])
    except OutOfRangeError as refusal:  # the value lies at the very end of the range: beyond it there is no slope
        effects = tuple(unknown(e.component, e.source.name, str(refusal)) for r in inputs for e in r.effects)
    return Consequence(name, value, report(value), unit, standard, note, effects)


def _index(results: tuple[Result, ...]) -> Consequence:
    name, standard = "Viscosity index", formulae.edition_of("viscosity_index")
    pair = [find_result(results, "kinematic viscosity", temperature) for temperature in (40.0, 100.0)]
    inputs = [r for r in pair if r is not None]
    if len(inputs) < 2:
        return _missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C")
    return _calculated(
        name,
        lambda kv_40, kv_100: float(formulae.viscosity_index(kv_40, kv_100)),
        inputs,
        lambda v: reported_value("viscosity index", v),
        "",
        standard,
        "table basis",
    )


def _grade(results: tuple[Result, ...]) -> Consequence:
    name, standard = "Viscosity grade", formulae.edition_of("viscosity_grade")
    at_40 = find_result(results, "kinematic viscosity", 40.0)
    if at_40 is None:
        return _missing(name, "", standard, "needs the kinematic viscosity at 40 °C")
    grade = str(formulae.viscosity_grade(at_40.value))
    return Consequence(name, math.nan, grade, "", standard)


def _viscosities(dossier: Dossier, results: tuple[Result, ...]) -> list[Consequence]:
    standard = formulae.edition_of("fit_viscosity_temperature")
    inputs = [r for r in results if r.quantity == "kinematic viscosity"]
    measured = {r.temperature_C for r in inputs}
    wanted = [t for t in dossier.laboratory.report.temperatures_C if t not in measured]
    names = {t: f"Kinematic viscosity at {t:g} °C" for t in wanted}
    if len(inputs) < 2:
        return [_missing(names[t], "mm²/s", standard, "needs two measured temperatures") for t in wanted]
    return [_viscosity_at(names[t], t, inputs, standard) for t in wanted]


def _line_at(inputs: Sequence[Result], temperature: float) -> Callable[..., float]:
    """Return the function that takes the measured viscosities to the line's at one temperature."""
    through = line_through(inputs)

    def viscosity(*viscosities: float) -> float:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            return float(through(viscosities).kinematic_viscosity_at(temperature, extrapolate=True))

    return viscosity


def _viscosity_at(name: str, temperature: float, inputs: Sequence[Result], standard: str) -> Consequence:
    temperatures = [r.temperature_C for r in inputs]
    low, high = min(temperatures), max(temperatures)
    note = "" if low <= temperature <= high else f"extrapolated: measured from {low:g} °C to {high:g} °C only"
    return _calculated(
        name,
        _line_at(inputs, temperature),
        inputs,
        lambda v: reported_value("kinematic viscosity", v),
        "mm²/s",
        standard,
        note,
    )


def _densities(dossier: Dossier, results: tuple[Result, ...]) -> list[Consequence]:
    commodity = dossier.commodity
    group = f"commodity group {commodity}" + ("" if dossier.product else ", assumed: lab.toml knows no such product")
    names = ("Density at 15 °C", "Relative density 60/60 °F", "API gravity")
    units = ("kg/m³", "", "°API")
    standards = [formulae.edition_of(key) for key in ("density_at", "relative_density", "api_gravity")]
    nearest = _nearest_to_15(results)
    if nearest is None:
        return [_missing(*row, "needs a measured density") for row in zip(names, units, standards, strict=True)]
    start = nearest.temperature_C

    def at_15(density: float) -> float:
        return float(formulae.density_at(density, start, 15.0, commodity=commodity))

    def at_60F(density: float) -> float:
        return float(formulae.density_at_60F(density, start, commodity=commodity))

    note = f"from {start:g} °C, {group}"
    return [
        _calculated(names[0], at_15, [nearest], lambda v: str(rounded(v, 1)), units[0], standards[0], note),
        _calculated(
            names[1],
            lambda density: float(formulae.relative_density(at_60F(density))),
            [nearest],
            lambda v: str(rounded(v, 4)),
            units[1],
            standards[1],
            note,
        ),
        _calculated(
            names[2],
            lambda density: float(formulae.api_gravity(at_60F(density))),
            [nearest],
            lambda v: str(rounded(v, 1)),
            units[2],
            standards[2],
            note,
        ),
    ]


def _nearest_to_15(results: tuple[Result, ...]) -> Result | None:
    measured = [r for r in results if r.quantity == "density"]
    return min(measured, key=lambda r: abs(r.temperature_C - 15.0), default=None)


def _constants(dossier: Dossier, results: tuple[Result, ...]) -> list[Consequence]:
    return [
        *(_saybolt(results, fahrenheit) for fahrenheit in (100, 210)),
        *(_gravity_constant(dossier, results, celsius) for celsius in (40, 100)),
    ]


def _saybolt(results: tuple[Result, ...], fahrenheit: int) -> Consequence:
    name, celsius = f"Saybolt Universal viscosity at {fahrenheit} °F", (fahrenheit - 32.0) / 1.8
    standard = formulae.edition_of("saybolt_universal_from_kinematic")
    inputs = [r for r in results if r.quantity == "kinematic viscosity"]
    if len(inputs) < 2:
        return _missing(name, "s", standard, "needs two measured temperatures")
    kinematic = _line_at(inputs, celsius)

    def saybolt(*viscosities: float) -> float:
        return float(formulae.saybolt_universal_from_kinematic(kinematic(*viscosities), celsius))

    note = f"from the viscosity-temperature line at {celsius:.2f} °C"
    return _calculated(name, saybolt, inputs, lambda v: str(rounded(v, 1 if v < 200.0 else 0)), "s", standard, note)


def _gravity_constant(dossier: Dossier, results: tuple[Result, ...], celsius: int) -> Consequence:
    name = f"Viscosity-gravity constant ({celsius} °C)"
    standard = formulae.edition_of("viscosity_gravity_constant_40C")
    viscosity, density = find_result(results, "kinematic viscosity", celsius), _nearest_to_15(results)
    if viscosity is None or density is None:
        return _missing(name, "", standard, f"needs the kinematic viscosity at {celsius} °C and a density")
    formula = formulae.viscosity_gravity_constant_40C if celsius == 40 else formulae.viscosity_gravity_constant_100C

    def constant(kinematic: float, density_kg_m3: float) -> float:
        density_15 = formulae.density_at(density_kg_m3, density.temperature_C, 15.0, commodity=dossier.commodity)
        return float(formula(density_15, kinematic))

    return _calculated(name, constant, [viscosity, density], lambda v: str(rounded(v, 3)), "", standard)


def _molecular_mass(dossier: Dossier, results: tuple[Result, ...]) -> Consequence:
    """Estimate the relative molecular mass; how wrong the equation is for an oil isn't known, so there is no U."""
    name, standard = "Relative molecular mass", formulae.edition_of("relative_molecular_mass")
    pair = [find_result(results, "kinematic viscosity", celsius) for celsius in (40.0, 100.0)]
    viscosities, density = [r.value for r in pair if r is not None], _nearest_to_15(results)
    if len(viscosities) < 2 or density is None:
        return _missing(name, "", standard, "needs the kinematic viscosities at 40 °C and 100 °C and a density")
    try:
        at_60F = formulae.density_at_60F(density.value, density.temperature_C, commodity=dossier.commodity)
        warm, hot = formulae.viscosities_at_100F_and_210F(*viscosities)
        mass = float(formulae.relative_molecular_mass(warm, hot, formulae.relative_density(at_60F)))
    except OutOfRangeError as refusal:
        return _missing(name, "", standard, str(refusal))
    return Consequence(
        name, mass, str(rounded(mass, 0)), "", standard, "an estimate; the equation's own error is not known"
    )
