"""The sample laboratory: made again it is the same, it holds what its README says, the reader takes what it must."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from python_calamine import load_workbook

from labcalc.exports import Reading, read_exports
from labcalc.formulae import fit_viscosity_temperature
from labcalc.lab import Laboratory, label_runs, load_laboratory

SAMPLE_RUNS = Path(__file__).resolve().parent.parent / "sample_runs"
EXPORTS = sorted((SAMPLE_RUNS / "exports").iterdir())
LARGEST = 1_500_000
"""More bytes than all exports together may take."""


@pytest.fixture(scope="module")
def laboratory() -> Laboratory:
    return load_laboratory(SAMPLE_RUNS / "lab.toml")


@pytest.fixture(scope="module")
def reading(laboratory: Laboratory) -> Reading:
    return read_exports(EXPORTS, profiles=laboratory.profiles, time_zone=laboratory.time_zone)


@pytest.fixture(scope="module")
def table(reading: Reading, laboratory: Laboratory) -> pd.DataFrame:
    return label_runs(reading.table, laboratory)


@pytest.fixture(scope="module")
def faults() -> pd.DataFrame:
    return pd.read_csv(SAMPLE_RUNS / "planted_faults.csv", parse_dates=["measured_at"])


@pytest.fixture(scope="module")
def clean(table: pd.DataFrame, faults: pd.DataFrame) -> pd.DataFrame:
    """The routine samples without those that hold a planted fault."""
    return table[(table["role"] == "sample") & ~table["sample"].isin(faults["sample"])]


@pytest.fixture
def make(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    monkeypatch.syspath_prepend(str(SAMPLE_RUNS))
    script = importlib.import_module("make_sample_runs")

    def make(out: Path, *options: str) -> None:
        script.main(["--out", str(out), *options])

    return make


def content(path: Path) -> object:
    """Return a workbook's cells (its bytes depend on the compression library), any other file's bytes."""
    if path.suffix == ".xlsx":
        return load_workbook(path).get_sheet_by_index(0).to_python()
    return path.read_bytes()


def line_of(name: str, number: int) -> str:
    data = (SAMPLE_RUNS / "exports" / name).read_bytes()
    return data.decode("cp1252" if name.startswith("VD-2") else "utf-8").splitlines()[number - 1]


# --- Made again ---


def test_made_again_it_is_the_same(tmp_path: Path, make: Callable[..., None]) -> None:
    make(tmp_path)
    made = sorted((tmp_path / "exports").iterdir())
    assert [path.name for path in made] == [path.name for path in EXPORTS]
    for again, committed in zip(made, EXPORTS, strict=True):
        assert content(again) == content(committed), committed.name
    for name in ("planted_faults.csv", "lab.toml"):
        assert (tmp_path / name).read_bytes() == (SAMPLE_RUNS / name).read_bytes()


def test_made_twice_the_bytes_are_the_same_and_another_seed_gives_others(
    tmp_path: Path, make: Callable[..., None]
) -> None:
    for folder in ("one", "two"):
        make(tmp_path / folder, "--seed", "7", "--runs", "1400")
    one, two = (sorted((tmp_path / folder / "exports").iterdir()) for folder in ("one", "two"))
    assert len({path.name.split("_")[-2] for path in one}) == 4, "two pairs of instruments"
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    same_name = SAMPLE_RUNS / "exports" / one[0].name
    assert one[0].read_bytes() != same_name.read_bytes()


def test_exports_are_small() -> None:
    assert sum(path.stat().st_size for path in EXPORTS) < LARGEST


# --- What the README promises ---


def test_three_months_of_working_days(table: pd.DataFrame) -> None:
    days = pd.bdate_range("2026-01-02", "2026-03-31")
    assert sorted(table["measured_at"].dt.date.unique()) == [day.date() for day in days]
    samples = table[table["role"] == "sample"].drop_duplicates("run")
    assert 600 <= len(samples) <= 700
    assert samples.groupby(samples["measured_at"].dt.date).size().between(9, 14).all()


def test_both_reference_oils_every_morning_on_both_instruments_in_two_lots_each(table: pd.DataFrame) -> None:
    references = table[table["role"] == "reference"].drop_duplicates("run")
    days = references["measured_at"].dt.date
    count = references.groupby([days, "instrument", "sample"]).size()
    assert (count == 1).all()
    assert len(count) == table["measured_at"].dt.date.nunique() * 4
    assert (references["measured_at"].dt.hour < 9).all()
    assert references.groupby("sample")["lot"].nunique().to_dict() == {"REF-THIN": 2, "REF-THICK": 2}


def test_duplicates(clean: pd.DataFrame) -> None:
    second_fills = clean.loc[clean["replicate"] == 2, "run"].nunique()
    runs = clean.drop_duplicates("run").groupby("sample")
    second_runs = runs["instrument"].nunique() == 2
    assert second_fills >= 30
    assert second_runs.sum() >= 20
    assert runs["measured_at"].agg(lambda times: times.dt.date.nunique()).max() == 1


def test_certificates_cover_the_three_months(laboratory: Laboratory) -> None:
    lots = [lot for material in laboratory.references for lot in material.lots]
    assert len(lots) == 4
    assert min(lot.valid_to for lot in lots).isoformat() == "2026-04-30"
    for lot in lots:
        assert {(one.quantity, one.temperature_C) for one in lot.certified} == {
            (quantity, temperature) for quantity in ("kinematic viscosity", "density") for temperature in (40, 100)
        }


# --- Reading ---


def test_every_row_is_read_or_refused(reading: Reading) -> None:
    assert len(reading.sources) == len(EXPORTS)
    for source in reading.sources:
        if source.name.startswith("VD-2"):
            footer = line_of(source.name, 0)  # the last line
            assert footer == f"Rows;{source.rows_read + source.rows_refused}", source.name


def test_refused_rows_are_the_planted_ones(reading: Reading, faults: pd.DataFrame) -> None:
    planted = faults[faults["reader"] == "refuses"]
    assert sum(source.rows_refused for source in reading.sources) == len(planted) == 4
    places = {(refusal.file, refusal.line) for refusal in reading.refusals}
    found = {(file, next(name for name in planted["sample"] if name in line_of(file, line))) for file, line in places}
    assert found == set(zip(planted["file"], planted["sample"], strict=True))


def test_planted_faults_that_the_reader_takes_are_in_the_files(table: pd.DataFrame, faults: pd.DataFrame) -> None:
    taken = faults[faults["reader"] == "takes"]
    assert set(taken["kind"]) == {
        "air bubble", "air bubble on heating", "cell temperature off", "residue of a thin sample",
        "solvent left in the cell", "fuel in the engine oil", "samples swapped", "unit slip, plausible",
    }  # fmt: skip
    assert faults["measured_at"].between("2026-03-16", "2026-04-01").all()
    for fault in taken.itertuples():
        here = table[(table["sample"] == fault.sample) & (table["source_file"] == fault.file)]
        here = here[(here["temperature_C"] == fault.temperature_C) & (here["replicate"] == fault.repeat)]
        assert (here["measured_at"].dt.tz_localize(None) - fault.measured_at).abs().min() < pd.Timedelta(minutes=1)


# --- The physics of what is clean ---


def slopes(rows: pd.DataFrame, cold: float, hot: float) -> pd.Series:
    densities = rows.pivot_table(index="run", columns="temperature_C", values="density_kg_m3")
    return ((densities[cold] - densities[hot]) / (hot - cold)).dropna()


def test_density_slopes(clean: pd.DataFrame) -> None:
    """Lubricants and a gas oil of 835 kg/m³: slopes after ASTM D1250-04, coefficients of API MPMS 11.1, 2004."""
    fuel = clean["product"] == "Gas oil"
    assert 0.60 < slopes(clean[~fuel], 40.0, 100.0).median() < 0.66
    assert 0.68 < slopes(clean[fuel], 15.0, 40.0).median() < 0.74


def test_hydraulic_oils_are_of_their_grade(clean: pd.DataFrame) -> None:
    """ISO 3448:1992: a grade is the midpoint of its kinematic viscosity at 40 °C, ± 10 %."""
    at_40 = clean[clean["product"].str.startswith("Hydraulic oil") & (clean["temperature_C"] == 40.0)]
    grade = at_40["product"].str.extract(r"(\d+)$", expand=False).astype(float)
    assert (at_40["kinematic_viscosity_mm2_s"] / grade).between(0.9, 1.1).all()


def test_a_cell_too_warm_lies_on_the_oil_s_own_line(table: pd.DataFrame, faults: pd.DataFrame) -> None:
    """ASTM D341: the oil's line, from its other samples, gives at 40.3 °C what was found at '40 °C'."""
    fault = faults[faults["kind"] == "cell temperature off"].iloc[0]
    rows = table[table["sample"] == fault["sample"]]
    lot = table[(table["lot"] == rows["lot"].iloc[0]) & (table["sample"] != fault["sample"])]
    assert len(lot), "the lot has further samples"
    usual = lot.groupby("temperature_C")["kinematic_viscosity_mm2_s"].median()
    line = fit_viscosity_temperature(usual.index.to_numpy(), usual.to_numpy())
    found = rows.loc[rows["temperature_C"] == 40.0, "kinematic_viscosity_mm2_s"].iloc[0]
    assert found == pytest.approx(float(line.kinematic_viscosity_at(40.3)), rel=0.005)
    assert found < 0.992 * usual[40.0]


