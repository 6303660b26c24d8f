"""The faults of the last two weeks of March: what went wrong, where, how much, and what a good analyst concludes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd
from laboratory_work import TEMPERATURES_C, Contents, mixed
from numpy.typing import NDArray

from labcalc.formulae import density_at, fit_viscosity_temperature

__all__ = ["Fault", "Search", "spoil_cells", "spoil_density", "spoil_print"]

FUEL, LUBRICANT, ENGINE_OIL, HEAVY_BASE_OIL = "Gas oil", "lubricant", "Engine oil MX 15W-40", "Base oil heavy"

_GAS_OIL = Contents(np.array([[np.nan, 2.93, 1.18]]), np.array([[np.nan, 817.6, 774.6]]))
"""A usual gas oil, with the values at 100 °C that the laboratory never measures."""
_SOLVENT = Contents(np.array([[np.nan, 0.52, 0.34]]), np.array([[np.nan, 668.0, 612.0]]))
"""A light hydrocarbon solvent for cleaning."""
_SOLVENT_LEFT, _SOLVENT_LEFT_HOT, _RESIDUE, _DILUTION = 0.025, 0.003, 0.03, 0.04
_TEMPERATURE_OFF_K = 0.3
_BUBBLE_KG_M3, _HOT_BUBBLE_KG_M3 = -3.8, -6.0
_WRONG_DYNAMIC = 1.04

_COLD, _HOT = TEMPERATURES_C[1:]


@dataclass(frozen=True)
class Fault:
    """One determination that went wrong; ``reader`` says whether it must be refused on reading."""

    kind: str
    run: str
    temperature_C: int
    repeat: int
    size: str
    conclusion: str
    reader: str = "takes"


@dataclass
class Search:
    """Finds runs for faults, each run once."""

    runs: pd.DataFrame
    taken: set[int] = field(default_factory=set)

    def find(self, what: str, instrument: str, first: date, suitable: NDArray[np.bool_]) -> int:
        """Return the position of the first suitable sample run on an instrument from a day on."""
        runs = self.runs
        free = ~np.isin(np.arange(len(runs)), list(self.taken))
        here = (runs["instrument"] == instrument) & (runs["day"] >= pd.Timestamp(first)) & (runs["bottle"] >= 0)
        found = np.flatnonzero(here.to_numpy() & suitable & free)
        if not len(found):
            raise LookupError(f"no run on {instrument} from {first} on for '{what}': take another seed")
        self.taken.add(int(found[0]))
        return int(found[0])

    def is_lubricant(self) -> NDArray[np.bool_]:
        """Tell which runs are of lubricants."""
        return ((self.runs["product"] != FUEL) & (self.runs["bottle"] >= 0)).to_numpy()

    def is_product(self, *names: str) -> NDArray[np.bool_]:
        """Tell which runs are of products."""
        return self.runs["product"].isin(names).to_numpy()

    def is_single(self) -> NDArray[np.bool_]:
        """Tell which runs have one fill."""
        return ~self.runs["second_fill"].to_numpy(bool)


# --- In the cell: what is measured is not what stands on the bottle ---


def spoil_cells(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    """Change contents in place; return the faults."""
    return [
        *_temperature_off(search, first_fill),
        *_residue(search, first_fill),
        *_solvent(search, first_fill),
        *_fuel_dilution(search, bottles, first_fill),
        *_swapped(search, bottles, first_fill),
    ]


def _temperature_off(search: Search, fill: Contents) -> list[Fault]:
    kind = "cell temperature off"
    at = search.find(kind, "VD-1", date(2026, 3, 18), search.is_lubricant() & search.is_single())
    true_C = _COLD + _TEMPERATURE_OFF_K
    line = fit_viscosity_temperature([_COLD, _HOT], fill.viscosity[at, 1:])
    fill.viscosity[at, 1] = line.kinematic_viscosity_at(true_C)
    fill.density[at, 1] = density_at(fill.density[at, 1], float(_COLD), true_C, commodity="lubricating oil")
    return _faults(search, kind, at, (_COLD,), f"+{_TEMPERATURE_OFF_K:g} K", "Viscosity and density at 40 °C both low, as "
                   "a warmer cell makes them; 100 °C as usual. Check the cell temperature, measure again.")  # fmt: skip


def _residue(search: Search, fill: Contents) -> list[Fault]:
    kind = "residue of the thin sample before"
    after_fuel = search.runs["product"].shift(1).eq(FUEL) & search.runs["day"].eq(search.runs["day"].shift(1))
    at = search.find(kind, "VD-1", date(2026, 3, 17), search.is_lubricant() & search.is_single() & after_fuel.to_numpy())
    _mix_in(fill, at, _GAS_OIL, np.array([_RESIDUE]))
    return _faults(search, kind, at, (_COLD, _HOT), f"{_RESIDUE:.1%} gas oil", "Thinner and lighter than the product "
                   "usually is, right after a gas oil. Clean twice, fill again.")  # fmt: skip


def _solvent(search: Search, fill: Contents) -> list[Fault]:
    kind = "solvent left in the cell"
    at = search.find(kind, "VD-2", date(2026, 3, 23), search.is_lubricant() & search.is_single())
    cold, hot = (_mixture(fill, at, _SOLVENT, share) for share in (_SOLVENT_LEFT, _SOLVENT_LEFT_HOT))
    for array, first, second in (
        (fill.viscosity, cold.viscosity, hot.viscosity),
        (fill.density, cold.density, hot.density),
    ):
        array[at, 1], array[at, 2] = first[0, 1], second[0, 2]
    size = f"{_SOLVENT_LEFT:.1%} at 40 °C, {_SOLVENT_LEFT_HOT:.1%} at 100 °C"
    return _faults(search, kind, at, (_COLD, _HOT), size, "Viscosity low, more so at 40 °C than at 100 °C, and the density "
                   "falls too little with temperature: solvent that boils off. Dry the cell longer, fill again.")  # fmt: skip


def _fuel_dilution(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    kind = "fuel in the engine oil"
    at = search.find(kind, "VD-1", date(2026, 3, 23), search.is_product(ENGINE_OIL))
    for contents in (bottles, first_fill):
        _mix_in(contents, at, _GAS_OIL, np.array([_DILUTION]))
    return _faults(search, kind, at, (_COLD, _HOT), f"{_DILUTION:.1%} gas oil", "Repeats and reference oils are right, "
                   "the sample itself is thin and light: below specification. Look for fuel, tell the customer.")  # fmt: skip


def _swapped(search: Search, bottles: Contents, first_fill: Contents) -> list[Fault]:
    kind, size = "samples swapped", "each carries the other's name"
    usable = search.is_lubricant() & search.is_single()
    one = search.find(kind, "VD-1", date(2026, 3, 25), usable)
    same_day = (search.runs["day"] == search.runs["day"].iloc[one]).to_numpy()
    other_product = (search.runs["product"] != search.runs["product"].iloc[one]).to_numpy()
    other = search.find(kind, "VD-1", date(2026, 3, 25), usable & same_day & other_product)
    for contents in (bottles, first_fill):
        for array in (contents.viscosity, contents.density):
            array[[one, other]] = array[[other, one]]
    names = search.runs["sample"].iloc[[one, other]].tolist()
    return [
        fault
        for at, partner in ((one, names[1]), (other, names[0]))
        for fault in _faults(search, kind, at, (_COLD, _HOT), size, f"Valid in itself, but another product: it fits "
                             f"{partner} of the same day. Take both bottles again.")  # fmt: skip
    ]


def _mixture(fill: Contents, at: int, other: Contents, share: float) -> Contents:
    return mixed(Contents(fill.viscosity[[at]], fill.density[[at]]), other, np.array([share]))


def _mix_in(fill: Contents, at: int, other: Contents, share: NDArray[np.float64]) -> None:
    mixture = _mixture(fill, at, other, float(share[0]))
    fill.viscosity[at], fill.density[at] = mixture.viscosity[0], mixture.density[0]


# --- Beside the cell: a bubble in the density cell, and what is written down ---


def spoil_density(search: Search, rows: pd.DataFrame) -> list[Fault]:
    """Put bubbles in the density cell; change ``rows`` in place, return the faults."""
    repeated = search.is_lubricant() & ~search.is_single()
    first = search.find("air bubble", "VD-2", date(2026, 3, 16), repeated)
    second = search.find("air bubble", "VD-1", date(2026, 3, 30), search.is_lubricant() & search.is_single())
    return [
        *_bubble(search, rows, first, _COLD, _BUBBLE_KG_M3, "The repeats' densities disagree, the low one is wrong; the "
                 "viscosity hardly moves. Fill without air, measure again."),  # fmt: skip
        *_bubble(search, rows, second, _HOT, _HOT_BUBBLE_KG_M3, "The density falls too fast with temperature; viscosity as "
                 "usual: air that came out on heating. Degas the sample, measure again."),  # fmt: skip
    ]


def _bubble(search: Search, rows: pd.DataFrame, at: int, temperature: int, size: float, conclusion: str) -> list[Fault]:
    faults = _faults(search, "air bubble", at, (temperature,), f"{size:+g} kg/m³", conclusion)
    rows.loc[where(rows, faults[0]), "density"] += size
    return faults


def spoil_print(search: Search, rows: pd.DataFrame) -> list[Fault]:
    """Change what is printed or typed, in place; return the faults."""
    lubricant, logbook = search.is_lubricant(), search.runs["run"].isin(rows.loc[rows["dialect"] == "logbook", "run"])
    aborted = search.find("value missing", "VD-2", date(2026, 3, 24), lubricant)
    typed = search.find("unit slip, absurd", "VD-2", date(2026, 3, 25), lubricant & logbook.to_numpy())
    mistaken = search.find("unit slip, plausible", "VD-2", date(2026, 3, 25), lubricant & logbook.to_numpy())
    wrong = search.find("quantities contradict", "VD-2", date(2026, 3, 30), lubricant)
    faults = [
        *_faults(search, "value missing", aborted, (_HOT,), "'---'", "The instrument broke the determination off. Measure "
                 "again at 100 °C.", reader="refuses"),  # fmt: skip
        *_faults(search, "unit slip, absurd", typed, (_COLD,), "g/cm³ in a kg/m³ column", "Nobody's oil weighs 0.9 kg/m³. "
                 "Correct the logbook, with a signature.", reader="refuses"),  # fmt: skip
        *_faults(search, "unit slip, plausible", mistaken, (_COLD,), "mPa·s in a mm²/s column", "Viscosity at 40 °C low by "
                 "the factor of the density, density and 100 °C as usual: dynamic viscosity typed."),  # fmt: skip
        *_faults(search, "quantities contradict", wrong, (_COLD,), f"dynamic viscosity × {_WRONG_DYNAMIC:g}", "The dynamic "
                 "viscosity is not ν·ρ: the row was altered or damaged. Export again.", reader="refuses"),  # fmt: skip
    ]
    missing, absurd, plausible, contradiction = (where(rows, fault) for fault in faults)
    rows.loc[missing, ["kinematic_text", "dynamic_text"]] = "---"
    rows.loc[absurd, "density_text"] = (rows.loc[absurd, "density"] / 1000.0).map("{:.4f}".format)
    rows.loc[plausible, "kinematic_text"] = rows.loc[plausible, "dynamic_text"]
    rows.loc[contradiction, "dynamic_text"] = (rows.loc[contradiction, "dynamic"] * _WRONG_DYNAMIC).map("{:.2f}".format)
    return [*faults, _cut_off(rows)]


def _cut_off(rows: pd.DataFrame) -> Fault:
    """Mark the last row of a week's file as cut off where the stick was pulled out."""
    last = rows.index[(rows["instrument"] == "VD-1") & (rows["day"] <= "2026-03-27")][-1]
    rows.loc[last, "cut_off"] = True
    row = rows.loc[last]
    return Fault(
        "line cut off", row["run"], int(row["temperature_C"]), int(row["repeat"]), "the last line of the file",
        "The file was not copied to its end. Copy it again.", reader="refuses",
    )  # fmt: skip


def where(rows: pd.DataFrame, fault: Fault) -> pd.Series:
    """Return a mask of the determination that a fault is about."""
    same_run = (rows["run"] == fault.run) & (rows["repeat"] == fault.repeat)
    return same_run & (rows["temperature_C"] == fault.temperature_C)


def _faults(
    search: Search, kind: str, at: int, temperatures: tuple[int, ...], size: str, conclusion: str, reader: str = "takes"
) -> list[Fault]:
    run = str(search.runs["run"].iloc[at])
    return [Fault(kind, run, temperature, 1, size, conclusion, reader) for temperature in temperatures]
