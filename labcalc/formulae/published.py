"""Every formula against printed values, as shipped in ``data/published``: what an auditor asks of an installation.

Each row names source, clause and whether the print was seen or is from memory. A value agrees within half a unit of
its last printed place, or within the tolerance that its row states: 1e-7 is that of the examples of API MPMS 11.1.
"""

import csv
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from inspect import isfunction, unwrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae.kinds.index import _basis

Row = dict[str, str]


@dataclass(frozen=True)
class Comparison:
    """One printed value beside what this package gives."""

    file: str
    line: int
    source: str
    clause: str
    seen: bool  # False: from memory
    formula: str
    inputs: str
    printed: str
    computed: str
    agrees: bool


def compare_with_published() -> Iterator[Comparison]:
    """Yield every shipped check, file by file."""
    for file, evaluate in _EVALUATIONS.items():
        for line, row in enumerate(_rows(file), start=2):
            computed, agrees = evaluate(row)
            inputs = ", ".join(f"{name} {value}" for name, value in row.items() if value and name not in _ABOUT)
            about = (file, line, row["source"], row["clause"], row["status"] == "seen", row["formula"], inputs)
            yield Comparison(*about, row.get("printed") or f"refused: {row.get('refused', 'none')}", computed, agrees)


def _rows(file: str) -> Iterator[Row]:
    yield from csv.DictReader(files("labcalc").joinpath("data", "published", file).read_text("utf-8").splitlines())


def printed_columns(formula: str, *columns: str, **of: str) -> NDArray[np.str_]:
    """Return columns of the shipped rows of a formula that hold some texts: for the points beside its curve."""
    asked = {"formula": formula, **of}
    rows = (
        row for file in _EVALUATIONS for row in _rows(file) if asked.items() <= row.items() and {*columns} <= row.keys()
    )
    return np.array([[row[column] for column in columns] for row in rows]).T


_ABOUT = ("source", "clause", "status", "formula", "printed", "decimals", "tolerance", "refused", "unit")
_KPA = {"psi": 6.894757, "bar": 100.0, "kPa": 1.0}


def _celsius(fahrenheit: str) -> float:
    return (float(fahrenheit) - 32.0) / 1.8


def _kilograms(density: str, unit: str) -> float:
    if unit == "°API":
        return float(formulae.density_from_api_gravity(float(density)))
    return float(formulae.density_from_relative_density(float(density))) if unit == "RD" else float(density)


def _compared(function: Callable[[Row], object]) -> Callable[[Row], tuple[str, bool]]:
    def evaluate(row: Row) -> tuple[str, bool]:
        computed = float(np.asarray(function(row)))
        tolerance = float(row["tolerance"] or 0.5 * 10.0 ** -int(row["decimals"]))
        agrees = abs(computed - float(row["printed"])) <= tolerance * (1.0 + 1e-9)
        return f"{computed:.{min(int(row['decimals']) + 2, 15)}f}", agrees

    return evaluate


def _place(row: Row) -> tuple[float, float]:
    """Return temperature, [°C], and gauge pressure, [kPa]."""
    at = float(row["temperature_C"]) if "temperature_C" in row else _celsius(row["temperature_F"])
    return at, float(row.get("pressure") or row["pressure_psi"]) * _KPA[row.get("pressure_unit", "psi")]


