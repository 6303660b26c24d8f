"""What a month's runs tell beside the charts: second fills, carry-over, and how much was measured by whom."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.control import Chart
from labcalc.judgement.period import Month
from labcalc.lab import Laboratory, precision_for, product_of
from labcalc.statistics import CRITICAL_RANGE_FACTORS, critical_range, spread_interval

__all__ = ["CarryOver", "Duplicates", "carry_over", "duplicates_of", "workload_of"]

_LIMIT_FACTOR = 2.77
"""1.96 √2, as the trade rounds it."""

_FEWEST_FOR_A_SLOPE = 6
"""Reference-oil results below which no carry-over is estimated: our own choice."""


@dataclass(frozen=True)
class Duplicates:
    """Second fills of one class of products at one temperature, pooled; viscosity in percent, density in kg/m³."""

    precision_class: str
    quantity: str
    temperature_C: float
    unit: str
    groups: int
    """Runs with two or more determinations at the temperature."""
    degrees_of_freedom: int
    deviation: float
    """Pooled repeatability standard deviation s_r."""
    limit: float
    """r = 2.77 s_r."""
    interval: tuple[float, float]
    """Of the limit, 95 %."""
    published: float
    """The statement's r at these levels; NaN where none is stated."""
    method: str
    beyond: tuple[str, ...]
    """Runs whose range is beyond the published limit; they are pooled all the same."""


@dataclass(frozen=True)
class CarryOver:
    """How much of the sample before shows in the reference oils of an instrument, as a share k in ln ν."""

    instrument: str
    number: int
    share: float
    expanded_uncertainty: float
    """95 %."""
    note: str = ""
    """Why there is no number, where there is none."""

    @property
    def significant(self) -> bool:
        """The share is above 0 by more than its uncertainty."""
        return self.share > self.expanded_uncertainty


def duplicates_of(rows: pd.DataFrame, laboratory: Laboratory) -> tuple[Duplicates, ...]:
    """Pool the determinations that were repeated within a run, by class of product, quantity and temperature.

    Parameters
    ----------
    rows : pandas.DataFrame
        The month's rows of the tidy table, without those that a decision excludes.
    laboratory : Laboratory
        Its products and precision statements.

    Returns
    -------
    tuple of Duplicates
        Dynamic viscosity is passed over: it follows from the other two.
    """
    rows = rows.assign(temperature_C=rows["temperature_C"].round(1), precision_class=_classes(rows, laboratory))
    found = []
    for quantity in ("kinematic viscosity", "density"):
        column = QUANTITY_COLUMNS[quantity]
        known = rows.dropna(subset=[column])
        repeated = known[known.groupby(["run", "temperature_C"])[column].transform("size") > 1]
        for (name, temperature), group in repeated.groupby(["precision_class", "temperature_C"], sort=True):
            found.append(_pooled(str(name), quantity, float(str(temperature)), group, laboratory))
    return tuple(found)


def _classes(rows: pd.DataFrame, laboratory: Laboratory) -> list[str]:
    names = rows[["role", "sample", "product"]].fillna("").astype(str)
    keys = list(zip(names["role"], names["sample"], names["product"], strict=True))
    known = {key: _class(*key, laboratory) for key in set(keys)}
    return [known[key] for key in keys]


def _class(role: str, sample: str, product: str, laboratory: Laboratory) -> str:
    if role == "reference":
        return "reference oils"
    found = product_of(laboratory, sample=sample, product=product)
    return found.precision_class if found and found.precision_class else "no class"


def _pooled(name: str, quantity: str, temperature: float, rows: pd.DataFrame, laboratory: Laboratory) -> Duplicates:
    column = QUANTITY_COLUMNS[quantity]
    relative = quantity != "density"
    # relative to the run's own mean: repeatability of viscosity grows with it
    groups = rows.groupby("run", sort=False)[column].agg(["size", "mean", "var", "min", "max"])
    scale = 100.0 / groups["mean"] if relative else 1.0
    degrees = int((groups["size"] - 1).sum())
    deviation = math.sqrt(float(((groups["size"] - 1) * groups["var"] * scale**2).sum()) / degrees)
    low, high = spread_interval(deviation, degrees)
    statement = precision_for(laboratory, "base oils" if name == "reference oils" else name, quantity, temperature)
    published = np.full(len(groups), np.nan) if statement is None else statement.repeatability.at(groups["mean"])
    spread = (groups["max"] - groups["min"]).to_numpy()
    numbers = groups["size"].clip(upper=max(CRITICAL_RANGE_FACTORS))
    allowed = [critical_range(r, int(n)) for r, n in zip(published, numbers, strict=True)]
    return Duplicates(
        precision_class=name,
        quantity=quantity,
        temperature_C=temperature,
        unit="%" if relative else "kg/m³",
        groups=len(groups),
        degrees_of_freedom=degrees,
        deviation=deviation,
        limit=_LIMIT_FACTOR * deviation,
        interval=(_LIMIT_FACTOR * low, _LIMIT_FACTOR * high),
        published=float(np.sqrt(np.mean((published * scale) ** 2))),
        method="" if statement is None else f"{statement.method}, edition {statement.edition} [{statement.mark}]",
        beyond=tuple(str(run) for run in groups.index[spread > np.asarray(allowed)]),
    )


