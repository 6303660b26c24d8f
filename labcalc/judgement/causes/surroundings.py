"""What is known around a run: its determinations, the run before, how the instrument scatters and how far it is off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import is_derived
from labcalc.judgement.causes.liquids import Liquid
from labcalc.lab import ReportChoices
from labcalc.wording import celsius

Array = NDArray[np.float64]

FEWEST_DIFFERENCES = 8
"""Differences of consecutive reference-oil results below which they don't tell the noise: our own choice."""

_LEAST_VISCOSITY_NOISE, _LEAST_DENSITY_NOISE = 0.0005, 0.02
"""No instrument is taken for better: ln ν [-], ρ [kg/m³]."""

_MEAN_RANGE_FACTOR = 1.128
"""Mean range of two normal results over their standard deviation (ISO 7870-2, d₂)."""

_RECENT = np.timedelta64(72, "h")
"""How much older than the newest a reference-oil result may be to say where the instrument stands."""

_DRIFT_VISCOSITY, _DRIFT_DENSITY = 0.0005, 0.03
"""What may have happened since the reference oils: ln ν [-], ρ [kg/m³]; labcalc's own choice."""


@dataclass(frozen=True, eq=False)
class Determinations:
    """The measured quantities of one run, one entry a determination."""

    temperature_C: Array
    replicate: NDArray[np.int64]
    viscosity_mm2_s: Array
    density_kg_m3: Array
    coupled: bool | None
    """Whether ν was computed from η and ρ, so that a wrong density moves it; None where the export doesn't tell."""


@dataclass(frozen=True)
class Before:
    """The run before on the same instrument."""

    sample: str
    hours_ago: float
    liquid: Liquid
    estimated: str = ""
    """Which of its values are not measured but carried to another temperature; empty where none are needed."""
    product: str = ""
    """Its product; empty where unknown."""


@dataclass(frozen=True)
class Noise:
    """Standard deviation of one determination: of ln ν [-] and of ρ [kg/m³]; ``words`` say where they come from."""

    viscosity: float
    density: float
    words: str


@dataclass(frozen=True)
class InstrumentBias:
    """How far the instrument is off by its last reference oils: viscosity in per cent, density in kg/m³."""

    viscosity_percent: float
    viscosity_sd: float
    density_kg_m3: float
    density_sd: float
    words: str


@dataclass(frozen=True, eq=False)
class ReferenceResults:
    """Reference-oil results of one instrument in the order of time."""

    chart: NDArray[np.int64]
    """Number of the oil, lot, quantity and temperature."""
    viscous: NDArray[np.bool_]
    measured_at: NDArray[np.datetime64]
    value: Array
    certified: Array
    limit: Array

    @classmethod
    def of(cls, table: pd.DataFrame) -> ReferenceResults:
        """Return the kinematic viscosities and densities of a table of ``COMPARISON_COLUMNS``."""
        kept = table[table["quantity"].to_numpy(object) != "dynamic viscosity"]
        if kept.empty:
            return cls.none()
        keys = list(zip(kept["sample"], kept["lot"].fillna(""), kept["quantity"], kept["temperature_C"], strict=True))
        numbers = {key: number for number, key in enumerate(dict.fromkeys(keys))}
        return cls(
            np.array([numbers[key] for key in keys], dtype=np.int64),
            kept["quantity"].to_numpy(object) == "kinematic viscosity",
            utc(kept["measured_at"]),
            *(kept[name].to_numpy(float) for name in ("value", "certified", "limit")),
        )

    @classmethod
    def none(cls) -> ReferenceResults:
        """Return no results."""
        empty = np.empty(0)
        times = np.empty(0, dtype="datetime64[ns]")
        return cls(np.empty(0, np.int64), np.empty(0, dtype=bool), times, empty, empty, empty)

    def between(self, first: int, last: int) -> ReferenceResults:
        """Return the results from a position up to another."""
        return ReferenceResults(**{name: array[first:last] for name, array in vars(self).items()})

    def scaled(self, values: Array) -> Array:
        """Return ln ν or ρ."""
        return np.where(self.viscous, np.log(np.where(values > 0.0, values, np.nan)), values)


def utc(times: pd.Series) -> NDArray[np.datetime64]:
    """Return times as an array, in UTC."""
    return np.asarray(pd.to_datetime(times, utc=True).dt.tz_localize(None).to_numpy(), dtype="datetime64[ns]")