def _volume(known_at: str) -> Callable[[Row], float]:
    """Return what gives a density or factor of the petroleum tables from one at 60 °F, at the base or as observed.

    Against a metric base (par. 11.1.7) factors are ratios, and compressibility is per the printed unit of pressure.
    """

    def value(row: Row) -> float:
        place, base = _place(row), float(row.get("base_C") or _celsius("60"))
        density = row.get("density") or row.get("density_60F") or row["density_observed"]
        rho, alpha = _kilograms(density, row.get("density_unit", "kg/m³")), row["alpha_60_per_F"]
        liquid: dict[str, Any] = {"alpha_60": float(alpha)} if alpha else {"commodity": row["commodity"]}
        seen_at = {"60 °F": (_celsius("60"), 0.0), "base": (base, 0.0), "place": place}[known_at]
        if row["formula"].startswith("density") and row["formula"] != "density_of_rounded_factor":
            to = (base, 0.0) if known_at == "place" else place
            return float(formulae.density_at(rho, seen_at[0], to[0], from_kPa=seen_at[1], to_kPa=to[1], **liquid))
        at_60F = rho if known_at == "60 °F" else float(formulae.density_at_60F(rho, *seen_at, **liquid))
        there, here = (formulae.volume_correction(at_60F, *one, **liquid) for one in (place, (base,)))
        CTL, CTPL = there.temperature_factor / here.temperature_factor, there.factor / here.factor
        Fp = there.compressibility / 6.894757 * _KPA[row.get("pressure_unit", "psi")]
        factors = {"alpha_60": there.alpha_60, "Fp": Fp, "CTL": CTL, "CPL": there.pressure_factor, "CTPL": CTPL}
        if row["formula"] == "density_of_rounded_factor":
            return rho * round(float(factors["CTPL"]), 5)
        return float(factors[row["formula"]])

    return value


def _refused(row: Row) -> tuple[str, bool]:
    """Where the source names the refused input only, the other inputs are any that fit."""
    temperature = _celsius(row["temperature"]) if row["temperature_unit"] == "°F" else float(row["temperature"])
    pressure = float(row["pressure"]) * _KPA[row["pressure_unit"]]
    density, _, base = row["density"].partition("@")
    value, commodity = _kilograms(density, row["density_unit"]), row["commodity"]
    calls: dict[str, Callable[[], object]] = {
        "correction": lambda: formulae.volume_correction(value, temperature, pressure, commodity=commodity),
        "observed": lambda: formulae.density_at_60F(value, temperature, pressure, commodity=commodity),
        "base": lambda: formulae.density_at(value, float(base), temperature, commodity=commodity),
    }
    try:
        calls[row["formula"]]()
    except OutOfRangeError as refusal:
        return f"refused: {refusal.quantity}", refusal.quantity == row["refused"]
    return "taken", False


def _flow(flow_time_s: float, corrected_at_s: float, row: Row) -> float:
    """Return the viscosity of a capillary whose certificate gives a correction in seconds at one flow time."""
    constant = float(row["constant"])
    kinetic_energy = float(row["correction_s"]) * constant * corrected_at_s**2
    return float(formulae.viscosity_from_flow_time(flow_time_s, constant, kinetic_energy, shortest_s=30.0))


def _numbers(row: Row, *columns: str) -> tuple[float, ...]:
    return tuple(float(row[column]) for column in columns)


