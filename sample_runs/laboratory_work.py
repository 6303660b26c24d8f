"""Three months of work: which sample when on which instrument, and what is in the bottles."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.formulae import density_at
from labcalc.lab import Laboratory, Product, ReferenceLot

__all__ = [
    "AT_15",
    "AT_40",
    "AT_100",
    "MINUTES_A_DETERMINATION",
    "TEMPERATURES_C",
    "Array",
    "Contents",
    "fill_bottles",
    "mixed",
    "plan_runs",
    "run_at",
]

Array = NDArray[np.float64]

FIRST_DAY, LAST_DAY, HOLIDAYS = date(2026, 1, 1), date(2026, 3, 31), [date(2026, 1, 1)]
REFERENCE_LOT_CHANGE = date(2026, 2, 16)

SAMPLES_A_DAY = (9, 11)
"""Fewest and most samples that a pair of instruments takes in a day."""
SECOND_FILL_SHARE, SECOND_RUN_SHARE, NEW_LOT_SHARE = 0.08, 0.05, 0.45

TEMPERATURES_C = (15, 40, 100)
"""Columns of ``Contents``. Lubricants and reference oils are run at the last two; gas oil at the first two."""
AT_15, AT_40, AT_100 = range(3)

MORNING, AFTERNOON, LAST = 100.0, 200.0, 400.0
"""Places in the day; the reference oils come first."""
BOTTLES_OF_A_LOT, BOTTLES_OF_A_LOT_KG_M3, LOTS_OFF_THE_TABLE = 0.0003, 0.02, 0.004
"""Standard deviations: viscosity [-] and density [kg/m³] within a lot, density slope between lots [kg/m³/K]."""

MINUTES_A_DETERMINATION, MINUTES_TO_CLEAN, LUNCH_MINUTES = 7, 6, 40


@dataclass(frozen=True)
class Contents:
    """What a cell or a bottle holds, a row a run, a column a temperature; NaN where nobody asks."""

    viscosity: Array
    """Kinematic viscosity, [mm²/s]."""
    density: Array
    """Density, [kg/m³]."""


def mixed(oil: Contents, other: Contents, fraction: Array) -> Contents:
    """Mix a small fraction of another oil in: logarithms of viscosity and densities add in proportion."""
    share = np.asarray(fraction)[:, np.newaxis]
    return Contents(
        np.exp((1 - share) * np.log(oil.viscosity) + share * np.log(other.viscosity)),
        (1 - share) * oil.density + share * other.density,
    )


# --- The plan of the days ---


def working_days() -> NDArray[np.datetime64]:
    """Monday to Friday from the first to the last day, without the holidays."""
    days = np.arange(np.datetime64(FIRST_DAY), np.datetime64(LAST_DAY) + np.timedelta64(1, "D"))
    return days[np.is_busday(days, holidays=HOLIDAYS)]


def plan_runs(laboratory: Laboratory, pairs: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the runs by instrument and time; ``bottle`` numbers what is measured, -1 for a reference oil."""
    days = working_days()
    samples = _samples(laboratory, len(days), pairs, rng)
    runs = pd.concat([_reference_runs(laboratory, days, pairs), samples, _second_runs(samples, rng)], ignore_index=True)
    runs["day"] = days[runs["day"].to_numpy()]
    runs = runs.sort_values(["instrument_number", "day", "place"], kind="stable", ignore_index=True)
    runs["determinations"] = 2 * (1 + runs["second_fill"].astype(int))
    runs["started"] = _starts(runs, rng)
    runs["instrument"] = "VD-" + (runs["instrument_number"] + 1).astype(str)
    number = runs.groupby(["instrument_number", "day"]).cumcount() + 1
    runs["run"] = runs["instrument"] + runs["day"].dt.strftime("-%y%m%d-") + number.map("{:02d}".format)
    return runs


