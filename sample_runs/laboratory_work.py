"""Three months of work: which sample when on which instrument, what is in the bottles, what the instruments find."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.formulae import density_at
from labcalc.lab import Laboratory, Product, ReferenceLot

__all__ = [
    "HABITS",
    "TEMPERATURES_C",
    "Contents",
    "Habit",
    "carried_over",
    "fill_bottles",
    "measure",
    "mixed",
    "plan_runs",
]

Array = NDArray[np.float64]

FIRST_DAY, LAST_DAY, HOLIDAYS = date(2026, 1, 1), date(2026, 3, 31), [date(2026, 1, 1)]
REFERENCE_LOT_CHANGE = date(2026, 2, 16)
DRIFT_BEGINS, DRIFT_A_DAY = date(2026, 3, 9), 0.0002
PEOPLE = ("Inês Okonkwo", "Tomasz Aaltonen", "Leilani Bose", "Yusuf Lindgren")

SAMPLES_A_DAY = (9, 11)
"""Fewest and most samples that a pair of instruments takes in a day."""
SECOND_FILL_SHARE, SECOND_RUN_SHARE, NEW_LOT_SHARE = 0.08, 0.05, 0.45

TEMPERATURES_C = (15, 40, 100)
"""Columns of ``Contents``. Lubricants and reference oils are run at the last two; gas oil at the first two."""
_AT_15, _AT_40, _AT_100 = range(3)

MINUTES_A_DETERMINATION, MINUTES_TO_CLEAN, LUNCH_MINUTES = 7, 6, 40


@dataclass(frozen=True)
class Habit:
    """What a kind of instrument does to a result, relative for viscosity, [kg/m³] for density."""

    viscosity_bias: float
    viscosity_repeatability: float
    viscosity_between_days: float
    density_bias: float
    density_repeatability: float
    density_between_days: float
    carry_over: float
    """Fraction of the sample before that stays in the cell, where that one was thicker."""
    drifts: bool


HABITS = (
    Habit(0.0004, 0.0010, 0.0005, 0.01, 0.020, 0.015, 0.0020, drifts=False),
    Habit(-0.0003, 0.0014, 0.0006, -0.02, 0.035, 0.020, 0.0035, drifts=True),
)
"""VD-1 and VD-2; further instruments of a larger laboratory take turns."""


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
    runs["run"] = runs["instrument"] + runs["day"].dt.strftime("-%y%m%d-") + _number_in_day(runs).map("{:02d}".format)
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
    afternoon = rng.integers(2, size=len(viscosity))
    return 100.0 * (1 + afternoon) + np.log(viscosity) + rng.normal(0.0, 0.8, len(viscosity))


def _second_runs(samples: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the samples that come again at the end of the day on the other instrument of the pair."""
    again = samples[rng.random(len(samples)) < SECOND_RUN_SHARE].copy()
    again["instrument_number"] = again["instrument_number"] ^ 1
    again["place"] += 300.0
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
    lunch = (runs["place"] >= 200.0).groupby(keys).cummax().astype(int) * LUNCH_MINUTES
    before = (takes + waits).groupby(keys).cumsum() - takes
    seconds = rng.integers(60, size=len(runs))
    return runs["day"] + pd.to_timedelta(7 * 60 + 30 + before + lunch, unit="min") + pd.to_timedelta(seconds, unit="s")


def _number_in_day(runs: pd.DataFrame) -> pd.Series:
    return runs.groupby(["instrument_number", "day"]).cumcount() + 1


# --- What is in the bottles, and then in the cells ---


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
    for column, deviate in ((_AT_40, of_lot[:, 0]), (_AT_100, together * of_lot[:, 0] + alone * of_lot[:, 1])):
        mean, spread = _typical(product, TEMPERATURES_C[column])
        values[:, column] = (mean + spread * deviate) * np.exp(0.0003 * of_bottle)
    return values


def _densities(product: Product, of_lot: Array, of_bottle: Array) -> Array:
    """Draw densities at the typical value's temperature; the others by the standard's table, lots a little off it."""
    typical = next(one for one in product.typical if one.quantity == "density")
    base = typical.mean + typical.standard_deviation * of_lot[:, 2] + 0.02 * of_bottle
    values = np.full((len(of_lot), len(TEMPERATURES_C)), np.nan)
    for column in _columns(product.commodity != "lubricating oil"):
        temperature = float(TEMPERATURES_C[column])
        by_table = density_at(base, typical.temperature_C, temperature, commodity=product.commodity)
        values[:, column] = by_table + 0.004 * of_lot[:, 3] * (temperature - typical.temperature_C)
    return values


def _columns(fuel: bool) -> tuple[int, int]:
    return (_AT_15, _AT_40) if fuel else (_AT_40, _AT_100)


def _typical(product: Product, temperature: int) -> tuple[float, float]:
    """Return mean and standard deviation of the kinematic viscosity; NaN where lab.toml gives none."""
    for one in product.typical:
        if one.quantity == "kinematic viscosity" and one.temperature_C == temperature:
            return one.mean, one.standard_deviation
    return np.nan, np.nan