SINGLE_VALUES: dict[str, Callable[[Row], object]] = {
    "viscosity_index": lambda r: formulae.viscosity_index(*_numbers(r, "kv_40", "kv_100")),
    "reported_viscosity_index": lambda r: formulae.reported_viscosity_index(
        formulae.viscosity_index(*_numbers(r, "kv_40", "kv_100"))
    ),
    "calculated_carbon_aromaticity_index": lambda r: formulae.calculated_carbon_aromaticity_index(
        *_numbers(r, "density_15C", "kinematic_viscosity", "temperature_C")
    ),
    "L": lambda r: _basis(np.asarray(float(r["kv_100"])))[0],
    "H": lambda r: _basis(np.asarray(float(r["kv_100"])))[1],
    "ipts68": lambda r: 1.8 * formulae.ipts68_from_its90(_celsius(r["temperature_F"])) + 32.0,
    "relative_density": lambda r: formulae.relative_density(float(r["value"])),
    "api_gravity": lambda r: formulae.api_gravity(float(r["value"])),
    "density_from_api_gravity": lambda r: formulae.density_from_api_gravity(float(r["value"])),
    "saybolt": lambda r: formulae.saybolt_universal_from_kinematic(
        float(r["kinematic_viscosity"]), _celsius(r["temperature_F"])
    ),
    "saybolt_furol": lambda r: formulae.saybolt_furol_from_kinematic(float(r["viscosity"]), at_F=int(r["at_F"])),
    "kinematic_from_furol": lambda r: formulae.kinematic_from_saybolt_furol(float(r["viscosity"]), at_F=int(r["at_F"])),
    "kinematic_from_universal": lambda r: formulae.kinematic_from_saybolt_universal(
        float(r["viscosity"]), _celsius(r["at_F"])
    ),
    "kinematic_from_engler": lambda r: formulae.kinematic_from_engler(float(r["value"])),
    "kinematic_from_redwood": lambda r: formulae.kinematic_from_redwood(float(r["value"])),
    "flow_time": lambda r: _flow(float(r["flow_time_s"]), float(r["flow_time_s"]), r),
    "correction": lambda r: float(r["flow_time_s"]) - _flow(float(r["flow_time_s"]), 40.0, r) / float(r["constant"]),
    "relative_molecular_mass": lambda r: formulae.relative_molecular_mass(
        float(r["kv_100F"]), float(r["kv_210F"]), 141.5 / (float(r["api_gravity"]) + 131.5)
    ),
    "water_density": lambda r: formulae.water_density(float(r["temperature_C"])),
    "water_viscosity": lambda r: formulae.water_viscosity(float(r["temperature_C"])),
    "water_kinematic": lambda r: (
        1e3 * formulae.water_viscosity(float(r["temperature_C"])) / formulae.water_density(float(r["temperature_C"]))
    ),
}
"""What a row's formula gives, by its name."""


def _grade(row: Row) -> tuple[str, bool]:
    found = str(formulae.viscosity_grade(float(row["kv_40"])))
    return found, found == row["printed"]


def _candidates(row: Row) -> tuple[str, bool]:
    values = {key: float(value) for key, value in (pair.split("=") for pair in row["values"].split())}
    found = "|".join(formulae.grade_candidates(row["standard"], **values).candidates())
    return found or "none", found == row["printed"]


_OF_ONE_VALUE = (
    *("viscosity_index", "viscosity_index_basis", "ipts68", "gravity", "saybolt", "saybolt_furol", "legacy_scales"),
    *("capillary", "molar_mass", "water_and_air", "ignition"),
)
_EVALUATIONS: dict[str, Callable[[Row], tuple[str, bool]]] = {
    **{f"{name}.csv": _compared(lambda row: SINGLE_VALUES[row["formula"]](row)) for name in _OF_ONE_VALUE},
    "volume_correction_from_60F.csv": _compared(_volume("60 °F")),
    "density_observed_to_60F.csv": _compared(_volume("place")),
    "volume_correction_metric.csv": _compared(_volume("base")),
    "density_observed_to_metric_base.csv": _compared(_volume("place")),
    "density_refusals.csv": _refused,
    "viscosity_grade.csv": _grade,
    "grade_candidates.csv": _candidates,
}
"""The shipped files, and what is compared in each."""


def edition_of(formula: str) -> str:
    """Return standard, edition and year that a formula follows.

    formula : Public name of a formula.
    """
    return str(sys.modules[unwrap(getattr(formulae, formula)).__module__].EDITION)


@cache
def methods_pages() -> dict[str, list[str]]:
    """Return the names of the formulas on each page of ``labcalc methods``, by the page's file name."""
    pages: dict[str, list[str]] = {}
    for name in sorted(dir(formulae)):
        module = unwrap(getattr(formulae, name)).__module__ if isfunction(getattr(formulae, name)) else __name__
        if module != __name__:
            pages.setdefault(f"methods-{module.rpartition('.')[2].replace('_', '-')}.html", []).append(name)
    return dict(sorted(pages.items()))


def page_of_edition(edition: str) -> str:
    """Return the file name of the page of ``labcalc methods`` with a formula of an edition; empty where none is."""
    told = {page: edition_of(names[0]) for page, names in methods_pages().items()}
    return next((page for page, words in told.items() if edition in (words, *words.split(", "))), "")