def _samples(laboratory: Laboratory, days: int, pairs: int, rng: np.random.Generator) -> pd.DataFrame:
    a_day = rng.integers(SAMPLES_A_DAY[0], SAMPLES_A_DAY[1] + 1, size=(days, pairs)).ravel()
    size = int(a_day.sum())
    day, pair = (np.repeat(axis.ravel(), a_day) for axis in np.divmod(np.arange(days * pairs), pairs))
    product = rng.integers(len(laboratory.products), size=size)
    codes = np.array([_code(one) for one in laboratory.products])[product]
    frame = pd.DataFrame({"day": day, "pair": pair, "product_number": product, "bottle": np.arange(size)})
    lot = pd.Series(rng.random(size) < NEW_LOT_SHARE).groupby(product).cumsum().astype(int) + 1
    frame["sample"] = [f"{code}-26-{number:04d}" for code, number in zip(codes, range(1, size + 1), strict=True)]
    frame["product"] = np.array([one.name for one in laboratory.products])[product]
    frame["lot"] = [f"{code}-L{number:03d}" for code, number in zip(codes, lot, strict=True)]
    turn = pd.Series(rng.random(size)).groupby([day, pair]).rank().astype(int)
    frame["instrument_number"] = 2 * pair + (turn + day) % 2
    frame["place"] = _places(np.array([_typical(one, 40)[0] for one in laboratory.products])[product], rng)
    frame["second_fill"] = rng.random(size) < SECOND_FILL_SHARE
    frame["remark"] = ""
    return frame


def _places(viscosity: Array, rng: np.random.Generator) -> Array:
    """Place in the day: morning or afternoon, in each from thin to thick as far as the bottles have come in."""
    half = np.where(rng.integers(2, size=len(viscosity)) == 0, MORNING, AFTERNOON)
    return half + np.log(viscosity) + rng.normal(0.0, 0.8, len(viscosity))