def test_the_drift_is_smaller_than_the_limit_of_a_single_check(table: pd.DataFrame, laboratory: Laboratory) -> None:
    """How far both instruments are from the certified viscosity, before the drift and in its last seven days."""
    certified = {
        (lot.lot, one.temperature_C): one.value
        for material in laboratory.references
        for lot in material.lots
        for one in lot.certified
        if one.quantity == "kinematic viscosity"
    }
    rows = table[table["role"] == "reference"]
    value = np.array([certified[key] for key in zip(rows["lot"], rows["temperature_C"], strict=True)])
    percent = (rows["kinematic_viscosity_mm2_s"] / value - 1.0) * 100.0
    late = rows["measured_at"].dt.strftime("%Y-%m-%d") >= "2026-03-23"
    early = rows["measured_at"].dt.strftime("%Y-%m-%d") < "2026-03-09"
    shift = {name: percent[late & (rows["instrument"] == name)].mean() for name in ("VD-1", "VD-2")}
    base = {name: percent[early & (rows["instrument"] == name)].mean() for name in ("VD-1", "VD-2")}
    assert 0.15 < shift["VD-2"] - base["VD-2"] < laboratory.report.reference_viscosity_percent
    assert abs(shift["VD-1"] - base["VD-1"]) < 0.1
