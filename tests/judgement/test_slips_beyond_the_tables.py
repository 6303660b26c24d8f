"""Slips that the volume correction (API MPMS 11.1) refuses to carry to 15 °C: reports name them, none fails.

Sizes are exact: T/°F = 1.8 T/°C + 32, T/K = T/°C + 273.15 (ITS-90); oils and typical values are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labcalc.judgement import Judgement, gather, judge

LAB = """
[laboratory]
name = "Slips"
time_zone = "UTC"
[[product]]
name = "Hydraulic 46"
samples = ["HB-*"]
class = "hydraulic and industrial oil"
typical = [
    { quantity = "kinematic viscosity", temperature_C = 40, mean = 46.1, standard_deviation = 0.5 },
    { quantity = "kinematic viscosity", temperature_C = 100, mean = 6.84, standard_deviation = 0.06 },
    { quantity = "density", temperature_C = 40, mean = 858.5, standard_deviation = 0.9 },
]
[[product]]
name = "Gear 460"
samples = ["GR-*"]
class = "hydraulic and industrial oil"
typical = [
    { quantity = "kinematic viscosity", temperature_C = 40, mean = 460, standard_deviation = 5 },
    { quantity = "density", temperature_C = 40, mean = 884, standard_deviation = 0.9 },
]
"""
Rows = list[tuple[float, float, float]]
HYDRAULIC: Rows = [(40.0, 46.3, 858.9), (100.0, 6.86, 820.6)]
GEAR: Rows = [(40.0, 462.0, 884.3)]


@pytest.fixture
def judged(tmp_path: Path) -> Callable[..., Judgement]:
    def call(sample: str, rows: Rows, lab: bool = True) -> Judgement:
        lines = [f"{sample},2026-03-10 10:0{n}:17,{T:.6g},{nu:g},{rho:g}" for n, (T, nu, rho) in enumerate(rows)]
        head = "Sample,Measured at,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)"
        export, toml = tmp_path / "export.csv", tmp_path / "lab.toml"
        export.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        toml.write_text(LAB, encoding="utf-8")
        material = gather([export], toml if lab else None)
        return judge(material.dossier(material.runs[0]))

    return call


def in_kelvin(rows: Rows) -> Rows:
    return [(T + 273.15, nu, rho) for T, nu, rho in rows]


def in_fahrenheit(rows: Rows) -> Rows:
    return [(1.8 * T + 32.0, nu, rho) for T, nu, rho in rows]


def exchanged(rows: Rows) -> Rows:
    return [(one[0], *other[1:]) for one, other in zip(rows, rows[::-1], strict=True)]


def in_each_others_column(rows: Rows) -> Rows:
    return [(T, rho, nu) for T, nu, rho in rows]


@pytest.mark.parametrize(
    ("sample", "rows", "words"),
    [
        ("HB-1", in_kelvin(HYDRAULIC), "kelvin written as °C: every row"),
        ("HB-1", in_kelvin(HYDRAULIC[:1]), "kelvin written as °C: every row"),
        ("HB-1", [*in_kelvin(HYDRAULIC[:1]), HYDRAULIC[1]], "kelvin written as °C: at 313.2 °C"),
        ("HB-1", in_fahrenheit(HYDRAULIC), "°F written as °C: every row"),
        ("HB-1", in_fahrenheit(HYDRAULIC[:1]), "°F written as °C: every row"),
        ("HB-1", [*in_fahrenheit(HYDRAULIC[:1]), HYDRAULIC[1]], "°F written as °C: at 104 °C"),
        ("HB-1", exchanged(HYDRAULIC), "rows of 40 °C and 100 °C exchanged, fill 1"),
        ("GR-1", in_each_others_column(GEAR), "viscosity and density exchanged at 40 °C"),
        ("GR-1", [(40.0, 462.0, 384.3)], "a wrong digit: density at 40 °C, 384.3 for 884.3"),
    ],
)
def test_a_slip_is_named_in_the_reason(judged: Callable[..., Judgement], sample: str, rows: Rows, words: str) -> None:
    judgement = judged(sample, rows)
    assert judgement.verdict != "releasable"
    assert f"Most likely a slip of unit or transcription, {words} (probability " in judgement.reason


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (in_kelvin(HYDRAULIC), "kelvin written as °C: every row"),
        (in_kelvin(HYDRAULIC[:1]), "kelvin written as °C: every row"),
        (in_fahrenheit(HYDRAULIC), "°F written as °C: every row"),
        (exchanged(HYDRAULIC), "rows of 40 °C and 100 °C exchanged, fill 1"),
        ([(40.0, 46.3, 358.9), HYDRAULIC[1]], "a wrong digit: density at 40 °C, 358.9 for 858.9"),
    ],
)
def test_of_an_unknown_product_too(judged: Callable[..., Judgement], rows: Rows, words: str) -> None:
    """By slopes that liquids have, temperatures that cells have, and densities that liquids have."""
    judgement = judged("X-1", rows, lab=False)
    assert judgement.verdict != "releasable"
    assert f"Most likely a slip of unit or transcription, {words} (probability " in judgement.reason


@pytest.mark.parametrize("rows", [HYDRAULIC, HYDRAULIC[:1], HYDRAULIC[1:]])
@pytest.mark.parametrize("known", [True, False])
def test_good_numbers_are_left_alone(judged: Callable[..., Judgement], rows: Rows, known: bool) -> None:
    judgement = judged("HB-1" if known else "X-1", rows, lab=known)
    assert judgement.evidence is None
    assert "odd" not in judgement.reason
