"""Every formula against printed values: tests/published/*.csv names source and clause, seen or from memory.

A value passes within half a unit of its last printed place, or within the tolerance that its row states: 1e-7 is the
one of the published example set of API MPMS 11.1. Inputs stand in the units of the print.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae.index import _basis

PUBLISHED = Path(__file__).parent / "published"

Row = dict[str, str]


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def rows(*names: str) -> list[object]:
    return [
        pytest.param(row, id=f"{name}:{line} {row['formula']}")
        for name in names
        for line, row in enumerate(read(PUBLISHED / name), start=2)
    ]


def celsius(fahrenheit: str) -> float:
    return (float(fahrenheit) - 32.0) / 1.8


def kilopascal(pressure: str, unit: str) -> float:
    return float(pressure) * {"psi": 6.894757, "bar": 100.0, "kPa": 1.0}[unit]


def kilograms(density: str, unit: str) -> float:
    if unit == "°API":
        return float(formulae.density_from_api_gravity(float(density)))
    return float(formulae.density_from_relative_density(float(density))) if unit == "RD" else float(density)


def liquid(row: Row) -> dict[str, object]:
    """Return the arguments that say what liquid it is."""
    if row["alpha_60_per_F"]:
        return {"alpha_60": float(row["alpha_60_per_F"])}
    return {"commodity": row["commodity"]}


def agrees(computed: float, row: Row) -> bool:
    tolerance = float(row["tolerance"] or 0.5 * 10.0 ** -int(row["decimals"]))
    return abs(computed - float(row["printed"])) <= tolerance * (1.0 + 1e-9)


def of_correction(correction: formulae.VolumeCorrection, quantity: str) -> float:
    return float(
        {
            "alpha_60": correction.alpha_60,
            "Fp": correction.compressibility,
            "CTL": correction.temperature_factor,
            "CPL": correction.pressure_factor,
            "CTPL": correction.factor,
        }[quantity]
    )


@pytest.mark.parametrize("row", rows("volume_correction_from_60F.csv"))
def test_from_60F(row: Row) -> None:
    density = kilograms(row["density_60F"], row["density_unit"])
    place = celsius(row["temperature_F"]), kilopascal(row["pressure_psi"], "psi")
    if row["formula"] == "density":
        computed = float(formulae.density_at(density, celsius("60"), place[0], to_kPa=place[1], **liquid(row)))
    else:
        computed = of_correction(formulae.volume_correction(density, *place, **liquid(row)), row["formula"])
    assert agrees(computed, row), computed


@pytest.mark.parametrize("row", rows("density_observed_to_60F.csv"))
def test_observed_to_60F(row: Row) -> None:
    place = celsius(row["temperature_F"]), kilopascal(row["pressure_psi"], "psi")
    density = kilograms(row["density_observed"], row["density_unit"])
    computed = float(formulae.density_at_60F(density, *place, **liquid(row)))
    if row["formula"] != "density_60F":
        computed = of_correction(formulae.volume_correction(computed, *place, **liquid(row)), row["formula"])
    assert agrees(computed, row), computed


def metric(row: Row, density_60F: float) -> float:
    """Return a factor against a metric base (par. 11.1.7): CTL is a ratio, compressibility per the printed unit."""
    place = float(row["temperature_C"]), kilopascal(row["pressure"], row["pressure_unit"])
    there = formulae.volume_correction(density_60F, *place, **liquid(row))
    base = formulae.volume_correction(density_60F, float(row["base_C"]), **liquid(row))
    per_unit = {"kPa": 6.894757, "bar": 0.06894757}[row["pressure_unit"]]
    factors = {
        "Fp": there.compressibility / per_unit,
        "CTL": there.temperature_factor / base.temperature_factor,
        "CPL": there.pressure_factor,
    }
    return float(factors.get(row["formula"], there.factor / base.factor))


@pytest.mark.parametrize("row", rows("volume_correction_metric.csv"))
def test_from_a_metric_base(row: Row) -> None:
    density_60F = float(formulae.density_at_60F(float(row["density"]), float(row["base_C"]), **liquid(row)))
    if row["formula"] == "density_of_rounded_factor":
        computed = float(row["density"]) * round(metric(row, density_60F), 5)
    else:
        computed = metric(row, density_60F)
    assert agrees(computed, row), computed


@pytest.mark.parametrize("row", rows("density_observed_to_metric_base.csv"))
def test_to_a_metric_base(row: Row) -> None:
    observed, at = float(row["density"]), float(row["temperature_C"])
    pressure = kilopascal(row["pressure"], row["pressure_unit"])
    if row["formula"] == "density_base":
        base = float(row["base_C"])
        computed = float(formulae.density_at(observed, at, base, from_kPa=pressure, **liquid(row)))
    else:
        computed = metric(row, float(formulae.density_at_60F(observed, at, pressure, **liquid(row))))
    assert agrees(computed, row), computed


@pytest.mark.parametrize("row", rows("density_refusals.csv"))
def test_refusals_of_the_density_tables(row: Row) -> None:
    """Where the source names the refused input only, the other inputs are any that fit."""
    temperature = celsius(row["temperature"]) if row["temperature_unit"] == "°F" else float(row["temperature"])
    pressure = kilopascal(row["pressure"], row["pressure_unit"])
    density, _, base = row["density"].partition("@")
    value, commodity = kilograms(density, row["density_unit"]), row["commodity"]
    refused: dict[str, Callable[[], object]] = {
        "correction": lambda: formulae.volume_correction(value, temperature, pressure, commodity=commodity),
        "observed": lambda: formulae.density_at_60F(value, temperature, pressure, commodity=commodity),
        "base": lambda: formulae.density_at(value, float(base), temperature, commodity=commodity),
    }
    with pytest.raises(OutOfRangeError) as refusal:
        refused[row["formula"]]()
    assert refusal.value.quantity == row["refused"]


ADAPTERS: dict[str, Callable[[Row], object]] = {
    "viscosity_index": lambda r: formulae.viscosity_index(float(r["kv_40"]), float(r["kv_100"])),
    "reported_viscosity_index": lambda r: formulae.reported_viscosity_index(
        formulae.viscosity_index(float(r["kv_40"]), float(r["kv_100"]))
    ),
    "calculated_carbon_aromaticity_index": lambda r: formulae.calculated_carbon_aromaticity_index(
        float(r["density_15C"]), float(r["kinematic_viscosity"]), float(r["temperature_C"])
    ),
    "L": lambda r: _basis(np.asarray(float(r["kv_100"])))[0],
    "H": lambda r: _basis(np.asarray(float(r["kv_100"])))[1],
    "ipts68": lambda r: 1.8 * formulae.ipts68_from_its90(celsius(r["temperature_F"])) + 32.0,
    "relative_density": lambda r: formulae.relative_density(float(r["value"])),
    "api_gravity": lambda r: formulae.api_gravity(float(r["value"])),
    "density_from_api_gravity": lambda r: formulae.density_from_api_gravity(float(r["value"])),
    "saybolt": lambda r: formulae.saybolt_universal_from_kinematic(
        float(r["kinematic_viscosity"]), celsius(r["temperature_F"])
    ),
    "saybolt_furol": lambda r: formulae.saybolt_furol_from_kinematic(float(r["viscosity"]), at_F=int(r["at_F"])),
    "kinematic_from_furol": lambda r: formulae.kinematic_from_saybolt_furol(float(r["viscosity"]), at_F=int(r["at_F"])),
    "kinematic_from_universal": lambda r: formulae.kinematic_from_saybolt_universal(
        float(r["viscosity"]), celsius(r["at_F"])
    ),
    "kinematic_from_engler": lambda r: formulae.kinematic_from_engler(float(r["value"])),
    "kinematic_from_redwood": lambda r: formulae.kinematic_from_redwood(float(r["value"])),
    "flow_time": lambda r: flow(float(r["flow_time_s"]), float(r["flow_time_s"]), r),
    "correction": lambda r: float(r["flow_time_s"]) - flow(float(r["flow_time_s"]), 40.0, r) / float(r["constant"]),
    "relative_molecular_mass": lambda r: formulae.relative_molecular_mass(
        float(r["kv_100F"]), float(r["kv_210F"]), 141.5 / (float(r["api_gravity"]) + 131.5)
    ),
    "water_density": lambda r: formulae.water_density(float(r["temperature_C"])),
    "water_viscosity": lambda r: formulae.water_viscosity(float(r["temperature_C"])),
    "water_kinematic": lambda r: (
        1e3 * formulae.water_viscosity(float(r["temperature_C"])) / formulae.water_density(float(r["temperature_C"]))
    ),
}


def flow(flow_time_s: float, corrected_at_s: float, row: Row) -> float:
    """Return the viscosity of a capillary whose certificate gives a correction in seconds at one flow time."""
    constant = float(row["constant"])
    kinetic_energy = float(row["correction_s"]) * constant * corrected_at_s**2
    return float(formulae.viscosity_from_flow_time(flow_time_s, constant, kinetic_energy, shortest_s=30.0))


SINGLE_VALUES = (
    "viscosity_index.csv",
    "viscosity_index_basis.csv",
    "ipts68.csv",
    "gravity.csv",
    "saybolt.csv",
    "saybolt_furol.csv",
    "legacy_scales.csv",
    "capillary.csv",
    "molar_mass.csv",
    "water_and_air.csv",
    "ignition.csv",
)


@pytest.mark.parametrize("row", rows(*SINGLE_VALUES))
def test_single_values(row: Row) -> None:
    computed = float(np.asarray(ADAPTERS[row["formula"]](row)))
    assert agrees(computed, row), computed


@pytest.mark.parametrize("row", rows("viscosity_grade.csv"))
def test_grades(row: Row) -> None:
    assert formulae.viscosity_grade(float(row["kv_40"])) == row["printed"]


@pytest.mark.parametrize("row", rows("grade_candidates.csv"))
def test_candidates(row: Row) -> None:
    values = {key: float(value) for key, value in (pair.split("=") for pair in row["values"].split())}
    expected = tuple(row["printed"].split("|")) if row["printed"] else ()
    assert formulae.grade_candidates(row["standard"], **values).candidates() == expected


@pytest.mark.parametrize("path", sorted(PUBLISHED.rglob("*.csv")), ids=lambda path: path.name)
def test_every_row_tells_its_source(path: Path) -> None:
    for row in read(path):
        assert row["source"]
        assert row["clause"]
        assert row["status"] in {"seen", "memory"}
