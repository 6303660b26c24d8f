"""How far the fills of a run lie apart on an instrument, by its own record before a moment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS

_FEWEST, _MOST = 30, 300
"""Differences below which a scatter is not known, and the newest that count, as instruments change: our own choice."""

_WITHIN_ONE = 0.6827  # share of normal results within one standard deviation; a few far ones don't move that quantile

Key = tuple[str, str, float]
"""Product, quantity, temperature [°C]: what scatters alike. Another product's fills say nothing of these."""


_NONE = np.array([], dtype="datetime64[us]"), np.array([])


@dataclass(frozen=True)
class OwnScatter:
    """Standard deviation of single fills, relative for viscosities [-], of densities [kg/m³], and what it rests on."""

    size: float
    number: int


@dataclass(frozen=True)
class FillScatter:
    """What some fills of an instrument show, each difference with its moment, in the order of time."""

    differences: Mapping[Key, tuple[NDArray[np.datetime64], NDArray[np.float64]]]

    def at(self, moment: pd.Timestamp, product: str, quantity: str, temperature_C: float) -> OwnScatter | None:
        """Return the scatter of a product's fills by the runs before a moment; None of too few, or by rounding.

        moment : Runs that began earlier count.
        product : Name of the product.
        quantity : As the tidy table names it.
        temperature_C : [°C].
        """
        until = moment.tz_convert(None).to_datetime64()
        moments, sizes = self.differences.get((product, quantity, round(temperature_C, 1)), _NONE)
        earlier = sizes[: moments.searchsorted(until, side="left")][-_MOST:]
        if earlier.size < _FEWEST:
            return None
        size = float(np.quantile(earlier, _WITHIN_ONE)) / math.sqrt(2.0)
        return OwnScatter(size, earlier.size) if size > 0.0 else None


def fill_scatter(rows: pd.DataFrame) -> FillScatter:
    """Return how the fills of an instrument differ.

    rows : Its dated rows of the tidy table, in the order of time.
    """
    found: dict[Key, tuple[NDArray[np.datetime64], NDArray[np.float64]]] = {}
    for quantity, column in QUANTITY_COLUMNS.items():
        known = rows[rows[column] > 0.0]
        known = known.assign(at=known["temperature_C"].round(1), product=known["product"].astype(object).fillna(""))
        pairs = known.groupby(["run", "at"], sort=False)
        value, later = known[column].to_numpy(float), pairs[column].shift(-1).to_numpy(float)
        apart = np.abs(later - value if quantity == "density" else np.log(later / value))
        first = (pairs.cumcount() == 0).to_numpy() & np.isfinite(apart)
        moments = known["measured_at"].dt.tz_convert(None).to_numpy()
        for (product, at), where in known[first].groupby(["product", "at"], sort=False).indices.items():
            chosen = np.flatnonzero(first)[where]
            found[str(product), quantity, float(at)] = moments[chosen], apart[chosen]
    return FillScatter(found)
