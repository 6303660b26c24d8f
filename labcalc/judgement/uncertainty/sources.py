"""The sources of uncertainty of a measured result: certificate, temperature, repeatability, resolution, adjustment."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.exports import QUANTITY_COLUMNS, derived_mark
from labcalc.formulae import ViscosityTemperatureLine, fit_viscosity_temperature, walther_ordinate
from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS, Certificates
from labcalc.judgement.control.site_record import FEWEST_CHECKS, ChecksInControl
from labcalc.judgement.precision import RANGE_FACTOR
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import Agreement, independent_results
from labcalc.judgement.uncertainty.effects import CONFIDENCE, FROM_CONTROL, STATED, Effect, unknown
from labcalc.lab import CertifiedValue
from labcalc.statistics import InputQuantity, coverage_factor, standard_from_half_width
from labcalc.wording import at_celsius, celsius, plain

DEFAULT_LINE_SLOPE = 3.6
"""Slope B of the viscosity-temperature line of a mineral oil, [-], where one temperature gives none: labcalc's own
choice; mineral oils lie between 3.1 and 3.9, so that d ln ν/dT is right to some 15 %."""

_MEDIAN_OF_FOUR = 1.092
"""Standard deviation of the median of four normal results, in that of their mean (order statistics)."""

_LEVEL_FACTOR = 10.0
"""How far a viscosity may be from that of the checks whose relative precision stands for its own, [-]: our own choice;
published precision of bench viscometers is a fixed percentage over wider ranges."""

_DIGITS = 9  # significant digits beyond which a number is dust of its unit conversion, not print


@dataclass(frozen=True)
class Mean:
    """One quantity of a run at one temperature: what its repeats give, and how well they agree."""

    quantity: str
    temperature_C: float
    value: float
    repeats: tuple[float, ...]  # the single determinations behind the value, in file order
    follows: bool  # true where it was not measured but follows from the two others (ν = η/ρ)
    agreement: Agreement  # whether the repeats agree, and the precision statement in force
    rule: str = "mean"  # what the value is of the repeats: ``mean`` or ``median``

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return UNITS[self.quantity]

    @property
    def place(self) -> str:
        """The quantity with its temperature."""
        return at_celsius(self.quantity, self.temperature_C)


@dataclass(frozen=True)
class Means:
    """The means of a run with what their uncertainties share: certificates, the run's own line."""

    all: tuple[Mean, ...]
    dossier: Dossier
    _lines: dict[str, ViscosityTemperatureLine] = field(default_factory=dict, repr=False)

    def alike(self, quantity: str) -> list[Mean]:
        """Return those of one quantity, by temperature."""
        return [one for one in self.all if one.quantity == quantity]

    def at(self, temperature_C: float) -> dict[str, Mean]:
        """Return those at one temperature, by quantity."""
        return {one.quantity: one for one in self.all if one.temperature_C == temperature_C}

    def line(self, mean: Mean) -> ViscosityTemperatureLine:
        """Return the line through a viscosity's means; one temperature alone takes the slope of a mineral oil."""
        if mean.quantity not in self._lines:
            alike = self.alike(mean.quantity)
            points = [one.temperature_C for one in alike], [one.value for one in alike]
            self._lines[mean.quantity] = fit_viscosity_temperature(*points) if len(alike) > 1 else _mineral_line(mean)
        return self._lines[mean.quantity]


def stated_effects(mean: Mean, dossier: Dossier) -> tuple[Effect, ...]:
    """Return the uncertainty that the laboratory states itself in lab.toml; empty where it states none."""
    report = dossier.laboratory.report
    key, expanded = "expanded_uncertainty_percent", report.expanded_uncertainty_percent * mean.value / 100.0
    if mean.quantity == "density":
        key, expanded = "expanded_uncertainty_density_kg_m3", report.expanded_uncertainty_density_kg_m3
    if math.isnan(expanded):
        return ()
    basis = f"stated by the laboratory (lab.toml, [report] {key})"
    standard = expanded / coverage_factor(CONFIDENCE)
    return (Effect(STATED, InputQuantity(f"stated, {mean.place}", 0.0, standard, source=basis), 1.0),)


