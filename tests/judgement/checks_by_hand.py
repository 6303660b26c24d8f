"""Reference-oil checks of a laboratory, drawn: what days and results scatter, and what is planted. All is invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from labcalc.exports import Reading
from labcalc.judgement import Material
from labcalc.judgement.checks import Action
from labcalc.judgement.month import of_oils, whose_fault
from labcalc.judgement.month.checks import Checks
from labcalc.judgement.period import Month, Period, days_of
from labcalc.lab import Decision, Laboratory, load_laboratory

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

Kept = Callable[[str, str, np.ndarray], np.ndarray]
"""(instrument, oil, days) -> whether it was measured."""

WHOLE = (("kinematic viscosity", 40.0), ("kinematic viscosity", 100.0), ("density", 40.0), ("density", 100.0))
"""What an instrument with both cells measures at two temperatures."""

EXPANSION = 0.65
"""Loss of density of an oil, [kg/m³ K]."""


def certified_value(oil: str, quantity: str, temperature_C: float) -> float:
    """Return the value of the certificate, [mm²/s] or [kg/m³]."""
    if quantity == "density":
        return DENSITIES[oil] - EXPANSION * (temperature_C - 40.0)
    return VISCOSITIES[oil][temperature_C]


def written(value: np.ndarray, certified: float, quantity: str, digits: tuple[int, int]) -> np.ndarray:
    """Round as an export writes: a viscosity to significant digits, a density to decimals."""
    of_viscosity = digits[0] - 1 - int(np.floor(np.log10(certified)))
    return np.asarray(np.round(value, digits[1] if quantity == "density" else of_viscosity))


def lab_text(oils: Sequence[str] = ("THIN", "MID", "THICK"), extra: str = "") -> str:
    """Return a lab.toml with three reference oils."""
    text = f'[laboratory]\nname = "Invented"\ntime_zone = "UTC"\n{extra}\n'
    for oil in oils:
        text += f'[[reference]]\nname = "{oil}"\nsamples = ["{oil}"]\n'
        text += '[[reference.lot]]\nlot = "A"\nvalid_from = 2020-01-01\n'
        text += "valid_to = 2030-12-31\ncertified = [\n"
        for at, value in VISCOSITIES[oil].items():
            text += _value("kinematic viscosity", at, value, value * 0.002)
        for at in (40.0, 100.0):
            text += _value("density", at, certified_value(oil, "density", at), 0.05)
        text += "]\n"
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
    digits: tuple[int, int] | None = None
    """Digits of a viscosity, and decimals of a density in kg/m³, that exports write; None: not rounded."""
    lasting: float = 0.0
    """Correlation of an instrument's day with the day before, [-]."""
    certificates: float = 0.0
    """Standard deviation of the certificates' errors in their own standard uncertainties, [-]: 1 as they state."""
    on: Kept | None = None
    """Which results there are; None: one of each oil on each instrument and working day."""


def drawn(plan: Plan, seed: int, fault: Fault | None = None) -> pd.DataFrame:
    """Return comparisons with certificates, one a working day for each instrument, oil, quantity and temperature."""
    generator = np.random.default_rng(seed)
    days = np.arange(plan.days)
    dates = pd.bdate_range("2026-01-05", periods=plan.days, tz="UTC") + pd.Timedelta(hours=8)
    parts = []
    wrong = {key: plan.certificates * generator.standard_normal() for key in product(plan.oils, plan.measured)}
    for instrument in plan.instruments:
        common = {q: _days(generator, plan) for q in ("kinematic viscosity", "density")}
        for oil, (quantity, at) in product(plan.oils, plan.measured):
            own = generator.standard_normal(plan.days)
            if np.isfinite(plan.tails):
                own = generator.standard_t(plan.tails, plan.days) * np.sqrt((plan.tails - 2.0) / plan.tails)
            noise = np.sqrt(plan.together) * common[quantity] + np.sqrt(1.0 - plan.together) * own
            away = noise * (OF_DENSITY if quantity == "density" else SCATTER)
            away = away + wrong[oil, (quantity, at)] * (0.025 if quantity == "density" else 0.1)
            if fault is not None:
                away = away + fault(instrument, oil, quantity, at, days)
            certified = certified_value(oil, quantity, at)
            value = certified + away if quantity == "density" else certified * (1.0 + away / 100.0)
            if plan.digits is not None:
                value = written(value, certified, quantity, plan.digits)
            kept = np.ones(plan.days, bool) if plan.on is None else plan.on(instrument, oil, days)
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
                )[kept]
            )
    return pd.concat(parts).sort_values("measured_at", kind="stable", ignore_index=True)


def _days(generator: np.random.Generator, plan: Plan) -> np.ndarray:
    """Return what an instrument's days have in common, each as like the one before as the plan says."""
    new = generator.standard_normal(plan.days)
    found = new.copy()
    for day in range(1, plan.days):
        found[day] = plan.lasting * found[day - 1] + np.sqrt(1.0 - plan.lasting**2) * new[day]
    return found


@cache
def _laboratory(folder: Path, text: str) -> Laboratory:
    (folder / "lab.toml").write_text(text, encoding="utf-8")
    return load_laboratory(folder / "lab.toml")


def material(
    folder: Path,
    plan: Plan,
    seed: int,
    fault: Fault | None = None,
    extra: str = "",
    decisions: Sequence[Decision] = (),
    samples: pd.DataFrame | None = None,
) -> Material:
    """Return the record of a drawn laboratory: its comparisons stand as drawn, its samples beside them."""
    table = drawn(plan, seed, fault)
    parts = [table.assign(role="reference"), *([] if samples is None else [samples.assign(role="sample")])]
    record = pd.concat(parts, ignore_index=True)
    found = Material(_laboratory(folder, lab_text(extra=extra)), Reading(record, (), ()), record, (), tuple(decisions))
    vars(found)["comparisons"] = table
    vars(found)["_by_instrument"] = {}  # no sequence of runs: nothing tells of a carry-over
    return found


def working_days(first: int, last: int) -> Period:
    """Return the period from one working day of a plan to another, both within it."""
    dates = pd.bdate_range("2026-01-05", periods=last + 1)
    return days_of(f"{dates[first]:%Y-%m-%d}", f"{dates[last]:%Y-%m-%d}", "UTC")


def month_of_days(first: int, last: int) -> Month:
    """Return working days of a plan as if they were a month."""
    return Month(**vars(working_days(first, last)))


def baseline_of(number: int) -> str:
    """Return the lines of lab.toml that ask for a baseline of some results."""
    return f"[control]\nbaseline_results = {number}\n"


def of_reference_oils(found: Checks) -> list[Action]:
    """Return all that reference oils tell, as the month's list takes it."""
    told = (
        whose_fault.moved,
        whose_fault.single_checks,
        whose_fault.single_results,
        of_oils.gaps,
        whose_fault.biases,
    )
    more = (of_oils.spreads, of_oils.imprecise, of_oils.repairs, of_oils.baselines)
    return [one for kind in (*told, *more) for one in kind(found)]
