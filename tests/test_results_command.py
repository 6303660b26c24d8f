"""``--results``: the same content by every format, by the schema that is shipped; nothing of others overwritten."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import jsonschema
import pandas as pd
import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.judgement import gather, judge, reported_of
from labcalc.shipped import sample_exports, sample_lab

EXPORT = next(path for path in sample_exports() if path.suffix == ".xlsx")
RUNS = gather([EXPORT], sample_lab()).runs[:3]


def written(folder: Path, name: str) -> Path:
    words = ["report", str(EXPORT), "--lab", str(sample_lab()), "--out", str(folder / "out"), "--jobs", "1"]
    words += [part for run in RUNS for part in ("--run", run)]
    result = CliRunner().invoke(main, [*words, "--results", str(folder / name)])
    assert result.exit_code == 0, result.output
    return folder / name


def test_json_follows_the_schema_that_is_shipped(tmp_path: Path) -> None:
    document = json.loads(written(tmp_path, "results.json").read_text("utf-8"))
    schema = json.loads(files("labcalc.data").joinpath("results.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)
    assert tuple(one["run"] for one in document["runs"]) == RUNS
    run = document["runs"][0]
    expected = reported_of(judge(gather([EXPORT], sample_lab()).dossier(RUNS[0])))
    assert [one["reported"] for one in run["results"]] == [one.of.reported for one in expected]
    assert run["exports"][0]["lines"] == sorted(run["exports"][0]["lines"])


def test_a_table_holds_what_the_document_holds(tmp_path: Path) -> None:
    document = json.loads(written(tmp_path, "results.json").read_text("utf-8"))
    table = pd.read_csv(written(tmp_path, "results.csv"))
    sheet = pd.read_excel(written(tmp_path, "results.xlsx"), engine="calamine")
    values = [one["value"] or float("nan") for run in document["runs"] for one in run["results"]]
    assert len(table) == len(sheet) == len(values)
    assert table["value"].tolist() == pytest.approx(values, rel=1e-15, nan_ok=True)
    numbers = sheet.loc[sheet["Quantity"] == "Kinematic viscosity", "Result"].dropna()
    assert all(isinstance(one, int | float) for one in numbers.tolist())
    assert set(sheet["Verdict on the run"]) == {run["verdict"] for run in document["runs"]}


@pytest.mark.parametrize("name", ["results.json", "results.csv", "results.xlsx"])
def test_the_same_bytes_and_nothing_of_others_overwritten(name: str, tmp_path: Path) -> None:
    first = written(tmp_path, name).read_bytes()
    assert written(tmp_path, name).read_bytes() == first
    (tmp_path / name).write_text("mine", encoding="utf-8")
    words = ["report", str(EXPORT), "--lab", str(sample_lab()), "--out", str(tmp_path / "out"), "--run", RUNS[0]]
    result = CliRunner().invoke(main, [*words, "--results", str(tmp_path / name)])
    assert result.exit_code == 2
    assert "labcalc didn't make what is there" in result.stderr
    assert (tmp_path / name).read_text("utf-8") == "mine"


def test_another_ending_is_refused_in_words(tmp_path: Path) -> None:
    words = ["report", str(EXPORT), "--lab", str(sample_lab()), "--out", str(tmp_path / "out"), "--run", RUNS[0]]
    result = CliRunner().invoke(main, [*words, "--results", str(tmp_path / "results.docx")])
    assert result.exit_code == 2
    assert "expected one of these endings" in result.stderr