def measured_effects(mean: Mean, means: Means) -> tuple[Effect, ...]:
    """Return the sources of uncertainty of a measured result.

    Common to all temperatures of a run are the certificate of one lot and the adjustment; common to viscosity and
    density at one temperature is that temperature. Temperatures among themselves are taken as independent, which for
    an index is the larger uncertainty.

    mean : The result.
    means : All results of the run with its context.
    Returns : One for each of ``COMPONENTS``; NaN with its reason where something isn't known.
    """
    dossier = means.dossier
    oil, checks = _reference_oil(mean, dossier.certificates), nearest_checks(mean, dossier)
    if checks is not None:
        return oil, *_from_checks(mean, checks, dossier)
    repeatability = _repeatability(mean, dossier)
    if dossier.laboratory.uncertainty.from_control:
        source = repeatability.source
        why = f"{source.source}; from_control: fewer than {FEWEST_CHECKS} checks in control at such a level"
        repeatability = replace(repeatability, source=replace(source, source=why))
    return (
        oil,
        _temperature(mean, means),
        repeatability,
        _resolution(mean, dossier),
        _adjustment(mean, dossier),
    )


def nearest_checks(mean: Mean, dossier: Dossier) -> ChecksInControl | None:
    """Return the checks in control at the level nearest to a result; None where none are within a factor of 10."""
    fitting = [
        (abs(math.log(one.level / mean.value)), one)
        for one in dossier.checks
        if one.quantity == mean.quantity and abs(one.temperature_C - mean.temperature_C) <= SAME_TEMPERATURE_K
    ]
    away, nearest = min(fitting, key=lambda pair: pair[0], default=(math.inf, None))
    return nearest if away <= math.log(_LEVEL_FACTOR) else None


def _from_checks(mean: Mean, checks: ChecksInControl, dossier: Dossier) -> Iterator[Effect]:
    """Yield site precision and bias of the checks; of a result of fewer fills, repeatability for what it lacks."""
    scale = 1.0 if mean.quantity == "density" else mean.value / 100.0
    degrees, words = checks.degrees_of_freedom, checks.words(mean.unit)
    for component, size in zip(FROM_CONTROL, (checks.sigma, checks.bias_uncertainty), strict=True):
        name = f"{component}, {mean.place}"
        source = InputQuantity(name, 0.0, scale * size, degrees_of_freedom=degrees, source=words)
        yield Effect(component, source, 1.0)
    lacking = 1.0 - independent_results(mean.repeats, dossier.laboratory) / checks.fills
    if lacking > 0.0:
        own = _repeatability(mean, dossier)
        yield replace(own, sensitivity=math.sqrt(lacking))


def _reference_oil(mean: Mean, certificates: Certificates) -> Effect:
    """Take the certified value nearest in temperature, then in size."""
    component = "reference oil"
    fitting = [(oil, one) for oil, one in certificates.values if one.quantity == mean.quantity]
    if not fitting:
        why = f"the certificates give no {mean.quantity}" if certificates.values else certificates.why_none
        return unknown(component, f"certificate, {mean.quantity}", why)
    oil, nearest = min(fitting, key=lambda pair: _distance(mean, pair[1]))
    standard = nearest.expanded_uncertainty / nearest.coverage_factor
    scale = 1.0 if mean.quantity == "density" else mean.value / nearest.value
    size = f"U = {plain(nearest.expanded_uncertainty)} {UNITS[mean.quantity]} (k = {plain(nearest.coverage_factor)})"
    basis = f"{oil}, {size} at {celsius(nearest.temperature_C)}"
    # in units of the certificate's own standard uncertainty, so that one lot is one source at all temperatures
    source = InputQuantity(f"certificate of {oil}, {mean.quantity}", 0.0, 1.0, "standard uncertainty", source=basis)
    return Effect(component, source, scale * standard)


def _distance(mean: Mean, one: CertifiedValue) -> tuple[float, float]:
    return round(abs(one.temperature_C - mean.temperature_C), 1), abs(math.log(one.value / mean.value))


def _temperature(mean: Mean, means: Means) -> Effect:
    component, name = "temperature", f"cell temperature at {celsius(mean.temperature_C)}"
    standard = means.dossier.laboratory.uncertainty.temperature_K
    if math.isnan(standard):
        return unknown(component, name, "lab.toml gives no [uncertainty] temperature_K")
    try:
        slope = _density_slope(mean, means) if mean.quantity == "density" else _viscosity_slope(mean, means)
    except OutOfRangeError as refusal:
        return unknown(component, name, str(refusal))
    source = InputQuantity(name, 0.0, standard, "K", source="lab.toml, [uncertainty] temperature_K")
    return Effect(component, source, slope)


def _viscosity_slope(mean: Mean, means: Means) -> float:
    return mean.value * float(means.line(mean).relative_slope_at(mean.temperature_C))


