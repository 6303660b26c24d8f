"""The faults of the last two weeks of March: what went wrong, where, how much, and what a good analyst concludes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd
from laboratory_work import TEMPERATURES_C, Contents, mixed
from numpy.typing import NDArray

from labcalc.formulae import density_at, fit_viscosity_temperature

__all__ = ["CONCLUSIONS", "REFUSED", "Fault", "Search", "spoil_cells", "spoil_density", "spoil_print", "where"]

CONCLUSIONS = {
    "air bubble": "The repeats' densities disagree and the low one is wrong; the viscosity hardly moves. "
    "Fill without air, measure again.",
    "air bubble on heating": "The density falls too fast with temperature, the viscosity is as usual: air that came "
    "out in the warm cell. Degas the sample, measure again.",
    "cell temperature off": "Viscosity and density at 40 °C are both low, as a warmer cell makes them, or a little "
    "solvent; 100 °C is as usual. Fill a clean cell again: what stays is the cell. Check its temperature.",
    "residue of a thin sample": "Thinner and lighter than the product usually is, right after a gas oil. "
    "Clean twice, fill again.",
    "solvent left in the cell": "The viscosity is low, more so at 40 °C than at 100 °C, and the density falls too "
    "little with temperature: solvent that boils off. Dry the cell longer, fill again.",
    "fuel in the engine oil": "Reference oils and a second fill are right; the sample itself is thin and light, below "
    "its specification. Look for fuel, tell the customer.",
    "samples swapped": "Valid in itself, but another product: each fits the other's name. Take both bottles again.",
    "value missing": "The instrument broke the determination off. Measure again at 100 °C.",
    "unit slip, absurd": "No oil weighs 0.9 kg/m³: g/cm³ was typed. Correct the logbook, with a signature.",
    "unit slip, plausible": "Viscosity at 40 °C is low by the factor of the density, all else is as usual: the dynamic "
    "viscosity was typed. Look into the handwritten page.",
    "quantities contradict": "The dynamic viscosity is not ν·ρ: the row was altered or damaged. Export again.",
    "line cut off": "The file was not copied to its end. Copy it again.",
}
"""Kind of fault → what a good analyst concludes and does."""

REFUSED = frozenset({"value missing", "unit slip, absurd", "quantities contradict", "line cut off"})
"""Kinds that must be refused on reading; all others pass the reader and need judgement."""

_FUEL, _ENGINE_OIL = "Gas oil", "Engine oil MX 15W-40"
_GAS_OIL = Contents(np.array([[np.nan, 2.93, 1.18]]), np.array([[np.nan, 817.6, 774.6]]))
"""A usual gas oil, with the values at 100 °C that the laboratory never measures."""
_SOLVENT = Contents(np.array([[np.nan, 0.52, 0.34]]), np.array([[np.nan, 668.0, 612.0]]))
"""A light hydrocarbon for cleaning."""
_SOLVENT_LEFT_COLD, _SOLVENT_LEFT_HOT, _RESIDUE, _DILUTION = 0.025, 0.003, 0.03, 0.04
_TEMPERATURE_OFF_K = 0.3
_BUBBLE_KG_M3, _HOT_BUBBLE_KG_M3 = -3.8, -6.0
_WRONG_DYNAMIC = 1.04

_COLD, _HOT = TEMPERATURES_C[1:]


@dataclass(frozen=True)
class Fault:
    """One determination that went wrong."""

    kind: str
    run: str
    temperature: int
    """Nominal temperature, [°C]."""
    size: str
    repeat: int = 1


@dataclass
class Search:
    """Finds runs for faults, each run once."""

    runs: pd.DataFrame
    taken: list[int] = field(default_factory=list)

    def find(self, kind: str, instrument: str, first: date, suitable: pd.Series) -> int:
        """Return the position of the first free and suitable sample run on an instrument from a day on."""
        runs = self.runs
        mask = (
            (runs["instrument"] == instrument) & (runs["day"] >= pd.Timestamp(first)) & (runs["bottle"] >= 0) & suitable
        )
        mask.iloc[self.taken] = False
        if not mask.any():
            raise LookupError(f"no run on {instrument} from {first} on for '{kind}': take another seed")
        self.taken.append(int(mask.to_numpy().argmax()))
        return self.taken[-1]

    @property
    def lubricant(self) -> pd.Series:
        """Which runs are not of gas oil."""
        return self.runs["product"] != _FUEL

    @property
    def single_lubricant(self) -> pd.Series:
        """Which runs are of a lubricant with one fill."""
        return self.lubricant & ~self.runs["second_fill"].astype(bool)

    def faults(self, kind: str, at: int, temperatures: tuple[int, ...], size: str) -> list[Fault]:
        """Return a fault for each temperature of a run."""
        return [Fault(kind, str(self.runs["run"].iloc[at]), temperature, size) for temperature in temperatures]


# --- In the cell: what is measured is not what stands on the bottle ---


def spoil_cells(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    """Change contents in place; return the faults."""
    return [
        *_residue(search, first_fill),
        *_temperature_off(search, first_fill),
        *_solvent(search, first_fill),
        *_fuel_dilution(search, bottles, first_fill),
        *_swapped(search, bottles, first_fill),
    ]


def _residue(search: Search, fill: Contents) -> list[Fault]:
    kind, runs = "residue of a thin sample", search.runs
    after_fuel = (runs["product"].shift(1) == _FUEL) & (runs["day"] == runs["day"].shift(1))
    at = search.find(kind, "VD-1", date(2026, 3, 17), search.single_lubricant & after_fuel)
    _mix_in(fill, at, _GAS_OIL, _RESIDUE)
    return search.faults(kind, at, (_COLD, _HOT), f"{_RESIDUE:.1%} gas oil")


def _temperature_off(search: Search, fill: Contents) -> list[Fault]:
    kind, true_temperature = "cell temperature off", _COLD + _TEMPERATURE_OFF_K
    lot_known = search.runs.groupby("lot")["bottle"].transform("nunique") > 1
    at = search.find(kind, "VD-1", date(2026, 3, 18), search.single_lubricant & lot_known)
    line = fit_viscosity_temperature([_COLD, _HOT], fill.viscosity[at, 1:])
    fill.viscosity[at, 1] = line.kinematic_viscosity_at(true_temperature)
    fill.density[at, 1] = density_at(fill.density[at, 1], _COLD, true_temperature, commodity="lubricating oil")
    return search.faults(kind, at, (_COLD,), f"{_TEMPERATURE_OFF_K:+g} K")


def _solvent(search: Search, fill: Contents) -> list[Fault]:
    kind = "solvent left in the cell"
    at = search.find(kind, "VD-2", date(2026, 3, 23), search.single_lubricant)
    for column, share in ((1, _SOLVENT_LEFT_COLD), (2, _SOLVENT_LEFT_HOT)):
        mixture = _mixture(fill, at, _SOLVENT, share)
        fill.viscosity[at, column], fill.density[at, column] = mixture.viscosity[0, column], mixture.density[0, column]
    size = f"{_SOLVENT_LEFT_COLD:.1%} at 40 °C, {_SOLVENT_LEFT_HOT:.1%} at 100 °C"
    return search.faults(kind, at, (_COLD, _HOT), size)


def _fuel_dilution(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    kind = "fuel in the engine oil"
    at = search.find(kind, "VD-1", date(2026, 3, 23), search.runs["product"] == _ENGINE_OIL)
    for contents in (bottles, first_fill):
        _mix_in(contents, at, _GAS_OIL, _DILUTION)
    return search.faults(kind, at, (_COLD, _HOT), f"{_DILUTION:.1%} gas oil")


def _swapped(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    kind, first, runs = "samples swapped", date(2026, 3, 25), search.runs
    one = search.find(kind, "VD-1", first, search.single_lubricant)
    same_day, other_product = (runs[key] == runs[key].iloc[one] for key in ("day", "product"))
    other = search.find(kind, "VD-1", first, search.single_lubricant & same_day & ~other_product)
    for array in (bottles.viscosity, bottles.density, first_fill.viscosity, first_fill.density):
        array[[one, other]] = array[[other, one]]
    names = [str(runs["sample"].iloc[at]) for at in (one, other)]
    return [
        *search.faults(kind, one, (_COLD, _HOT), f"with {names[1]}"),
        *search.faults(kind, other, (_COLD, _HOT), f"with {names[0]}"),
    ]


def _mixture(fill: Contents, at: int, other: Contents, share: float) -> Contents:
    return mixed(Contents(fill.viscosity[[at]], fill.density[[at]]), other, np.array([share]))


def _mix_in(fill: Contents, at: int, other: Contents, share: float) -> None:
    mixture = _mixture(fill, at, other, share)
    fill.viscosity[at], fill.density[at] = mixture.viscosity[0], mixture.density[0]


# --- Beside the cell: bubbles in the density cell, and what is printed or typed ---


def spoil_density(search: Search, rows: pd.DataFrame) -> list[Fault]:
    """Put bubbles in the density cell; change ``rows`` in place, return the faults."""
    repeated = search.lubricant & search.runs["second_fill"].astype(bool)
    filled = search.find("air bubble", "VD-2", date(2026, 3, 16), repeated)
    heated = search.find("air bubble on heating", "VD-1", date(2026, 3, 30), search.single_lubricant)
    faults = [
        *search.faults("air bubble", filled, (_COLD,), f"{_BUBBLE_KG_M3:+g} kg/m³"),
        *search.faults("air bubble on heating", heated, (_HOT,), f"{_HOT_BUBBLE_KG_M3:+g} kg/m³"),
    ]
    for fault, change in zip(faults, (_BUBBLE_KG_M3, _HOT_BUBBLE_KG_M3), strict=True):
        rows.loc[where(rows, fault), "density"] += change
    return faults


def spoil_print(search: Search, rows: pd.DataFrame) -> list[Fault]:
    """Change what is printed or typed, in place; return the faults."""
    typed = search.lubricant & search.runs["run"].isin(rows.loc[rows["dialect"] == "logbook", "run"])
    faults = [
        _printed(search, "value missing", date(2026, 3, 24), search.lubricant, _HOT, "---"),
        _printed(search, "unit slip, absurd", date(2026, 3, 25), typed, _COLD, "g/cm³ typed under kg/m³"),
        _printed(search, "unit slip, plausible", date(2026, 3, 25), typed, _COLD, "mPa·s typed under mm²/s"),
        _printed(
            search, "quantities contradict", date(2026, 3, 30), search.lubricant, _COLD, f"η × {_WRONG_DYNAMIC:g}"
        ),
    ]
    missing, absurd, plausible, contradiction = (where(rows, fault) for fault in faults)
    rows.loc[missing, ["kinematic_text", "dynamic_text"]] = "---"
    rows.loc[absurd, "density_text"] = (rows.loc[absurd, "density"] / 1000.0).map("{:.4f}".format)
    rows.loc[plausible, "kinematic_text"] = rows.loc[plausible, "dynamic_text"]
    rows.loc[contradiction, "dynamic_text"] = (rows.loc[contradiction, "dynamic"] * _WRONG_DYNAMIC).map("{:.2f}".format)
    return [*faults, _cut_off(rows)]


def _printed(search: Search, kind: str, first: date, suitable: pd.Series, temperature: int, size: str) -> Fault:
    return search.faults(kind, search.find(kind, "VD-2", first, suitable), (temperature,), size)[0]


def _cut_off(rows: pd.DataFrame) -> Fault:
    """Mark the last row of a week's file, which ends where the memory stick was pulled out."""
    last = rows.index[(rows["instrument"] == "VD-1") & (rows["day"] <= pd.Timestamp(2026, 3, 27))][-1]
    rows.loc[last, "cut_off"] = True
    row = rows.loc[last]
    return Fault("line cut off", str(row["run"]), int(row["temperature_C"]), "half of the line", int(row["repeat"]))


def where(rows: pd.DataFrame, fault: Fault) -> NDArray[np.bool_]:
    """Return a mask of the determination that a fault is about."""
    mask = (rows["run"] == fault.run) & (rows["temperature_C"] == fault.temperature)
    return np.asarray(mask & (rows["repeat"] == fault.repeat))
