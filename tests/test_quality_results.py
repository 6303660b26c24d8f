"""``--results`` of month, year and duplicates: by the schema that is shipped, with the numbers that were planted."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pandas as pd
import pytest

from labcalc.shipped import sample_lab
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.test_month import QUIET
from tests.test_commands import run

TWICE = "S1,S-1,2026-02-02 08:00,VD,40,46.1,858.1\nS2,S-1,2026-02-02 09:00,VD,40,46.1,859.1\n"
"""One sample twice on one instrument within an hour, 1.0 kg/m³ apart."""
FAR = "far off,RO-1,2026-02-28 12:00,VD,40,60.0,858.1\n"
"""A check of an oil whose certificate says something else."""


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "all.csv").write_text(HEADER + QUIET + FAR, encoding="utf-8")
    (tmp_path / "record" / "samples.csv").write_text(HEADER + TWICE, encoding="utf-8")
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    return tmp_path / "lab.toml"


def document(lab: Path, *command: str) -> dict[str, Any]:
    """Write results as JSON, hold them against the schema, and return them."""
    path = lab.parent / "results.json"
    result = run(*command, "--lab", lab, "--out", lab.parent / "out", "--results", path)
    assert result.exit_code in (0, 1), result.output
    told: dict[str, Any] = json.loads(path.read_text("utf-8"))
    schema = json.loads(files("labcalc.data").joinpath("quality.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(told, schema, jsonschema.Draft202012Validator)
    return told


def test_a_planted_check_comes_with_its_oil_instrument_quantity_and_run(lab: Path) -> None:
    told = document(lab, "month", "2026-02")
    assert [one["rank"] for one in told["actions"]] == list(range(1, len(told["actions"]) + 1))
    (one,) = [one for one in told["actions"] if one["runs"] == ["far off"]]
    assert (one["instrument"], one["oil"], one["quantity"]) == ("VD", "RO-1", "kinematic viscosity")
    assert (one["temperature_C"], one["unit"], one["limit"]) == (40.0, "limits", 1.0)
    assert one["severity"] == "now"
    assert one["size"] > 1.0


def test_planted_repeats_come_with_their_difference_limit_and_runs(lab: Path) -> None:
    told = document(lab, "duplicates", "--from", "2026-02-01", "--to", "2026-02-28", "--product", "Formulated oils")
    assert told["only"] == {"product": "formulated oils"}
    (one,) = [one for one in told["actions"] if one["about"].startswith("S-1, density")]
    assert one["size"] == pytest.approx(1.0, abs=1e-9)  # 859.1 - 858.1
    assert (one["unit"], one["instrument"], one["runs"], one["since"]) == ("kg/m³", "VD", ["S1", "S2"], "2026-02-02")
    assert 0.0 < one["limit"] < one["size"]
    (density,) = [one for one in told["precision"] if (one["quantity"], one["changed"]) == ("density", [])]
    # one pair: s = 1.0/√2, and 2.77 s with 2.77 = 1.96 √2 (ISO 5725-6:1994, 4.1.4, from memory)
    assert density["limit_found"] == pytest.approx(1.96, rel=2e-3)
    assert (density["sets"], density["beyond"]) == (1, ["S-1"])


@pytest.mark.parametrize(("command", "moved_now"), [(("month", "2026-03"), 1), (("year", "2026"), 0)])
def test_the_sample_laboratory_follows_the_schema(command: tuple[str, ...], moved_now: int, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    run(*command, "--lab", sample_lab(), "--out", tmp_path / "out", "--results", path)
    told = json.loads(path.read_text("utf-8"))
    jsonschema.validate(told, json.loads(files("labcalc.data").joinpath("quality.schema.json").read_text("utf-8")))
    known = json.loads(run(*command, "--lab", sample_lab(), "--out", tmp_path / "out", "--json").stdout)
    assert [(one["key"], one["finding"]) for one in told["actions"]] == [
        (one["key"], one["finding"]) for one in known["actions"]
    ]
    moved = [one for one in told["actions"] if one["cause"] == "instrument"]
    assert len(moved) == moved_now, "VD-2 moved in March, by its log; of a year only what lasts to its end is an action"
    assert all(abs(one["shift"]) == one["size"] and one["earliest"] <= one["since"] <= one["latest"] for one in moved)


def test_tables_hold_what_the_document_holds_with_the_same_bytes_each_time(lab: Path) -> None:
    told = document(lab, "month", "2026-02")
    words = ("month", "2026-02", "--lab", lab, "--out", lab.parent / "out", "--results")
    for name in ("results.csv", "results.xlsx"):
        run(*words, lab.parent / name)
        first = (lab.parent / name).read_bytes()
        run(*words, lab.parent / name)
        assert (lab.parent / name).read_bytes() == first
    table, sheet = (
        pd.read_csv(lab.parent / "results.csv"),
        pd.read_excel(lab.parent / "results.xlsx", engine="calamine"),
    )
    assert table["about"].tolist() == sheet["About"].tolist() == [one["about"] for one in told["actions"]]
    sizes = [float("nan") if one["size"] is None else one["size"] for one in told["actions"]]
    assert table["size"].tolist() == pytest.approx(sizes, rel=1e-15, nan_ok=True)
    (lab.parent / "results.csv").write_text("mine", encoding="utf-8")
    assert run(*words, lab.parent / "results.csv").exit_code == 2
    assert (lab.parent / "results.csv").read_text("utf-8") == "mine"