def _mineral_line(mean: Mean) -> ViscosityTemperatureLine:
    slope, at = np.asarray(DEFAULT_LINE_SLOPE), np.asarray(mean.temperature_C)
    intercept = walther_ordinate(mean.value) + slope * np.log10(at + 273.15)
    return ViscosityTemperatureLine(intercept, slope, at, at, np.zeros(1), 1)


def _density_slope(mean: Mean, means: Means) -> float:
    """Return dρ/dT between the run's own densities; one temperature alone takes the table's."""
    alike = means.alike("density")
    cold, hot = alike[0], alike[-1]
    if len(alike) > 1:
        return (hot.value - cold.value) / (hot.temperature_C - cold.temperature_C)
    there = mean.temperature_C + 1.0
    return float(formulae.density_slope(mean.value, mean.temperature_C, there, commodity=means.dossier.commodity))


def _repeatability(mean: Mean, dossier: Dossier) -> Effect:
    component, name = "repeatability", f"repeatability, {mean.place}"
    statement = mean.agreement.statement
    if statement is None:
        return unknown(component, name, mean.agreement.why_not)
    single = float(statement.repeatability.at(mean.value)) / RANGE_FACTOR
    number = independent_results(mean.repeats, dossier.laboratory)
    spread = _MEDIAN_OF_FOUR if mean.rule == "median" else 1.0
    standard, degrees = spread * single / math.sqrt(number), statement.degrees_of_freedom
    source = InputQuantity(name, 0.0, standard, degrees_of_freedom=degrees, source=statement.title)
    return Effect(component, source, 1.0)


def _resolution(mean: Mean, dossier: Dossier) -> Effect:
    """Take the step of the printed figures; a value that was not printed takes the one of lab.toml."""
    component, name = "resolution", f"resolution, {mean.place}"
    step, basis = _printed_step(mean, dossier), "step of the printed figures"
    if mean.follows:
        step, key = _stated(mean, dossier, "resolution_percent", "resolution_density_kg_m3")
        basis = f"lab.toml, [uncertainty] {key}"
        if math.isnan(step):
            return unknown(component, name, f"not printed, and lab.toml gives no [uncertainty] {key}")
    standard = standard_from_half_width(step / 2.0, "rectangular") / math.sqrt(len(mean.repeats))
    return Effect(component, InputQuantity(name, 0.0, standard, distribution="rectangular", source=basis), 1.0)


def _printed_step(mean: Mean, dossier: Dossier) -> float:
    """Return the finest step seen on figures of the same export that are as large as the result, or larger.

    Zeros at the end of a printed figure are lost on reading: 11.00 looks like 11, and only its neighbours tell. A
    larger figure is never printed with more decimals than a smaller one.
    """
    least = 10.0 ** math.floor(math.log10(mean.value))
    as_large = (value for value in _printed(dossier, mean.quantity) if value >= least)
    decimals = max(len(f"{value:.{_DIGITS}g}".partition(".")[2]) for value in (*mean.repeats, *as_large))
    return float(10.0**-decimals)


def _printed(dossier: Dossier, quantity: str) -> Iterator[float]:
    """Yield the figures of a quantity that the same export prints for the run and for the one before it."""
    mark, exports = derived_mark(quantity), set(dossier.rows["source_file"])
    columns = [QUANTITY_COLUMNS[quantity], "remark", "source_file"]
    for rows in (dossier.rows, dossier.before):
        for value, remark, export in zip(*(rows[name].tolist() for name in columns), strict=True):
            if value > 0.0 and export in exports and mark not in str(remark):
                yield value


def _adjustment(mean: Mean, dossier: Dossier) -> Effect:
    component, kind = "adjustment", "density" if mean.quantity == "density" else "viscosity"
    standard, key = _stated(mean, dossier, "adjustment_percent", "adjustment_density_kg_m3")
    name = f"adjustment, {kind}"
    if math.isnan(standard):
        return unknown(component, name, f"lab.toml gives no [uncertainty] {key}")
    # in units of its own standard uncertainty, so that all temperatures share it
    source = InputQuantity(name, 0.0, 1.0, "standard uncertainty", source=f"lab.toml, [uncertainty] {key}")
    return Effect(component, source, standard)


def _stated(mean: Mean, dossier: Dossier, percent: str, absolute: str) -> tuple[float, str]:
    """Return a setting in the unit of the result, and its key."""
    settings = vars(dossier.laboratory.uncertainty)
    if mean.quantity == "density":
        return float(settings[absolute]), absolute
    return float(settings[percent]) * mean.value / 100.0, percent