def _code(product: Product) -> str:
    return str(product.samples[0]).removesuffix("-*")


def carried_over(runs: pd.DataFrame, bottles: Contents) -> Contents:
    """Return what the cells hold: after a thicker sample on the same day, a little of that one."""
    same_day = ~_first_of_day(runs)
    before = Contents(np.roll(bottles.viscosity, 1, axis=0), np.roll(bottles.density, 1, axis=0))
    thicker = before.viscosity[:, _AT_40] > bottles.viscosity[:, _AT_40]
    left = _of_habit(runs, "carry_over")
    mixture = mixed(bottles, before, np.where(same_day & thicker, left, 0.0))
    return Contents(
        np.where(np.isnan(mixture.viscosity), bottles.viscosity, mixture.viscosity),
        np.where(np.isnan(mixture.density), bottles.density, mixture.density),
    )


def _first_of_day(runs: pd.DataFrame) -> NDArray[np.bool_]:
    return np.asarray(_number_in_day(runs) == 1)


# --- What the instruments find ---


def measure(runs: pd.DataFrame, bottles: Contents, first_fill: Contents, rng: np.random.Generator) -> pd.DataFrame:
    """Return the determinations, a row each, with unrounded results; a second fill is free of what was carried over."""
    run, column, repeat = _layout(runs, bottles)
    rows = runs.iloc[run].reset_index(drop=True)
    viscosity, density = (
        np.where(repeat == 1, first[run, column], again[run, column])
        for first, again in ((first_fill.viscosity, bottles.viscosity), (first_fill.density, bottles.density))
    )
    found_density = density + _density_error(rows, rng)
    dynamic = viscosity * density * 1e-3 * np.exp(_viscosity_error(rows, rng))
    step = rows.groupby("run", sort=False).cumcount()
    rows["measured_at"] = rows["started"] + pd.to_timedelta(MINUTES_A_DETERMINATION * (step + 1), unit="min")
    rows["temperature_C"] = np.array(TEMPERATURES_C)[column]
    rows["repeat"] = repeat
    rows["dynamic"], rows["density"] = dynamic, found_density
    rows["operator"] = _operators(rows)
    rows.loc[rows["repeat"] == 2, "remark"] = "second fill"
    return rows


def _layout(runs: pd.DataFrame, bottles: Contents) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return run, temperature column and repeat of each determination: fill by fill, in each from cold to hot."""
    columns = np.array([_columns(fuel) for fuel in np.isfinite(bottles.density[:, _AT_15])])
    counts = runs["determinations"].to_numpy()
    run = np.repeat(np.arange(len(runs)), counts)
    step = np.arange(len(run)) - np.repeat(np.cumsum(counts) - counts, counts)
    return run, columns[run, step % 2], step // 2 + 1


def _viscosity_error(rows: pd.DataFrame, rng: np.random.Generator) -> Array:
    """Return bias, day, fill and drift, relative."""
    error = _between_days(rows, "viscosity_between_days", rng)
    error += _of_habit(rows, "viscosity_bias")
    error += _of_habit(rows, "viscosity_repeatability") * rng.standard_normal(len(rows))
    days = np.busday_count(DRIFT_BEGINS, rows["day"].to_numpy().astype("datetime64[D]")) + 1
    error += _of_habit(rows, "drifts") * DRIFT_A_DAY * np.maximum(days, 0)
    return error


def _density_error(rows: pd.DataFrame, rng: np.random.Generator) -> Array:
    """Return bias, day and fill, [kg/m³]."""
    error = _between_days(rows, "density_between_days", rng) + _of_habit(rows, "density_bias")
    return error + _of_habit(rows, "density_repeatability") * rng.standard_normal(len(rows))


def _of_habit(rows: pd.DataFrame, name: str) -> Array:
    of_kind: Array = np.array([float(getattr(habit, name)) for habit in HABITS])
    return of_kind[_kind(rows)]


def _kind(rows: pd.DataFrame) -> NDArray[np.int64]:
    return rows["instrument_number"].to_numpy(np.int64) % len(HABITS)


def _between_days(rows: pd.DataFrame, name: str, rng: np.random.Generator) -> Array:
    day = rows.groupby(["instrument_number", "day"]).ngroup().to_numpy()
    return _of_habit(rows, name) * rng.standard_normal(day.max() + 1)[day]


def _operators(rows: pd.DataFrame) -> NDArray[np.str_]:
    """Return who was at the instrument: a change at noon on odd ones, one person a week on even ones."""
    number = rows["instrument_number"]
    turn = rows["day"].dt.isocalendar().week.astype(int) + 2 * (number % 2) + number // 2
    turn += (rows["measured_at"].dt.hour >= 12) & (number % 2 == 0)
    people: NDArray[np.str_] = np.array(PEOPLE)
    return people[turn.to_numpy() % len(PEOPLE)]
