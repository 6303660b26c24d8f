"""The two kinds of instruments: what stays in the cell from the sample before, and what they find."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from laboratory_work import (
    AT_15,
    AT_40,
    MINUTES_A_DETERMINATION,
    TEMPERATURES_C,
    Array,
    Contents,
    mixed,
    run_at,
)
from numpy.typing import NDArray

__all__ = ["carried_over", "measure"]

DRIFT_BEGINS, DRIFT_A_DAY = date(2026, 3, 9), 0.0002
PEOPLE = ("Inês Okonkwo", "Tomasz Aaltonen", "Leilani Bose", "Yusuf Lindgren")


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
    Habit(
        viscosity_bias=0.0004,
        viscosity_repeatability=0.0010,
        viscosity_between_days=0.0005,
        density_bias=0.01,
        density_repeatability=0.020,
        density_between_days=0.015,
        carry_over=0.0020,
        drifts=False,
    ),
    Habit(
        viscosity_bias=-0.0003,
        viscosity_repeatability=0.0014,
        viscosity_between_days=0.0006,
        density_bias=-0.02,
        density_repeatability=0.035,
        density_between_days=0.020,
        carry_over=0.0035,
        drifts=True,
    ),
)
"""VD-1 and VD-2; further instruments of a larger laboratory take turns."""


def carried_over(runs: pd.DataFrame, bottles: Contents) -> Contents:
    """Return what the cells hold: after a thicker sample on the same day, a little of that one."""
    same_day = (runs.groupby(["instrument_number", "day"]).cumcount() > 0).to_numpy()
    before = Contents(np.roll(bottles.viscosity, 1, axis=0), np.roll(bottles.density, 1, axis=0))
    thicker = before.viscosity[:, AT_40] > bottles.viscosity[:, AT_40]
    left = _of_habit(runs, "carry_over")
    mixture = mixed(bottles, before, np.where(same_day & thicker, left, 0.0))
    return Contents(
        np.where(np.isnan(mixture.viscosity), bottles.viscosity, mixture.viscosity),
        np.where(np.isnan(mixture.density), bottles.density, mixture.density),
    )


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
    columns = np.array([run_at(fuel) for fuel in np.isfinite(bottles.density[:, AT_15])])
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
    of_kind = np.array([float(getattr(habit, name)) for habit in HABITS])
    return np.take(of_kind, rows["instrument_number"].to_numpy() % len(HABITS))


def _between_days(rows: pd.DataFrame, name: str, rng: np.random.Generator) -> Array:
    day = rows.groupby(["instrument_number", "day"]).ngroup().to_numpy()
    deviates: Array = rng.standard_normal(day.max() + 1)[day]
    return _of_habit(rows, name) * deviates


def _operators(rows: pd.DataFrame) -> NDArray[np.str_]:
    """Return who was at the instrument: a change at noon on odd ones, one person a week on even ones."""
    number = rows["instrument_number"]
    turn = rows["day"].dt.isocalendar().week.astype(int) + 2 * (number % 2) + number // 2
    turn += (rows["measured_at"].dt.hour >= 12) & (number % 2 == 0)
    names: NDArray[np.str_] = np.array(PEOPLE)[turn.to_numpy() % len(PEOPLE)]
    return names