def _second_runs(samples: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the samples that come again at the end of the day on the other instrument of the pair."""
    again = samples[rng.random(len(samples)) < SECOND_RUN_SHARE].copy()
    again["instrument_number"] = again["instrument_number"] ^ 1
    again["place"] += LAST
    again["second_fill"], again["remark"] = False, "second run"
    return again


def _reference_runs(laboratory: Laboratory, days: NDArray[np.datetime64], pairs: int) -> pd.DataFrame:
    changed = days >= np.datetime64(REFERENCE_LOT_CHANGE)
    parts = []
    for place, material in enumerate(laboratory.references):
        lots = np.array([lot.lot for lot in material.lots])
        frame = pd.DataFrame({"day": np.repeat(np.arange(len(days)), 2 * pairs)})
        frame["instrument_number"] = np.tile(np.arange(2 * pairs), len(days))
        frame["lot"] = np.repeat(lots[changed.astype(int)], 2 * pairs)
        frame["sample"], frame["product"], frame["remark"] = material.samples[0], material.name, ""
        frame["place"], frame["second_fill"], frame["product_number"], frame["bottle"] = float(place), False, -1, -1
        parts.append(frame)
    return pd.concat(parts, ignore_index=True)


def _starts(runs: pd.DataFrame, rng: np.random.Generator) -> pd.Series:
    """Return when each run starts: one after the other from half past seven, with idle times and lunch."""
    takes = MINUTES_A_DETERMINATION * runs["determinations"] + MINUTES_TO_CLEAN
    waits = pd.Series(np.where(runs["bottle"] < 0, 2, rng.integers(5, 55, len(runs))))
    keys = [runs["instrument_number"], runs["day"]]
    lunch = (runs["place"] >= AFTERNOON).groupby(keys).cummax().astype(int) * LUNCH_MINUTES
    before = (takes + waits).groupby(keys).cumsum() - takes
    seconds = rng.integers(60, size=len(runs))
    return runs["day"] + pd.to_timedelta(7 * 60 + 30 + before + lunch, unit="min") + pd.to_timedelta(seconds, unit="s")


# --- What is in the bottles ---


def fill_bottles(laboratory: Laboratory, runs: pd.DataFrame, rng: np.random.Generator) -> Contents:
    """Return the true values of each run: products vary from lot to lot, reference oils within their certificates."""
    bottles = runs[runs["bottle"] >= 0].drop_duplicates("bottle").sort_values("bottle")
    truth = _product_truth(laboratory, bottles, rng)
    viscosity, density = (array[runs["bottle"].clip(lower=0)] for array in (truth.viscosity, truth.density))
    for material in laboratory.references:
        for lot in material.lots:
            here = ((runs["sample"] == material.samples[0]) & (runs["lot"] == lot.lot)).to_numpy()
            viscosity[here] = _within_certificate(lot, "kinematic viscosity", rng)
            density[here] = _within_certificate(lot, "density", rng)
    return Contents(viscosity, density)


def _within_certificate(lot: ReferenceLot, quantity: str, rng: np.random.Generator) -> Array:
    """Return a true value at each temperature, half a standard uncertainty or so from the certified one."""
    values = np.full(len(TEMPERATURES_C), np.nan)
    for one in lot.certified:
        if one.quantity == quantity:
            standard = one.expanded_uncertainty / one.coverage_factor
            values[TEMPERATURES_C.index(int(one.temperature_C))] = one.value + 0.5 * standard * rng.standard_normal()
    return values


def _product_truth(laboratory: Laboratory, bottles: pd.DataFrame, rng: np.random.Generator) -> Contents:
    lot_number, lots = pd.factorize(bottles["lot"])
    of_lot = rng.standard_normal((len(lots), 4))[lot_number]
    of_bottle = rng.standard_normal((len(bottles), 2))
    viscosity, density = (np.full((len(bottles), len(TEMPERATURES_C)), np.nan) for _ in range(2))
    for number, product in enumerate(laboratory.products):
        here = (bottles["product_number"] == number).to_numpy()
        viscosity[here] = _viscosities(product, of_lot[here], of_bottle[here, 0])
        density[here] = _densities(product, of_lot[here], of_bottle[here, 1])
    return Contents(viscosity, density)


def _viscosities(product: Product, of_lot: Array, of_bottle: Array) -> Array:
    """Draw viscosities; those at 40 °C and 100 °C of a lot go together, a little of the index varies on its own."""
    together, alone = 0.95, np.sqrt(1.0 - 0.95**2)
    values = np.full((len(of_lot), len(TEMPERATURES_C)), np.nan)
    for column, deviate in ((AT_40, of_lot[:, 0]), (AT_100, together * of_lot[:, 0] + alone * of_lot[:, 1])):
        mean, spread = _typical(product, TEMPERATURES_C[column])
        values[:, column] = (mean + spread * deviate) * np.exp(BOTTLES_OF_A_LOT * of_bottle)
    return values


def _densities(product: Product, of_lot: Array, of_bottle: Array) -> Array:
    """Draw densities at the typical value's temperature; the others by the standard's table, lots a little off it."""
    typical = next(one for one in product.typical if one.quantity == "density")
    base = typical.mean + typical.standard_deviation * of_lot[:, 2] + BOTTLES_OF_A_LOT_KG_M3 * of_bottle
    values = np.full((len(of_lot), len(TEMPERATURES_C)), np.nan)
    for column in run_at(product.commodity != "lubricating oil"):
        temperature = float(TEMPERATURES_C[column])
        by_table = density_at(base, typical.temperature_C, temperature, commodity=product.commodity)
        values[:, column] = by_table + LOTS_OFF_THE_TABLE * of_lot[:, 3] * (temperature - typical.temperature_C)
    return values


def run_at(fuel: bool) -> tuple[int, int]:
    """Return the columns of the two temperatures at which an oil is run."""
    return (AT_15, AT_40) if fuel else (AT_40, AT_100)


def _typical(product: Product, temperature: int) -> tuple[float, float]:
    """Return mean and standard deviation of the kinematic viscosity; NaN where lab.toml gives none."""
    for one in product.typical:
        if one.quantity == "kinematic viscosity" and one.temperature_C == temperature:
            return one.mean, one.standard_deviation
    return np.nan, np.nan


def _code(product: Product) -> str:
    return str(product.samples[0]).removesuffix("-*")
