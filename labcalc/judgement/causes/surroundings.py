"""What is known around a run: its determinations, the run before, the instrument's scatter and bias, earlier runs."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtrc

from labcalc.judgement.causes.catalogue import Array
from labcalc.judgement.causes.expectation import Expectation, Liquid, Observation, open_course, usual_of
from labcalc.lab import Product, ReportChoices
from labcalc.wording import celsius

FEWEST_DIFFERENCES = 8  # of consecutive reference-oil results; of fewer, they don't tell the noise: our own choice
_LEAST_VISCOSITY_NOISE, _LEAST_DENSITY_NOISE = 0.0005, 0.02  # no instrument is taken for better: ln ν [-], ρ [kg/m³]
_MEAN_RANGE_FACTOR = 1.128  # mean range of two normal results over their standard deviation (ISO 7870-2, d₂)
_RECENT = pd.Timedelta(hours=72)  # how much older than the newest an oil may be to tell where the instrument stands
_DRIFT_VISCOSITY, _DRIFT_DENSITY = 0.0005, 0.03  # since the reference oils: ln ν [-], ρ [kg/m³]; our own choice
_CHART, _FIGURES = ("sample", "lot", "temperature_C"), ("value", "certified", "limit")
UNCHECKED_VISCOSITY, UNCHECKED_DENSITY = 0.005, 0.3  # where no reference oil speaks: ln ν [-], ρ [kg/m³]; own choice
BOTTLE_VISCOSITY, BOTTLE_DENSITY = 0.0005, 0.05  # between bottles of one lot: ln ν [-], ρ [kg/m³]; our own choice
DAY_VISCOSITY, DAY_DENSITY = 0.002, 0.05  # between days and instruments: ln ν [-], ρ [kg/m³]; our own choice
_HISTORY_FITS = 0.001  # probability below which runs that differ from the product are not believed: our own choice


@dataclass(frozen=True, eq=False)
class Determinations:
    """The measured quantities of one run, one entry a determination."""

    temperature_C: Array
    replicate: NDArray[np.int64]
    viscosity_mm2_s: Array
    density_kg_m3: Array


@dataclass(frozen=True)
class Before:
    """The run before on the same instrument."""

    sample: str
    hours_ago: float
    liquid: Liquid
    estimated: str = ""  # which of its values are carried to another temperature; empty where none are needed
    product: str = ""  # its product; empty where unknown


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


def scatter_of(references: pd.DataFrame, viscous: bool) -> tuple[float, int]:
    """Return the standard deviation of one result by the moving ranges of the charts, and how many ranges there are.
    Moving ranges don't see a drift, and are in units of ln ν [-] or ρ [kg/m³]."""
    quantity, ranges, before = "kinematic viscosity" if viscous else "density", list[float](), dict[object, float]()
    columns = (references[name].tolist() for name in (*_CHART, "quantity", "value"))
    for sample, lot, temperature, measured, value in zip(*columns, strict=True):
        if measured == quantity:
            chart, scaled = (sample, str(lot), temperature), math.nan
            if value > 0.0:
                scaled = math.log(value) if viscous else value
            ranges.append(abs(scaled - before.get(chart, math.nan)))
            before[chart] = scaled
    ranges = [one for one in ranges if math.isfinite(one)]
    if len(ranges) < FEWEST_DIFFERENCES:
        return math.nan, len(ranges)
    least = _LEAST_VISCOSITY_NOISE if viscous else _LEAST_DENSITY_NOISE
    return max(sum(ranges) / len(ranges) / _MEAN_RANGE_FACTOR, least), len(ranges)


def bias_of(references: pd.DataFrame, noise: Noise, report: ReportChoices) -> InstrumentBias | None:
    """Return the mean deviation of the newest result of each chart from its certificate; None without any."""
    known = (references["quantity"] != "dynamic viscosity").to_numpy() & references["certified"].notna().to_numpy()
    moments = references["measured_at"].where(known)
    if pd.isna(last := moments.max()):
        return None
    recent = references[moments >= last - _RECENT]
    columns = (recent[name].tolist() for name in ("quantity", *_CHART, *_FIGURES))
    newest = {row[:4]: row[4:] for row in zip(*columns, strict=True)}
    heavy = [one for chart, one in newest.items() if chart[0] == "density"]
    thick = [one for chart, one in newest.items() if chart[0] != "density"]
    words = f"{len(newest)} last reference-oil results of this instrument"
    off, sd = _deviation(thick, True, noise, report)
    return InstrumentBias(100.0 * off, 100.0 * sd, *_deviation(heavy, False, noise, report), words)


def _deviation(
    results: Sequence[Sequence[float]], viscous: bool, noise: Noise, report: ReportChoices
) -> tuple[float, float]:
    """Return the mean deviation of results, each with value, certified value and limit, and its standard deviation."""
    if not (number := len(results)):
        return 0.0, math.nan
    value, certified, limit = np.array(results, dtype=float).T
    off = np.log(value / certified) if viscous else value - certified
    own = certified * report.reference_viscosity_percent / 100.0 if viscous else report.reference_density_kg_m3
    certificate = np.sqrt(np.maximum(limit**2 - own**2, 0.0)) / 2.0 / (certified if viscous else 1.0)
    single, drift = (noise.viscosity, _DRIFT_VISCOSITY) if viscous else (noise.density, _DRIFT_DENSITY)
    return float(off.mean()), math.sqrt(float(np.mean(certificate**2 + single**2)) / number + drift**2)


