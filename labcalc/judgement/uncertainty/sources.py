"""The sources of uncertainty of a measured result: certificate, temperature, repeatability, resolution, adjustment."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.exports import QUANTITY_COLUMNS, derived_mark
from labcalc.formulae import ViscosityTemperatureLine, fit_viscosity_temperature, walther_ordinate
from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS, Certificates
from labcalc.judgement.control.panels import FEWEST_CHECKS, ChecksInControl
from labcalc.judgement.precision import RANGE_FACTOR
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import independent_results
from labcalc.judgement.uncertainty.results import CONFIDENCE, FROM_CONTROL, STATED, Effect, Result, Results
from labcalc.lab import CertifiedValue
from labcalc.statistics import coverage_factor, standard_from_half_width
from labcalc.wording import celsius, plain

# slope B of the viscosity-temperature line of a mineral oil, [-], where one temperature gives none: labcalc's own
# choice; mineral oils lie between 3.1 and 3.9, so that d ln ν/dT is right to some 15 %
DEFAULT_LINE_SLOPE = 3.6
_MEDIAN_OF_FOUR = 1.092  # standard deviation of a median of four normal results, in that of their mean
# how far a viscosity may be from that of the checks whose relative precision stands for its own, [-]: our own choice;
# published precision of bench viscometers is a fixed percentage over wider ranges
_LEVEL_FACTOR = 10.0
_DIGITS = 9  # significant digits beyond which a number is dust of its unit conversion, not print


def stated_effects(result: Result, dossier: Dossier) -> tuple[Effect, ...]:
    """Return the uncertainty that the laboratory states itself in lab.toml; empty where it states none."""
    report = dossier.laboratory.report
    key, expanded = "expanded_uncertainty_percent", report.expanded_uncertainty_percent * result.value / 100.0
    if result.quantity == "density":
        key, expanded = "expanded_uncertainty_density_kg_m3", report.expanded_uncertainty_density_kg_m3
    if math.isnan(expanded):
        return ()
    basis = f"stated by the laboratory (lab.toml, [report] {key})"
    return (Effect.of(STATED, f"stated, {result.place}", expanded / coverage_factor(CONFIDENCE), basis),)


def measured_effects(result: Result, results: Results, dossier: Dossier) -> tuple[Effect, ...]:
    """Return the sources of uncertainty of a measured result.

    Common to all temperatures of a run are the certificate of one lot and the adjustment; common to viscosity and
    density at one temperature is that temperature. Temperatures among themselves are taken as independent, which for
    an index is the larger uncertainty.

    Returns : One for each of ``COMPONENTS``; NaN with its reason where something isn't known.
    """
    oil, checks = _reference_oil(result, dossier.certificates), nearest_checks(result, dossier)
    if checks is not None:
        return oil, *_from_checks(result, checks, dossier)
    repeatability = _repeatability(result, dossier)
    if dossier.laboratory.uncertainty.from_control:
        source = repeatability.source
        why = f"{source.source}; from_control: fewer than {FEWEST_CHECKS} checks in control at such a level"
        repeatability = replace(repeatability, source=replace(source, source=why))
    temperature = _temperature(result, results, dossier)
    return oil, temperature, repeatability, _resolution(result, dossier), _adjustment(result, dossier)


def nearest_checks(result: Result, dossier: Dossier) -> ChecksInControl | None:
    """Return the checks in control at the level nearest to a result; None where none are within a factor of 10."""
    fitting = [
        (abs(math.log(one.level / result.value)), one)
        for one in dossier.checks
        if one.quantity == result.quantity and abs(one.temperature_C - result.temperature_C) <= SAME_TEMPERATURE_K
    ]
    away, nearest = min(fitting, key=lambda pair: pair[0], default=(math.inf, None))
    return nearest if away <= math.log(_LEVEL_FACTOR) else None


def _from_checks(result: Result, checks: ChecksInControl, dossier: Dossier) -> Iterator[Effect]:
    """Yield site precision and bias of the checks; of a result of fewer fills, repeatability for what it lacks."""
    scale = 1.0 if result.quantity == "density" else result.value / 100.0
    degrees, words = checks.degrees_of_freedom, checks.words(result.unit)
    for component, size in zip(FROM_CONTROL, (checks.sigma, checks.bias_uncertainty), strict=True):
        yield Effect.of(component, f"{component}, {result.place}", scale * size, words, degrees_of_freedom=degrees)
    lacking = 1.0 - independent_results(result.repeats, dossier.laboratory) / checks.fills
    if lacking > 0.0:
        yield replace(_repeatability(result, dossier), sensitivity=math.sqrt(lacking))


def _reference_oil(result: Result, certificates: Certificates) -> Effect:
    """Take the certified value nearest in temperature, then in size."""
    component = "reference oil"
    fitting = [(oil, one) for oil, one in certificates.values if one.quantity == result.quantity]
    if not fitting:
        why = f"the certificates give no {result.quantity}" if certificates.values else certificates.why_none
        return Effect.of(component, f"certificate, {result.quantity}", math.nan, why)
    oil, nearest = min(fitting, key=lambda pair: _distance(result, pair[1]))
    standard = nearest.expanded_uncertainty / nearest.coverage_factor
    scale = 1.0 if result.quantity == "density" else result.value / nearest.value
    size = f"U = {plain(nearest.expanded_uncertainty)} {UNITS[result.quantity]} (k = {plain(nearest.coverage_factor)})"
    basis = f"{oil}, {size} at {celsius(nearest.temperature_C)}"
    # in units of the certificate's own standard uncertainty, so that one lot is one source at all temperatures
    return Effect.of(component, f"certificate of {oil}, {result.quantity}", 1.0, basis, scale * standard)


def _distance(result: Result, one: CertifiedValue) -> tuple[float, float]:
    return round(abs(one.temperature_C - result.temperature_C), 1), abs(math.log(one.value / result.value))


def _temperature(result: Result, results: Results, dossier: Dossier) -> Effect:
    component, name = "temperature", f"cell temperature at {celsius(result.temperature_C)}"
    standard = dossier.laboratory.uncertainty.temperature_K
    if math.isnan(standard):
        return Effect.of(component, name, math.nan, "lab.toml gives no [uncertainty] temperature_K")
    alike = [other for other in results if other.quantity == result.quantity]
    try:
        slope = _density_slope(alike, dossier) if result.quantity == "density" else _viscosity_slope(result, alike)
    except OutOfRangeError as refusal:
        return Effect.of(component, name, math.nan, str(refusal))
    return Effect.of(component, name, standard, "lab.toml, [uncertainty] temperature_K", slope, unit="K")


def _viscosity_slope(result: Result, alike: Sequence[Result]) -> float:
    """Return dν/dT on the line through a viscosity's results; one temperature alone takes that of a mineral oil."""
    if len(alike) > 1:
        line = fit_viscosity_temperature([one.temperature_C for one in alike], [one.value for one in alike])
    else:
        slope, at = np.asarray(DEFAULT_LINE_SLOPE), np.asarray(result.temperature_C)
        intercept = walther_ordinate(result.value) + slope * np.log10(at + 273.15)
        line = ViscosityTemperatureLine(intercept, slope, at, at, np.zeros(1), 1)
    return result.value * float(line.relative_slope_at(result.temperature_C))