def carry_over(charts: tuple[Chart, ...], record: pd.DataFrame, month: Month) -> tuple[CarryOver, ...]:
    r"""Regress ln ν of the reference oils on the sample that ran before each, by instrument.

    .. math:: \ln(\nu_i / \nu_{oil}) = a_{oil} + k \, [\ln \nu_{i-1} - \ln \nu_{oil}]

    A residue mixes roughly in ln ν, so k is the share of the sample before that stayed in the cell. Every reference
    oil, lot and instrument has its own a; the lowest temperature of each run is taken.

    Parameters
    ----------
    charts : tuple of Chart
        The laboratory's charts.
    record : pandas.DataFrame
        Rows of the tidy table that the samples before are looked up in.
    month : Month
        Which reference-oil results count.

    Returns
    -------
    tuple of CarryOver
        One for each instrument with a viscosity chart.
    """
    coldest = [chart for chart in _coldest(charts) if chart.between(month.first, month.last).any()]
    near = record[(record["measured_at"] >= month.before.first) & (record["measured_at"] < month.last)]
    before = _viscosity_before(near)
    found: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for chart in coldest:
        inside = chart.between(month.first, month.last) & chart.used
        level = float(np.mean(chart.values[chart.used])) if chart.used.any() else math.nan
        previous = np.array([before.get((run, chart.temperature_C), math.nan) for run in chart.runs])
        known = inside & np.isfinite(previous)
        pair = (np.log(previous[known] / level), np.log(chart.values[known] / level))
        found.setdefault(chart.instrument, []).append(pair)
    return tuple(_slope(instrument, pairs) for instrument, pairs in found.items())


def _coldest(charts: tuple[Chart, ...]) -> list[Chart]:
    lowest: dict[tuple[str, str, str], Chart] = {}
    for chart in charts:
        key = (chart.instrument, chart.oil, chart.lot)
        if chart.quantity == "kinematic viscosity":
            lowest[key] = min(lowest.get(key, chart), chart, key=lambda one: one.temperature_C)
    return list(lowest.values())


def _viscosity_before(record: pd.DataFrame) -> dict[tuple[str, float], float]:
    """Return, for each run and temperature, the viscosity of the run before on the same instrument."""
    rows = record.dropna(subset=["measured_at", "instrument"])
    starts = rows.groupby(["instrument", "run"])["measured_at"].min().reset_index()
    starts = starts.sort_values(["instrument", "measured_at"], kind="stable")
    starts["before"] = starts.groupby("instrument")["run"].shift()
    column = QUANTITY_COLUMNS["kinematic viscosity"]
    known = rows.dropna(subset=[column])
    means = known.groupby(["run", known["temperature_C"].round(1)])[column].mean()
    levels = means[means > 0.0].rename("level").reset_index()
    pairs = starts.dropna(subset=["before"]).merge(levels, left_on="before", right_on="run", suffixes=("", "_before"))
    return {
        (str(run), float(temperature)): float(level)
        for run, temperature, level in zip(pairs["run"], pairs["temperature_C"], pairs["level"], strict=True)
    }


def _slope(instrument: str, pairs: list[tuple[np.ndarray, np.ndarray]]) -> CarryOver:
    """Return the common slope of several series, each with its own level."""
    from scipy.special import stdtrit

    pairs = [(x, y) for x, y in pairs if x.size > 1]
    number = sum(x.size for x, _ in pairs)
    degrees = number - len(pairs) - 1
    if number < _FEWEST_FOR_A_SLOPE or degrees < 1:
        few = f"{number} reference-oil results with a sample before them; {_FEWEST_FOR_A_SLOPE} are needed"
        return CarryOver(instrument, number, math.nan, math.nan, few)
    x = np.concatenate([one - one.mean() for one, _ in pairs])
    y = np.concatenate([one - one.mean() for _, one in pairs])
    square = float(x @ x)
    if square <= 1e-12:
        return CarryOver(instrument, number, math.nan, math.nan, "the same sample ran before every reference oil")
    share = float(x @ y) / square
    residual = y - share * x
    deviation = math.sqrt(float(residual @ residual) / degrees / square)
    return CarryOver(instrument, number, share, float(stdtrit(degrees, 0.975)) * deviation)


def workload_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Count the runs of a month.

    Parameters
    ----------
    rows : pandas.DataFrame
        The month's rows of the tidy table.

    Returns
    -------
    pandas.DataFrame
        ``day``, ``instrument``, ``operator``, ``role``, ``runs``; an unknown instrument or operator is an empty text.
    """
    first = rows.drop_duplicates("run")
    keys = {
        name: first[name].astype(object).where(first[name].notna(), "") for name in ("instrument", "operator", "role")
    }
    table = pd.DataFrame({"day": first["measured_at"].dt.strftime("%Y-%m-%d"), **keys})
    return table.groupby(["day", "instrument", "operator", "role"], sort=True).size().rename("runs").reset_index()