def before_of(rows: pd.DataFrame, start: Any, temperature_C: Array) -> Before | None:
    """Return the run before as a liquid that may have stayed in the cell; None without one that tells anything."""
    if rows.empty:
        return None
    liquid = liquid_of(str(rows["sample"].iloc[0]), determinations_of(rows))
    if not (liquid.viscosities and liquid.densities):
        return None
    measured = {round(T, 1) for T, _ in liquid.viscosities}
    carried = sorted({float(T) for T in temperature_C if round(float(T), 1) not in measured})
    estimated = f"its values at {' and '.join(celsius(T) for T in carried)} are estimated" if carried else ""
    return Before(liquid.name, float((start - rows["measured_at"].max()) / pd.Timedelta(hours=1)), liquid, estimated)


def liquid_of(name: str, found: Determinations) -> Liquid:
    """Return the means of a run's determinations at each temperature as a liquid."""
    at = np.round(found.temperature_C, 1)
    return Liquid(name, *(_means(at, values) for values in (found.viscosity_mm2_s, found.density_kg_m3)))


def _means(at: Array, values: Array) -> tuple[tuple[float, float], ...]:
    known = values > 0.0
    return tuple((float(T), float(values[known & (at == T)].mean())) for T in np.unique(at[known]))


def determinations_of(rows: pd.DataFrame) -> Determinations:
    """Return the determinations of rows of the tidy table."""
    numbers = ("temperature_C", "kinematic_viscosity_mm2_s", "density_kg_m3")
    T, viscosity, density = (rows[name].to_numpy(float) for name in numbers)
    return Determinations(T, rows["replicate"].to_numpy(np.int64), viscosity, density)


def runs_in(rows: pd.DataFrame) -> Iterator[tuple[NDArray[np.int64], Determinations]]:
    """Yield where the rows of each run stand in a table, and its determinations, in the order of the runs' first."""
    (runs, names), columns = pd.factorize(rows["run"]), vars(determinations_of(rows))
    for number in range(len(names)):
        at = np.flatnonzero(runs == number)
        yield at, Determinations(**{name: values[at] for name, values in columns.items()})


@dataclass(frozen=True)
class EarlierRun:
    """An earlier run of the same sample, or of another sample of the lot."""

    same_sample: bool
    day: str
    means: Liquid


def expected_of(
    found: Determinations, product: Product | None, earlier: Sequence[EarlierRun], noise: Noise, lot: str
) -> Expectation:
    """Return the expectation of a run; see ``evidence_of``."""
    values, at = np.where(found.viscosity_mm2_s > 0.0, found.viscosity_mm2_s, np.nan), found.temperature_C
    best = usual_of(product, open_course(True, at, np.log(values)), open_course(False, at, found.density_kg_m3))
    seen = _observations(earlier, noise)
    if not seen or not _fits(best, seen):
        return best
    return replace(best, basis="history", words=_history_words(earlier, lot), observed=seen)


def _observations(earlier: Sequence[EarlierRun], noise: Noise) -> tuple[Observation, ...]:
    """Return the median over the runs of each quantity and temperature, so that one run that was wrong says little."""
    values: dict[tuple[bool, float], list[tuple[float, bool]]] = {}
    for run in earlier:
        points = [(True, T, math.log(value)) for T, value in run.means.viscosities]
        for viscous, T, value in (*points, *((False, T, value) for T, value in run.means.densities)):
            values.setdefault((viscous, T), []).append((value, run.same_sample))
    found = []
    for (viscous, T), ones in values.items():
        number, own = len(ones), [value for value, is_own in ones if is_own]
        single, day = (noise.viscosity, DAY_VISCOSITY) if viscous else (noise.density, DAY_DENSITY)
        bottle = 0.0 if own else BOTTLE_VISCOSITY if viscous else BOTTLE_DENSITY
        variance = single**2 / number + bottle**2 * (1.0 + 1.0 / number) + day**2 * (1.0 + 1.0 / number)
        median = float(np.median(own or [value for value, _ in ones]))
        found.append(Observation(viscous, T, median, math.sqrt(variance)))
    return tuple(found)


def _fits(usual: Expectation, seen: tuple[Observation, ...]) -> bool:
    """Tell whether earlier runs are as the product usually is."""
    viscous, at, value, sd = np.array(seen).T
    mean, covariance = usual.moments(viscous.astype(bool), at)
    statistic = (value - mean) @ np.linalg.solve(covariance + np.diag(sd**2), value - mean)
    return bool(chdtrc(len(seen), statistic) >= _HISTORY_FITS)


def _history_words(earlier: Sequence[EarlierRun], lot: str) -> str:
    own = [one for one in earlier if one.same_sample]
    these, what = (own, "this sample") if own else (list(earlier), f"lot {lot}")
    runs = f"an earlier run of {what}" if len(these) == 1 else f"{len(these)} earlier runs of {what}"
    return f"{runs}, {'on' if len(these) == 1 else 'the last on'} {max(one.day for one in these)}"