def _density_slope(alike: Sequence[Result], dossier: Dossier) -> float:
    """Return dρ/dT between the run's own densities; one temperature alone takes the table's."""
    cold, hot = alike[0], alike[-1]
    if len(alike) > 1:
        return (hot.value - cold.value) / (hot.temperature_C - cold.temperature_C)
    there = cold.temperature_C + 1.0
    return float(formulae.density_slope(cold.value, cold.temperature_C, there, commodity=dossier.commodity))


def _repeatability(result: Result, dossier: Dossier) -> Effect:
    component, name = "repeatability", f"repeatability, {result.place}"
    statement = result.agreement.statement
    if statement is None:
        return Effect.of(component, name, math.nan, result.agreement.why_not)
    single = float(statement.repeatability.at(result.value)) / RANGE_FACTOR
    number = independent_results(result.repeats, dossier.laboratory)
    spread = _MEDIAN_OF_FOUR if result.rule == "median" else 1.0
    standard, degrees = spread * single / math.sqrt(number), statement.degrees_of_freedom
    return Effect.of(component, name, standard, statement.title, degrees_of_freedom=degrees)


def _resolution(result: Result, dossier: Dossier) -> Effect:
    """Take the step of the printed figures; a value that was not printed takes the one of lab.toml."""
    component, name = "resolution", f"resolution, {result.place}"
    step, basis = _printed_step(result, dossier), "step of the printed figures"
    if result.follows:
        step, key = _stated(result, dossier, "resolution_percent", "resolution_density_kg_m3")
        basis = f"lab.toml, [uncertainty] {key}"
        if math.isnan(step):
            return Effect.of(component, name, math.nan, f"not printed, and lab.toml gives no [uncertainty] {key}")
    standard = standard_from_half_width(step / 2.0, "rectangular") / math.sqrt(len(result.repeats))
    return Effect.of(component, name, standard, basis, distribution="rectangular")


def _printed_step(result: Result, dossier: Dossier) -> float:
    """Return the finest step on figures of the export as large or larger: zeros at the end are lost on reading."""
    least = 10.0 ** math.floor(math.log10(result.value))
    as_large = (value for value in _printed(dossier, result.quantity) if value >= least)
    return float(10.0 ** -max(len(f"{one:.{_DIGITS}g}".partition(".")[2]) for one in (*result.repeats, *as_large)))


def _printed(dossier: Dossier, quantity: str) -> Iterator[float]:
    """Yield the figures of a quantity that the same export prints for the run and for the one before it."""
    mark, exports = derived_mark(quantity), set(dossier.rows["source_file"])
    columns = [QUANTITY_COLUMNS[quantity], "remark", "source_file"]
    for rows in (dossier.rows, dossier.before):
        for value, remark, export in zip(*(rows[name].tolist() for name in columns), strict=True):
            if value > 0.0 and export in exports and mark not in str(remark):
                yield value


def _adjustment(result: Result, dossier: Dossier) -> Effect:
    component, kind = "adjustment", "density" if result.quantity == "density" else "viscosity"
    standard, key = _stated(result, dossier, "adjustment_percent", "adjustment_density_kg_m3")
    name = f"adjustment, {kind}"
    if math.isnan(standard):
        return Effect.of(component, name, math.nan, f"lab.toml gives no [uncertainty] {key}")
    # in units of its own standard uncertainty, so that all temperatures share it
    return Effect.of(component, name, 1.0, f"lab.toml, [uncertainty] {key}", standard)


def _stated(result: Result, dossier: Dossier, percent: str, absolute: str) -> tuple[float, str]:
    """Return a setting in the unit of the result, and its key."""
    settings = vars(dossier.laboratory.uncertainty)
    if result.quantity == "density":
        return float(settings[absolute]), absolute
    return float(settings[percent]) * result.value / 100.0, percent
