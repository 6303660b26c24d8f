"""The results of a run: the mean of its repeats at each temperature, with unit, uncertainty, method and rounding."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.judgement.certificates import SAME_TEMPERATURE_K, UNITS
from labcalc.judgement.material import Dossier
from labcalc.lab import Laboratory
from labcalc.statistics import rounded, rounded_to_figures

__all__ = ["UNITS", "Result", "find_result", "reported_value", "results_of"]

_NO_UNCERTAINTY = "not stated: lab.toml gives no [report] {key}"


@dataclass(frozen=True)
class Result:
    """One quantity of a run at one temperature: the mean of its repeats."""

    quantity: str
    temperature_C: float
    value: float
    unit: str
    repeats: tuple[float, ...]
    """The single determinations behind the mean, in file order."""
    expanded_uncertainty: float
    """Expanded uncertainty (k = 2), in the unit of the value; NaN where unknown."""
    uncertainty_basis: str
    """Where the uncertainty comes from, or why there is none."""
    follows: bool
    """True where the quantity was not measured but follows from the two others (ν = η/ρ)."""

    @property
    def name(self) -> str:
        """The quantity with its temperature, as a person writes it."""
        return f"{self.quantity.capitalize()} at {self.temperature_C:g} °C"

    @property
    def reported(self) -> str:
        """The value as it is reported, without unit."""
        return reported_value(self.quantity, self.value)


def results_of(dossier: Dossier) -> tuple[Result, ...]:
    """Return the results of a run, by temperature, then viscosity before density.

    Determinations count as repeats at one temperature where theirs agree to 0.1 °C.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.

    Returns
    -------
    tuple of Result
        One for each quantity and temperature that the run holds.
    """
    return tuple(
        _result(quantity, float(str(temperature)), group, dossier.laboratory)
        for temperature, group in dossier.rows.groupby(dossier.rows["temperature_C"].round(1), sort=True)
        for quantity in QUANTITY_COLUMNS
        if group[QUANTITY_COLUMNS[quantity]].notna().any()
    )


def find_result(results: tuple[Result, ...], quantity: str, temperature_C: float) -> Result | None:
    """Return the result of a quantity at a temperature, or None."""
    fits = (r for r in results if r.quantity == quantity and abs(r.temperature_C - temperature_C) <= SAME_TEMPERATURE_K)
    return next(fits, None)


def reported_value(quantity: str, value: float) -> str:
    """Round as the methods say: viscosity to four figures, density to 0.1 kg/m³, an index to a whole number.

    Viscosity: ISO 3104:1994, clause 13, and ASTM D445. Density: ISO 12185:1996, clause 11. Index: ASTM D2270, 7.1.
    """
    if not math.isfinite(value):
        return "–"
    if quantity == "density":
        return str(rounded(value, 1))
    if quantity == "viscosity index":
        return str(rounded(round(value, 9), 0))
    return str(rounded_to_figures(value, 4))


def _result(quantity: str, temperature: float, group: pd.DataFrame, laboratory: Laboratory) -> Result:
    column = group[QUANTITY_COLUMNS[quantity]].dropna()
    value = float(column.mean())
    uncertainty, basis = _uncertainty(quantity, value, laboratory)
    return Result(
        quantity=quantity,
        temperature_C=temperature,
        value=value,
        unit=UNITS[quantity],
        repeats=tuple(float(one) for one in column),
        expanded_uncertainty=uncertainty,
        uncertainty_basis=basis,
        follows=bool(is_derived(group["remark"], quantity).any()),
    )


def _uncertainty(quantity: str, value: float, laboratory: Laboratory) -> tuple[float, str]:
    """Return the laboratory's own expanded uncertainty; an unknown one is NaN with the reason."""
    choices = laboratory.report
    if quantity == "density":
        key, uncertainty = "expanded_uncertainty_density_kg_m3", choices.expanded_uncertainty_density_kg_m3
    else:
        key, uncertainty = "expanded_uncertainty_percent", choices.expanded_uncertainty_percent * value / 100.0
    if math.isnan(uncertainty):
        return uncertainty, _NO_UNCERTAINTY.format(key=key)
    return uncertainty, f"stated by the laboratory (lab.toml, [report] {key})"
