"""Sets of repeats with what they are held against: a row a set."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.record.repeats import repeat_limit
from labcalc.lab import Laboratory, PrecisionFunction, PrecisionStatement, precision_for, product_of
from labcalc.statistics import CRITICAL_RANGE_FACTORS

REFERENCE_CLASS = "reference oils"
BINARY_DUST = 1e-14  # what binary arithmetic adds to a difference, relative to the results, as in ``lie_within``

SHOWN_UNITS = {"kinematic viscosity": "%", "density": "kg/m³"}
"""Unit in which a quantity's scatter is told: viscosity relative (by logarithms), as its scatter grows with it."""

SET_COLUMNS = (
    *("set", "condition", "changed", "quantity", "temperature_C", "sample", "product", "precision_class", "number"),
    *("mean", "difference", "spread", "pair_limit", "limit", "share", "beyond", "runs", "instruments", "operators"),
    *("ended",),
)
"""A row a set of repeats.

``difference`` (first minus second), ``spread`` (largest minus smallest) and ``pair_limit`` (for two results) are in the
shown unit; ``mean`` and ``limit`` (for the number there is) in the unit of the quantity, NaN where none is stated;
``share`` is the spread over the limit with the difference's sign.
"""


def shown_values(results: pd.DataFrame) -> NDArray[np.float64]:
    """Return results so that their differences come out in the shown unit: 100 ln ν, or the density itself."""
    values = results["value"].to_numpy(float)
    relative = results["quantity"].map(SHOWN_UNITS).eq("%").to_numpy()
    return np.where(relative, 100.0 * np.log(values), values)


def sets_of(results: pd.DataFrame, laboratory: Laboratory) -> pd.DataFrame:
    """Return a row for each set of repeats, ``SET_COLUMNS``, indexed by ``set``.

    results : ``RESULT_COLUMNS``.
    laboratory : Its products and precision statements.
    """
    groups = results.assign(shown=shown_values(results)).groupby("set", sort=True)
    first = groups.first()
    table = first[["condition", "changed", "quantity", "temperature_C", "sample"]].assign(
        set=first.index,
        product=first["product"].astype(object).where(first["product"].notna(), ""),
        precision_class=_classes(first, laboratory),
        number=groups.size(),
        mean=groups["value"].mean(),
        difference=groups["shown"].nth(0).to_numpy() - groups["shown"].nth(1).to_numpy(),
        spread=groups["shown"].max() - groups["shown"].min(),
        ended=groups["measured_at"].max(),
        **{f"{name}s": _joined(results[["set", name]]) for name in ("run", "instrument", "operator")},
    )
    largest = groups["value"].max()
    return _with_limits(table, largest, largest - groups["value"].min(), laboratory)[list(SET_COLUMNS)]


def _joined(named: pd.DataFrame) -> pd.Series:
    """Return the names of each set, each once."""
    found: dict[object, dict[str, None]] = {}
    for number, name in named.itertuples(index=False, name=None):
        found.setdefault(number, {})[str(name)] = None
    return pd.Series({number: ", ".join(filter(None, names)) for number, names in found.items()})


def _classes(first: pd.DataFrame, laboratory: Laboratory) -> list[str]:
    """Return the class for precision statements of each set; reference oils apart, without a class the product."""
    names = first[["role", "sample", "product"]].astype(object).where(first[["role", "sample", "product"]].notna(), "")
    keys = list(zip(names["role"], names["sample"], names["product"], strict=True))
    known = {key: _class(*key, laboratory) for key in set(keys)}
    return [known[key] for key in keys]


def _class(role: str, sample: str, product: str, laboratory: Laboratory) -> str:
    if role == "reference":
        return REFERENCE_CLASS
    found = product_of(laboratory, sample=sample, product=product)
    if found is None:
        return product or "no product"
    return found.precision_class or found.name


def _with_limits(table: pd.DataFrame, largest: pd.Series, spread: pd.Series, laboratory: Laboratory) -> pd.DataFrame:
    """Add the limit of each set; NaN where none is stated for its class, level or number of results."""
    pair_limit = pd.Series(np.nan, index=table.index)
    keys = ["precision_class", "quantity", "temperature_C", "condition"]
    for (name, quantity, temperature, condition), rows in table.groupby(keys, sort=False):
        statement = statement_for(laboratory, str(name), str(quantity), float(str(temperature)), str(condition))
        if statement is not None:
            limits = limit_function(statement, str(condition), laboratory).at(rows["mean"])
            outside = (rows["mean"] < statement.lowest) | (rows["mean"] > statement.highest) | ~(limits > 0.0)
            pair_limit[rows.index] = np.where(outside, np.nan, limits)
    factors = {number: factor / CRITICAL_RANGE_FACTORS[2] for number, factor in CRITICAL_RANGE_FACTORS.items()}
    limit = pair_limit * table["number"].map(factors).astype(float)
    relative = table["quantity"].map(SHOWN_UNITS).eq("%")
    sign = np.where(table["difference"] < 0.0, -1.0, 1.0)
    return table.assign(
        pair_limit=pair_limit.mask(relative, 100.0 * pair_limit / table["mean"]),
        limit=limit,
        share=sign * spread / limit,
        beyond=spread > limit + BINARY_DUST * largest,
    )


def statement_for(
    laboratory: Laboratory, precision_class: str, quantity: str, temperature_C: float, condition: str
) -> PrecisionStatement | None:
    """Return the statement of a class; a reference oil counts as a base oil.

    Where the laboratory's own statement says nothing for the conditions, the published one holds.
    """
    name = "base oils" if precision_class == REFERENCE_CLASS else precision_class
    found = (
        precision_for(one, name, quantity, temperature_C) for one in (laboratory, replace(laboratory, precision=()))
    )
    known = [one for one in found if one is not None]
    stated = (one for one in known if math.isfinite(limit_function(one, condition, laboratory).factor))
    return next(stated, known[0] if known else None)


def limit_function(statement: PrecisionStatement, condition: str, laboratory: Laboratory) -> PrecisionFunction:
    """Return what holds under the conditions: d within a fill, r for repeatability, and R, the widest, beyond it."""
    if condition == CONDITIONS[0]:
        return repeat_limit(statement, laboratory)[1]
    return statement.repeatability if condition == CONDITIONS[1] else statement.reproducibility
