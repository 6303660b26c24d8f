"""The reference of lab.toml and its schema come from the model that reads it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.lab.settings import settings_reference, settings_schema
from labcalc.shipped import sample_lab


def as_json(value: object) -> Any:
    return json.loads(json.dumps(value, default=str))


def test_the_sample_laboratory_follows_the_schema() -> None:
    schema = settings_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    settings = as_json(tomllib.loads(sample_lab().read_text("utf-8")))
    jsonschema.Draft202012Validator(schema).validate(settings)
    with pytest.raises(jsonschema.ValidationError, match="was unexpected"):
        jsonschema.Draft202012Validator(schema).validate({**settings, "laboratry": {}})


PERFORMANCE = ("performance", "ratio", "satisfactory", "inconsistent")


def test_keys_say_what_they_take_and_mean() -> None:
    rows = {row[0]: row for row in settings_reference()}
    assert rows["report.reference_age_h"][1:3] == ("number above 0", "24.0")
    assert "how old the last reference-oil check" in rows["report.reference_age_h"][3]
    assert rows["product.limit.quantity"][2] == "must be given"
    assert rows["report.replicates"][1] == "fills | determinations"


def test_no_key_sends_a_person_elsewhere() -> None:
    """What takes no plain type says in its meaning what is expected; what a profile inherits is told too."""
    rows = {row[0]: row for row in settings_reference()}
    assert [name for name, takes, _, meaning, _ in rows.values() if "see meaning" in takes and not meaning] == []
    untold = {name.rpartition(".")[2] for name, *_, meaning, _ in rows.values() if not meaning}
    assert untold <= {"quantity", "name", "decimal", "operator", "product", *PERFORMANCE}, "their names say it"
    assert rows["product.limit.decimals"][4] == "1", "as the sample laboratory has it"
    assert rows["laboratory.time_zone"][3] == "a time zone such as 'Europe/Lisbon'"
    assert rows["profile.columns"][3].startswith("Header, key or parameter as the export writes it → what it holds")
    assert rows["profile.header_rows"][3].endswith("there is no header, columns are named by their place")
    assert rows["duplicates.count"][3].startswith("Some of REPEAT_KINDS")
    assert rows["profile.sheet"][3].startswith("sheets of a workbook to read")
    assert rows["profile.start"][3].startswith("when elapsed time began")
    assert rows["profile.set_aside"][3].startswith("a line with a cell like one of these is no row")
    assert rows["reference.lot.certified.value"][1:3] == ("number above 0", "must be given")


def test_the_command_prints_and_writes_them(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["check", "--keys", "--schema", str(tmp_path / "lab.schema.json")])
    assert result.exit_code == 0, result.output
    assert "| conformity.guard_band | number from 0 to 5 | 1.0 |" in result.output
    assert json.loads((tmp_path / "lab.schema.json").read_text("utf-8")) == as_json(settings_schema())
