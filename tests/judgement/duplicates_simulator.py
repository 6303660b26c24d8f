"""A laboratory that measures samples twice, by its own physics, with one story planted: who repeats badly, and why.

Results scatter about their oil by a fraction of the repeatability (ASTM D445, ISO 12185 as shipped, memory), a part
of it shared by both temperatures; the first fill of a run holds a share of the sample before, mixed in
ln ν. Nothing of labcalc is called.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

OILS = {
    "gas oils": (3.0, 1.2, 835.0, 0.0057, 0.0057),
    "base oils": (30.0, 5.3, 860.0, 0.0101, 0.0085),
    "formulated oils": (68.0, 8.7, 875.0, 0.0074, 0.0084),
}
"""Class: viscosity at 40 and 100 °C [mm²/s], density at 40 °C [kg/m³], r of viscosity at 40 and 100 °C [-]."""

OPERATORS = ("Ana Reis", "Ben Okoro", "Ines Falk", "Tom Aalto")

HEADER = "Run,Sample,Lot,Date,Operator,Instrument,Fill,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"


@dataclass(frozen=True)
class Story:
    """What is planted; each factor multiplies the scatter."""

    seed: int
    operator: str = ""
    instrument: str = ""
    lot: str = ""
    times: float = 2.0
    carried: float = 0.0
    """Share of the sample before that stays, [-], on instrument V1."""
    scatter: float = 0.85
    """Of single results, in r / 2.77."""
    tails: str = "normal"
    """``normal`` or ``t4``."""
    digits: int = 5
    """Figures of a viscosity; densities have two decimals, with 4 figures one."""
    days: int = 60


def settings() -> str:
    """Return lab.toml."""
    products = "".join(
        f'[[product]]\nname = "{name}"\nsamples = ["{name[:2].upper()}-*"]\nprecision_class = "{name}"\ntypical = [\n'
        f'{{ quantity = "kinematic viscosity", temperature_C = 40, mean = {cold}, '
        f"standard_deviation = {0.02 * cold} }},\n"
        f'{{ quantity = "density", temperature_C = 40, mean = {density}, standard_deviation = 0.8 }} ]\n'
        for name, (cold, _, density, *_) in OILS.items()
    )
    oil = (
        '[[reference]]\nname = "Thick oil"\nsamples = ["RT"]\n[[reference.lot]]\nlot = "T1"\nvalid_from = 2025-01-01\n'
        "valid_to = 2027-01-01\ncertified = [\n"
        '{ quantity = "kinematic viscosity", temperature_C = 40, value = 320.0, expanded_uncertainty = 0.5 } ]\n'
    )
    return '[laboratory]\nname = "Quay"\ntime_zone = "UTC"\nearlier_exports = ["record/*.csv"]\n' + oil + products


def write(story: Story, folder: Path) -> Path:
    """Write exports and lab.toml of the story into a folder; return lab.toml."""
    (folder / "record").mkdir(parents=True)
    (folder / "record" / "all.csv").write_text(HEADER + "".join(_rows(story)), encoding="utf-8")
    (folder / "lab.toml").write_text(settings(), encoding="utf-8")
    return folder / "lab.toml"


def _rows(story: Story) -> list[str]:
    random = np.random.default_rng(story.seed)
    found: list[str] = []
    for day in pd.bdate_range("2026-01-05", periods=story.days):
        for instrument in ("V1", "V2"):
            found += _of_day(story, day, instrument, random)
    return found


def _of_day(story: Story, day: pd.Timestamp, instrument: str, random: np.random.Generator) -> list[str]:
    found, before, at = [], dict[int, float](), day + pd.Timedelta(hours=7)
    operators = random.choice(OPERATORS, 2, replace=False)
    twice = random.choice(8, 2, replace=False) if story.days else ()
    for place in range(9):
        run = f"{instrument}-{day:%m%d}-{place}"
        name = list(OILS)[random.integers(3)] if place else ""
        sample = f"{name[:2].upper()}-{day:%m%d}{instrument[1]}{place}" if name else "RT"
        lot = "T1" if not name else f"L{1 + int(day.day_of_year > 45)}"
        who = str(operators[int(place > 4)])
        for fill in range(1, 2 + (place - 1 in twice)):
            values = _fill(story, name, random, before if fill == 1 else {}, instrument, who, lot)
            for temperature, viscosity, density in values:
                at += pd.Timedelta(minutes=7)
                rho = f"{density:.{2 if story.digits > 4 else 1}f}" if name else ""
                viscous = np.format_float_positional(viscosity, story.digits, fractional=False, trim="-")
                when = f"{at:%Y-%m-%d %H:%M}"
                found.append(f"{run},{sample},{lot},{when},{who},{instrument},{fill},{temperature},{viscous},{rho}\n")
        before = {temperature: viscosity for temperature, viscosity, _ in values}
    return found


def _fill(
    story: Story, name: str, random: np.random.Generator, before: dict[int, float], instrument: str, who: str, lot: str
) -> list[tuple[int, float, float]]:
    cold, hot, density, *limits = OILS.get(name, (320.0, 20.0, 880.0, 0.0074, 0.0084))
    wide = story.scatter * story.times ** (
        (who == story.operator) + (instrument == story.instrument) + (lot == story.lot)
    )
    shared, single = wide * np.sqrt(0.4), wide * np.sqrt(0.6)
    fill = _noise(story, random, 2)
    share = story.carried * (instrument == "V1")
    return [
        (
            temperature,
            value
            * float(
                np.exp(
                    share * np.log(before.get(temperature, value) / value)
                    + r / 2.772 * (shared * fill[0] + single * _noise(story, random, 1)[0])
                )
            ),
            rho + 0.2 / 2.772 * float(shared * fill[1] + single * _noise(story, random, 1)[0]),
        )
        for temperature, value, rho, r in zip((40, 100), (cold, hot), (density, density - 40.0), limits, strict=True)
    ]


def _noise(story: Story, random: np.random.Generator, number: int) -> np.ndarray:
    if story.tails == "t4":
        return np.asarray(random.standard_t(4, number) / np.sqrt(2.0))
    return np.asarray(random.standard_normal(number))