def scatter_of(references: ReferenceResults, viscous: bool) -> tuple[float, int]:
    """Return the standard deviation of one result by the moving ranges of the charts, and how many ranges there are.

    Moving ranges don't see a drift, and are in units of ln ν [-] or ρ [kg/m³].
    """
    here = references.viscous == viscous
    chart, scaled = references.chart[here], references.scaled(references.value)[here]
    order = np.argsort(chart, kind="stable")
    ranges = np.abs(np.diff(scaled[order]))[np.diff(chart[order]) == 0]
    ranges = ranges[np.isfinite(ranges)]
    if ranges.size < FEWEST_DIFFERENCES:
        return math.nan, int(ranges.size)
    least = _LEAST_VISCOSITY_NOISE if viscous else _LEAST_DENSITY_NOISE
    return max(float(ranges.mean()) / _MEAN_RANGE_FACTOR, least), int(ranges.size)


def bias_of(references: ReferenceResults, noise: Noise, report: ReportChoices) -> InstrumentBias | None:
    """Return the mean deviation of the newest result of each chart from its certificate; None without any."""
    known = np.isfinite(references.certified) & ~np.isnat(references.measured_at)
    if not known.any():
        return None
    chart = references.chart
    newest = references.measured_at[known].max()
    fresh = known & (references.measured_at >= newest - _RECENT)
    last = np.zeros(chart.size, dtype=bool)
    last[list({int(number): place for place, number in enumerate(chart) if fresh[place]}.values())] = True
    thick, heavy = (
        _deviation(references, last & (references.viscous == kind), noise, report) for kind in (True, False)
    )
    words = f"{int(last.sum())} last reference-oil results of this instrument"
    return InstrumentBias(100.0 * thick[0], 100.0 * thick[1], *heavy, words)


UNCHECKED_VISCOSITY, UNCHECKED_DENSITY = 0.005, 0.3
"""How far an instrument may be off that no reference oil speaks for: ln ν [-], ρ [kg/m³]; labcalc's own choice."""


def _deviation(
    references: ReferenceResults, these: NDArray[np.bool_], noise: Noise, report: ReportChoices
) -> tuple[float, float]:
    viscous = bool(references.viscous[these].any())
    number = int(these.sum())
    if not number:
        return 0.0, math.nan
    value, certified, limit = (array[these] for array in (references.value, references.certified, references.limit))
    off = np.log(value / certified) if viscous else value - certified
    own = certified * report.reference_viscosity_percent / 100.0 if viscous else report.reference_density_kg_m3
    certificate = np.sqrt(np.maximum(limit**2 - own**2, 0.0)) / 2.0 / (certified if viscous else 1.0)
    single = noise.viscosity if viscous else noise.density
    drift = _DRIFT_VISCOSITY if viscous else _DRIFT_DENSITY
    variance = float(np.mean(certificate**2 + single**2)) / number + drift**2
    return float(off.mean()), math.sqrt(variance)


def before_of(rows: pd.DataFrame, start: Any, temperature_C: Array) -> Before | None:
    """Return the run before as a liquid that may have stayed in the cell; None without one that tells anything."""
    if rows.empty:
        return None
    found = determinations_of(rows)
    liquid = liquid_of(str(rows["sample"].iloc[0]), found)
    hours = float((start - rows["measured_at"].max()) / pd.Timedelta(hours=1))
    return before_as(liquid, hours, temperature_C)


def before_as(liquid: Liquid, hours_ago: float, temperature_C: Array) -> Before | None:
    """Return a liquid as the run before; None where it has neither viscosity nor density."""
    if not (liquid.viscosities and liquid.densities):
        return None
    measured = {round(T, 1) for T, _ in liquid.viscosities}
    carried = sorted({float(T) for T in temperature_C if round(float(T), 1) not in measured})
    estimated = f"its values at {' and '.join(celsius(T) for T in carried)} are estimated" if carried else ""
    return Before(liquid.name, hours_ago, liquid, estimated)


def liquid_of(name: str, found: Determinations) -> Liquid:
    """Return the means of a run's determinations at each temperature as a liquid."""
    at = np.round(found.temperature_C, 1)
    return Liquid(name, *(_means(at, values) for values in (found.viscosity_mm2_s, found.density_kg_m3)))


def _means(at: Array, values: Array) -> tuple[tuple[float, float], ...]:
    known = values > 0.0
    return tuple((float(T), float(values[known & (at == T)].mean())) for T in np.unique(at[known]))


def determinations_of(rows: pd.DataFrame, *, with_coupling: bool = False) -> Determinations:
    """Return the determinations of rows of the tidy table; whether ν was computed only where that is asked for."""
    coupled = with_coupling and is_derived(rows["remark"], "kinematic viscosity").any()
    return Determinations(
        rows["temperature_C"].to_numpy(float),
        rows["replicate"].to_numpy(np.int64),
        rows["kinematic_viscosity_mm2_s"].to_numpy(float),
        rows["density_kg_m3"].to_numpy(float),
        True if coupled else None,
    )
