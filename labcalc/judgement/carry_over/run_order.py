"""What was in the cell before: each run of an instrument beside the run before it, as arrays.

Only the first fill of a run counts: whether a repeat is a new fill is not in an export.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.lab import Laboratory, Product, product_of, reference_of

LONGEST_PAUSE_H = 6.0  # after a longer pause, [h], the run before says nothing of the cell: our own choice
SEQUENCE_QUANTITIES = ("kinematic viscosity", "density")  # what runs are compared in; dynamic viscosity follows
REFERENCE_CLASS = "base oils"  # a reference oil is taken for a base oil
_Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CellSequence:
    """The runs of one instrument in the order of time, a row a run; the last axis of a value is the temperature."""

    instrument: str
    runs: NDArray[np.object_]
    samples: NDArray[np.object_]
    started: pd.DatetimeIndex
    pause_h: _Array  # from the end of the run before, [h]; NaN for the first run
    temperatures_C: _Array
    first: dict[str, _Array]  # by quantity what the first fill gave, [mm²/s] or [kg/m³], shape (runs, temperatures)
    last: dict[str, _Array]  # what the last fill gave: what the next run finds in the cell
    level: _Array  # kinematic viscosity that the material is known to give, [mm²/s]: certified, or typical
    spread: _Array  # standard deviation of the typical value, [mm²/s]; 0 for a certified one
    material: NDArray[np.object_]  # reference oil and lot, or product and lot: what has a level of its own
    kind: NDArray[np.object_]  # ``reference oil``, ``lot`` or ``product``: materials whose results scatter alike
    precision_class: NDArray[np.object_]  # class for the precision statements; empty where none is known

    @property
    def followed(self) -> NDArray[np.bool_]:
        """Whether a run came soon enough after the one before."""
        return np.asarray(self.pause_h <= LONGEST_PAUSE_H)

    def before(self, quantity: str) -> _Array:
        """Return what the run before left in the cell, [mm²/s] or [kg/m³], as ``first``; NaN after a long pause."""
        return self.followed_by(self.last[quantity])

    def followed_by(self, values: _Array) -> _Array:
        """Return values of each run, shape (runs, temperatures), at the run after it; NaN after a long pause."""
        shifted = np.vstack([np.full((1, self.temperatures_C.size), np.nan), values[:-1]])
        return np.where(self.followed[:, np.newaxis], shifted, np.nan)

    @property
    def step_before(self) -> _Array:
        """ln of how many times as thick the sample before was, at the coldest common temperature; NaN: unknown."""
        return coldest(np.log(self.before("kinematic viscosity")) - np.log(self.first["kinematic viscosity"]))


def coldest(values: _Array) -> _Array:
    """Return of each row the value at the coldest temperature that has one; NaN where none has."""
    finite = np.isfinite(values)
    found = values[np.arange(len(values)), np.argmax(finite, axis=1)]
    return np.where(finite.any(axis=1), found, np.nan)


def cell_sequence(instrument: str, rows: pd.DataFrame, laboratory: Laboratory) -> CellSequence:
    """Return the sequence of an instrument's runs, a row a run, by its dated, labelled rows in the order of time."""
    rows = rows[rows["temperature_C"].notna()]
    run, runs = pd.factorize(rows["run"])  # in the order of their first determinations
    heads = np.unique(run, return_index=True)[1]
    tails = run.size - 1 - np.unique(run[::-1], return_index=True)[1]
    measured = pd.DatetimeIndex(rows["measured_at"])
    pause = (measured[heads[1:]] - measured[tails[:-1]]).total_seconds() / 3600.0
    temperatures, at = np.unique(rows["temperature_C"].to_numpy(float).round(1), return_inverse=True)
    places = run * temperatures.size + at
    labels = rows[["role", "sample", "product", "lot"]].iloc[heads].astype(object).fillna("")
    shape, columns = (len(runs), temperatures.size), {q: rows[QUANTITY_COLUMNS[q]] for q in SEQUENCE_QUANTITIES}
    first, last = ({q: _placed(one, places, turn, shape) for q, one in columns.items()} for turn in (-1, 1))
    which, told = _told(labels, laboratory)
    levels = np.full((len(told), temperatures.size, 2), np.nan)
    for row, one in zip(levels, told, strict=True):
        for temperature, *level in one.levels:
            row[np.abs(temperatures - temperature) <= SAME_TEMPERATURE_K] = level
    names = (np.array([getattr(one, name) for one in told], object)[which] for name in _Known._fields[:3])
    about = np.asarray(runs, object), labels["sample"].to_numpy(object), measured[heads], np.insert(pause, 0, np.nan)
    return CellSequence(instrument, *about, temperatures, first, last, *np.moveaxis(levels[which], 2, 0), *names)


def _placed(column: pd.Series, places: NDArray[np.int64], turn: int, shape: tuple[int, int]) -> _Array:
    """Lay values out by run and temperature; of several in one place the last, or turned round the first, stays."""
    values, given = np.full(shape, np.nan), column.to_numpy(float)[::turn]
    measured = given > 0.0
    values.reshape(-1)[places[::turn][measured]] = given[measured]
    return values


class _Known(NamedTuple):
    """What a material is known to give: temperature [°C], kinematic viscosity and standard deviation [mm²/s]."""

    material: str
    kind: str
    precision_class: str
    levels: Sequence[tuple[float, float, float]]


def _known(
    role: str, sample: str, product: str, lot: str, laboratory: Laboratory, products: dict[str, Product]
) -> _Known:
    viscous = SEQUENCE_QUANTITIES[0]
    if role == "reference":
        oil = reference_of(laboratory, sample)
        lots = () if oil is None else [one for one in oil.lots if one.lot.casefold() == lot.strip().casefold()]
        certified = [(v.temperature_C, v.value, 0.0) for one in lots for v in one.certified if v.quantity == viscous]
        return _Known(f"{sample} {lot}", "reference oil", REFERENCE_CLASS, certified)
    found = products.get(product) or product_of(laboratory, sample=sample, product=product) or Product(product)
    levels = [(v.temperature_C, v.mean, v.standard_deviation) for v in found.typical if v.quantity == viscous]
    return _Known(f"{found.name} {lot}".rstrip(), "lot" if lot else "product", found.precision_class, levels)


def _told(labels: pd.DataFrame, laboratory: Laboratory) -> tuple[NDArray[np.int64], list[_Known]]:
    """Return which material each run is of, and the materials; a sample's name counts where its product doesn't."""
    products = {one.name: one for one in laboratory.products}
    by_product = (labels["role"] != "reference") & labels["product"].isin(list(products))
    keys = labels.assign(sample=labels["sample"].mask(by_product, ""))
    which = np.asarray(keys.groupby([*keys.columns], sort=False).ngroup(), np.int64)
    different = (map(str, key) for key in keys.drop_duplicates().to_numpy(object).tolist())
    return which, [_known(role, sample, product, lot, laboratory, products) for role, sample, product, lot in different]
