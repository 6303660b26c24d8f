"""Reference-oil checks of a laboratory, drawn: what days and results scatter, and what is planted. All is invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from labcalc.judgement.control.charts import Chart, control_charts
from labcalc.judgement.control.watch import Stream, watched
from labcalc.lab import Laboratory, load_laboratory

if TYPE_CHECKING:
    from pathlib import Path

SLOPES = {"THIN": {40.0: -2.6, 100.0: -1.6}, "MID": {40.0: -4.2, 100.0: -2.4}, "THICK": {40.0: -5.6, 100.0: -3.0}}
"""d ln ν/dT, [%/K], by ASTM D341 lines through the values below."""
VISCOSITIES = {"THIN": {40.0: 10.0, 100.0: 2.66}, "MID": {40.0: 46.0, 100.0: 6.8}, "THICK": {40.0: 220.0, 100.0: 19.0}}
DENSITIES = {"THIN": 830.0, "MID": 868.0, "THICK": 885.0}
SCATTER = 0.15
"""Standard deviation of a viscosity, [%]."""
OF_DENSITY = 0.03
"""Of a density, [kg/m³]."""

Fault = Callable[[str, str, str, float, np.ndarray], np.ndarray]
"""(instrument, oil, quantity, temperature, days) -> what it adds, in [%] or [kg/m³]."""


def lab_text(oils: Sequence[str] = ("THIN", "MID", "THICK"), extra: str = "") -> str:
    """Return a lab.toml with three reference oils."""
    text = f'[laboratory]\nname = "Invented"\ntime_zone = "UTC"\n{extra}\n'
    for oil in oils:
        text += f'[[reference]]\nname = "{oil}"\nsamples = ["{oil}"]\n'
        text += '[[reference.lot]]\nlot = "A"\nvalid_from = 2020-01-01\n'
        text += "valid_to = 2030-12-31\ncertified = [\n"
        for at, value in VISCOSITIES[oil].items():
            text += _value("kinematic viscosity", at, value, value * 0.002)
        text += _value("density", 40, DENSITIES[oil], 0.05) + "]\n"
    return text


def _value(quantity: str, at: float, value: float, U: float) -> str:
    told = f'quantity = "{quantity}", temperature_C = {at}, value = {value}, expanded_uncertainty = {U:.5f}'
    return f"    {{ {told} }},\n"


@dataclass(frozen=True)
class Plan:
    """Which checks are made, and how they scatter."""

    instruments: tuple[str, ...] = ("V1", "V2", "V3")
    oils: tuple[str, ...] = ("THIN", "THICK")
    days: int = 66
    together: float = 0.3
    """Share of the variance that the results of an instrument's day have in common, [-]."""
    measured: tuple[tuple[str, float], ...] = (
        ("kinematic viscosity", 40.0),
        ("kinematic viscosity", 100.0),
        ("density", 40.0),
    )
    tails: float = np.inf
    """Degrees of freedom of Student's t that results are drawn from, with the same variance."""


def drawn(plan: Plan, seed: int, fault: Fault | None = None) -> pd.DataFrame:
    """Return comparisons with certificates, one a working day for each instrument, oil, quantity and temperature."""
    generator = np.random.default_rng(seed)
    days = np.arange(plan.days)
    dates = pd.bdate_range("2026-01-05", periods=plan.days, tz="UTC") + pd.Timedelta(hours=8)
    parts = []
    for instrument in plan.instruments:
        common = {q: generator.standard_normal(plan.days) for q in ("kinematic viscosity", "density")}
        for oil, (quantity, at) in product(plan.oils, plan.measured):
            own = generator.standard_normal(plan.days)
            if np.isfinite(plan.tails):
                own = generator.standard_t(plan.tails, plan.days) * np.sqrt((plan.tails - 2.0) / plan.tails)
            noise = np.sqrt(plan.together) * common[quantity] + np.sqrt(1.0 - plan.together) * own
            away = noise * (OF_DENSITY if quantity == "density" else SCATTER)
            if fault is not None:
                away = away + fault(instrument, oil, quantity, at, days)
            certified = DENSITIES[oil] if quantity == "density" else VISCOSITIES[oil][at]
            value = certified + away if quantity == "density" else certified * (1.0 + away / 100.0)
            parts.append(
                pd.DataFrame(
                    {
                        "run": [f"{instrument}-{oil}-{day}" for day in days],
                        "sample": oil,
                        "lot": "A",
                        "instrument": instrument,
                        "measured_at": dates + pd.Timedelta(minutes=20 * list(plan.oils).index(oil)),
                        "quantity": quantity,
                        "temperature_C": at,
                        "value": value,
                        "certified": certified,
                        "limit": 1.0 if quantity == "density" else certified * 0.02,
                    }
                )
            )
    return pd.concat(parts).sort_values("measured_at", kind="stable", ignore_index=True)


@cache
def _laboratory(folder: Path, text: str) -> Laboratory:
    (folder / "lab.toml").write_text(text, encoding="utf-8")
    return load_laboratory(folder / "lab.toml")


def checks(
    folder: Path, plan: Plan, seed: int, fault: Fault | None = None, extra: str = ""
) -> tuple[tuple[Chart, ...], dict[str, tuple[Stream, ...]]]:
    """Return the charts of a drawn laboratory, and what is watched."""
    charts = control_charts(drawn(plan, seed, fault), _laboratory(folder, lab_text(extra=extra)))
    return charts, {name: watched([one for one in charts if one.instrument == name]) for name in plan.instruments}
