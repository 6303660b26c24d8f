"""What a month's runs tell beside the charts: second fills, and how much was measured by whom."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.lab import Laboratory, precision_for, product_of
from labcalc.statistics import CRITICAL_RANGE_FACTORS, critical_range, spread_interval

__all__ = ["Duplicates", "duplicates_of", "workload_of"]

_LIMIT_FACTOR = 2.77
"""1.96 √2, as the trade rounds it."""


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
