"""A whole invented laboratory as exports: six instruments, three oils, five months, and what is planted in the last."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from tests.judgement.checks_by_hand import OF_DENSITY, SCATTER, SLOPES, certified_value, lab_text, written

KV, DENSITY = "kinematic viscosity", "density"
INSTRUMENTS = tuple(f"V{n}" for n in range(1, 7))
OILS = ("THIN", "MID", "THICK")
DAYS = pd.bdate_range("2026-01-01", "2026-05-29")
MAY = int(DAYS.searchsorted(pd.Timestamp("2026-05-01")))
BOTTLE, WARM, OFF, MENDED = (int(DAYS.searchsorted(pd.Timestamp(f"2026-05-{day:02}"))) for day in (4, 11, 5, 15))
GAP = range(int(DAYS.searchsorted(pd.Timestamp("2026-05-18"))), int(DAYS.searchsorted(pd.Timestamp("2026-05-23"))))
DRIFT = int(DAYS.searchsorted(pd.Timestamp("2026-04-27")))

STORIES = {
    "V1, kinematic viscosity": "drifts by 0.03 % a day from 27 April on",
    "V2, temperature of the cell": "0.12 K too warm at 40 °C from 11 May on",
    "MID lot A": "a bottle that reads 0.5 % less on every instrument from 4 May on",
    "THIN lot A": "its certificate is 0.8 % too low",
    "V3, kinematic viscosity": "0.6 % too much from 5 May on",
    "V3, action of 2026-05-14": "which mended it on the evening of the 14th",
    "V4, gap": "not checked from 18 to 22 May",
    "V5, carry-over": "0.6 % of the sample before stays in the cell",
    "V6, less scatter": "the densities of the thick oil are copied",
}
"""What the list of May is about, and what is planted."""

HEADER = "Run,Sample,Lot,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"
_SAMPLES = {"thin": (12.0, 2.9, 840.0), "thick": (150.0, 14.6, 880.0), "mid": (46.0, 6.9, 868.0)}
_KEPT = 0.006
"""Share of the sample before that stays in the cell of V5, [-]."""


def _planted(name: str, oil: str, quantity: str, at: float, day: int) -> float:
    """Return what is added, in [%] or [kg/m³]."""
    if quantity == DENSITY:
        return 0.0
    found = 0.8 if oil == "THIN" else 0.0
    found -= 0.5 if oil == "MID" and day >= BOTTLE else 0.0
    found += 0.03 * max(day - DRIFT, 0) if name == "V1" else 0.0
    found += 0.12 * SLOPES[oil][at] if name == "V2" and at == 40.0 and day >= WARM else 0.0
    return found + (0.6 if name == "V3" and OFF <= day < MENDED else 0.0)


def _lines(name: str, generator: np.random.Generator) -> dict[str, list[str]]:
    """Return an instrument's rows by month: three oils in the morning, then three samples."""
    months: dict[str, list[str]] = {}
    wrong = {"V1": 0.03, "V2": -0.05, "V3": 0.02, "V4": -0.02, "V5": 0.05, "V6": -0.04}[name]
    for day, date in enumerate(DAYS):
        rows = months.setdefault(f"{date:%Y-%m}", [])
        common = {KV: generator.standard_normal(), DENSITY: generator.standard_normal()}
        for place, oil in enumerate(OILS if name != "V4" or day not in GAP else ()):
            values = {}
            for quantity, at in product((KV, DENSITY), (40.0, 100.0)):
                z = np.sqrt(0.3) * common[quantity] + np.sqrt(0.7) * generator.standard_normal()
                certified = certified_value(oil, quantity, at)
                away = z * (OF_DENSITY if quantity == DENSITY else SCATTER) + _planted(name, oil, quantity, at, day)
                away += wrong if quantity == KV else 0.0
                value = certified + away if quantity == DENSITY else certified * (1.0 + away / 100.0)
                if name == "V6" and oil == "THICK" and quantity == DENSITY and day >= MAY:
                    value = certified + 0.01
                values[quantity, at] = written(np.array(value), certified, quantity, (5, 2))
            rows += _rows(name, oil, "A", date + pd.Timedelta(hours=8, minutes=25 * place), values)
        before = 220.0
        for place, kind in enumerate(("thin", "thick", "mid") if day % 2 else ("mid", "thin", "thick")):
            at_40, at_100, heavy = _SAMPLES[kind]
            share = _KEPT * np.log(before / at_40) if name == "V5" else 0.0
            scale = (1.0 + generator.normal(0.0, 0.0015)) * (1.0 + share) * (1.0 + generator.normal(0.0, 0.0005))
            values = {
                (KV, 40.0): np.round(at_40 * scale, 3),
                (KV, 100.0): np.round(at_100 * scale, 4),
                (DENSITY, 40.0): np.round(heavy + generator.normal(0.0, 0.1), 2),
                (DENSITY, 100.0): np.round(heavy - 39.0 + generator.normal(0.0, 0.1), 2),
            }
            moment = date + pd.Timedelta(hours=9, minutes=30 + 40 * place)
            rows += _rows(name, f"{kind}-{name}-{day}", f"{kind}-L{day // 20}", moment, values)
            before = at_40
    return months


def _rows(
    name: str, sample: str, lot: str, moment: pd.Timestamp, values: dict[tuple[str, float], np.ndarray]
) -> list[str]:
    run = f"{moment:%m%d%H%M}{name}"
    return [
        f"{run},{sample},{lot},{moment + pd.Timedelta(minutes=6 * n):%Y-%m-%d %H:%M},{name},{at:g},"
        f"{values[KV, at]:.6g},{values[DENSITY, at]:.2f}\n"
        for n, at in enumerate((40.0, 100.0))
    ]


def write_laboratory(folder: Path, seed: int) -> Path:
    """Write lab.toml, decisions and exports; return lab.toml."""
    (folder / "record").mkdir(parents=True)
    products = "".join(
        f'[[product]]\nname = "{kind} oil"\nsamples = ["{kind}-*"]\nprecision_class = "base oils"\ntypical = [{{ '
        f'quantity = "{KV}", temperature_C = 40, mean = {at_40}, standard_deviation = {0.004 * at_40:.3f} }}]\n'
        for kind, (at_40, _, _) in _SAMPLES.items()
    )
    control = "[control]\nbaseline_results = 30\nsettled_results = 30\n"
    text = lab_text(extra='earlier_exports = ["record/*.csv"]') + products + control
    (folder / "lab.toml").write_text(text, encoding="utf-8")
    action = {
        "who": "I. Duarte",
        "when": "2026-05-14T18:00:00+00:00",
        "what": "corrective action",
        "why": "cell cleaned",
        "instrument": "V3",
    }
    (folder / "decisions.jsonl").write_text(json.dumps(action) + "\n", encoding="utf-8")
    for n, name in enumerate(INSTRUMENTS):
        for month, rows in _lines(name, np.random.default_rng([seed, n])).items():
            (folder / "record" / f"{name}_{month}.csv").write_text(HEADER + "".join(rows), encoding="utf-8")
    return folder / "lab.toml"
