"""lab.toml: what it becomes, and the exact words for every kind of mistake."""

from __future__ import annotations

import hashlib
import math
import pickle
from datetime import date
from pathlib import Path

import pytest

from labcalc.errors import SettingsError
from labcalc.exports.profile import Column
from labcalc.lab import Laboratory, PrecisionFunction, Uncertainty, line_of_key, load_laboratory, precision_for
from tests.lab.conftest import LAB, Load


def test_the_whole_file_becomes_records(load: Load, tmp_path: Path) -> None:
    lab = load()
    assert (lab.name, lab.time_zone, lab.earlier_exports) == ("Harbour Laboratory", "Europe/Lisbon", ("exports/*",))
    assert lab.profiles[0].columns == {"Charge": Column("lot"), "V40": Column("kinematic viscosity", "mm²/s", 40.0)}
    assert [lot.valid_from for lot in lab.references[0].lots] == [date(2026, 1, 1), date(2026, 6, 1)]
    assert [lot.certified[0].coverage_factor for lot in lab.references[0].lots] == [2.0, 2.5]
    assert math.isnan(lab.products[0].limits[1].temperature_C)
    assert math.isnan(lab.products[0].limits[1].highest)
    assert lab.precision[0].repeatability == PrecisionFunction(0.005, 0.0, 1.0)
    assert math.isnan(lab.precision[0].reproducibility.factor)
    assert lab.report.temperatures_C == (20.0, 60.0)
    assert lab.file == (tmp_path / "lab.toml").resolve()
    assert lab.sha256 == hashlib.sha256((tmp_path / "lab.toml").read_bytes()).hexdigest()


def test_without_a_file_there_are_defaults() -> None:
    assert load_laboratory(None) == Laboratory()


def test_a_laboratorys_own_precision_has_d_r_and_big_r_and_a_range(load: Load) -> None:
    lab = load(
        "repeatability = { factor = 0.005 }",
        "determinability = { factor = 0.002 }\nrepeatability = { factor = 0.005, offset = 1 }\n"
        "reproducibility = { factor = 0.01, exponent = 1.1 }\nlowest = 2\nhighest = 200\ndegrees_of_freedom = 42",
    )
    own = precision_for(lab, "formulated oils", "kinematic viscosity", 40.0)
    assert own is not None
    assert own.determinability == PrecisionFunction(0.002)
    assert own.repeatability.at(9.0) == pytest.approx(0.05)
    assert own.reproducibility == PrecisionFunction(0.01, 0.0, 1.1)
    assert own.degrees_of_freedom == 42.0
    assert [own.holds_for(x) for x in (1.99, 2.0, 200.0, 200.1)] == [False, True, True, False]
    assert own.title == "own duplicates, formulated oils [laboratory]"


def test_what_is_not_stated_of_the_uncertainty_is_nan(load: Load) -> None:
    stated = load("", "[uncertainty]\ntemperature_K = 0.01\nadjustment_percent = 0\n").uncertainty
    assert (stated.temperature_K, stated.adjustment_percent) == (0.01, 0.0)
    assert math.isnan(stated.adjustment_density_kg_m3)
    unstated = vars(Uncertainty())
    assert unstated.pop("from_control") is False
    assert all(math.isnan(one) for one in unstated.values())


MISTAKES = [
    ("[[instrument]]", "[instrument]", "instrument: a table: tables are expected, each under a heading [[instrument]]"),
    (
        'lot = "A"',
        'lot = "A"\ncertified = []',
        "line 29, column 26: this key or table stands in the file already",
    ),
    (
        'samples = ["HX*"]',
        'samples = ["HX*"]\nlimit = 5',
        "product[2].limit: 5: tables are expected, each under a heading [[product.limit]]",
    ),
    (
        '[[product.limit]]\nquantity = "viscosity index"',
        '[[product.limit]]\nquantity = "kinematic viscosity"\ntemperature_C = 40.0',
        "product[1].limit[2]: the same quantity and temperature stands in product[1].limit[1] already",
    ),
    ('name = "Harbour Laboratory"', "", "laboratory.name: missing, and must be given"),
    ('"Harbour Laboratory"', "5", "laboratory.name: 5: a text in quotes, not empty, is expected"),
    (
        "Europe/Lisbon",
        "Europe/Lisbom",
        "laboratory.time_zone: 'Europe/Lisbom': a time zone such as 'Europe/Lisbon' is expected; "
        "did you mean 'Europe/Lisbon'?",
    ),
    (
        "[[product.limit]]",
        "[[product.limits]]",
        "product[1].limits: unknown key; known here: name, samples, class, precision_class, commodity, standard, "
        "quantities, specification, customer, sampling, limit, typical; did you mean 'limit'?",
    ),
    (
        'quantity = "viscosity index"',
        'quantity = "viscosty index"',
        "product[1].limit[2].quantity: 'viscosty index': one of 'kinematic viscosity', 'dynamic viscosity', 'density', "
        "'viscosity index', 'CCAI' is expected; did you mean 'viscosity index'?",
    ),
    (
        "highest = 50.6",
        "highest = 41.4",
        "product[1].limit[1].highest: 41.4: a number greater than lowest (41.4) is expected",
    ),
    ("lowest = 95\n", "", "product[1].limit[2]: lowest or highest is missing; at least one of them must be given"),
    ("lowest = 41.4", "lowest = nan", "product[1].limit[1].lowest: nan: a number is expected"),
    ("lowest = 41.4", "lowest = true", "product[1].limit[1].lowest: true: a number is expected"),
    ("decimals = 1", "decimals = 7", "product[1].limit[1].decimals: 7: a whole number from 0 to 6 is expected"),
    ("decimals = 1", "decimals = 1.0", "product[1].limit[1].decimals: 1: a whole number from 0 to 6 is expected"),
    (
        "lowest = 95",
        "temperature_C = 40\nlowest = 95",
        "product[1].limit[2].temperature_C: 40: the viscosity index takes no temperature_C",
    ),
    (
        "temperature_C = 40\nlowest",
        "lowest",
        "product[1].limit[1].temperature_C: missing, and must be given for kinematic viscosity",
    ),
    (
        "temperature_C = 40\nvalue",
        "temperature_C = 401\nvalue",
        "reference[1].lot[1].certified[1].temperature_C: 401: a number from -80 to 400 °C is expected",
    ),
    ("value = 45.98", "value = 0", "reference[1].lot[1].certified[1].value: 0: a number greater than 0 is expected"),
    (
        "expanded_uncertainty = 0.09",
        "expanded_uncertainty = -0.09",
        "reference[1].lot[1].certified[1].expanded_uncertainty: -0.09: a number of 0 or more is expected",
    ),
    (
        "valid_from = 2026-01-01",
        'valid_from = "2026-01-01"',
        "reference[1].lot[1].valid_from: '2026-01-01': a day is expected, without quotes and without a time: "
        "2026-01-31",
    ),
    (
        "valid_to = 2026-06-30",
        "valid_to = 2026-06-30T12:00:00",
        "reference[1].lot[1].valid_to: 2026-06-30 12:00:00: a day is expected, without quotes and without a time: "
        "2026-01-31",
    ),
    (
        "valid_to = 2026-06-30",
        "valid_to = 2025-06-30",
        "reference[1].lot[1].valid_to: 2025-06-30: a day on or after valid_from (2026-01-01) is expected",
    ),
    ('lot = "B"', 'lot = "a"', "reference[1].lot[2]: a lot of this name stands in reference[1].lot[1] already"),
    ('"Any HX"', '"hx 46"', "product[2]: this name stands in product[1] already"),
    (
        '["HX*"]',
        "[]",
        "product[2].samples: an empty list: a list in square brackets is expected, at least one of patterns",
    ),
    ('["HX*"]', '[""]', "product[2].samples[1]: '': a text in quotes, not empty, is expected"),
    (
        "cp1252",
        "cp12525",
        "profile[1].encoding: 'cp12525': an encoding such as 'utf-8', 'utf-16' or 'cp1252' is expected",
    ),
    ('decimal = ","', 'decimal = ";"', "profile[1].decimal: ';': one of '.', ',' is expected"),
    (
        'delimiter = ";"',
        'delimiter = ","',
        "profile[1].delimiter: ',': decimal is the same character; they must differ",
    ),
    (
        '"Charge" = "lot"',
        '"Charge" = "temperature_C"',
        "profile[1].columns.\"Charge\": 'temperature_C': one of 'run', 'sample', 'product', 'lot', 'role', "
        "'instrument', 'operator', 'remark', 'measured_at', 'date', 'time', 'replicate', 'temperature', "
        "'set temperature', 'kinematic viscosity', 'dynamic viscosity', 'density', 'status', 'ignored', "
        "'year', 'month', 'day', 'hour', 'minute', 'second', 'elapsed', 'start', 'quantity', 'value', 'unit' is "
        "expected; did you mean 'temperature'?",
    ),
    (
        "repeatability = { factor = 0.005 }",
        "repeatability = { factor = 0 }",
        "precision[1].repeatability.factor: 0: a number greater than 0 is expected",
    ),
    (
        "repeatability = { factor = 0.005 }",
        "repeatability = { factor = 0.005 }\nlowest = 9\nhighest = 9",
        "precision[1].highest: 9: a number greater than lowest (9) is expected",
    ),
    (
        "[report]",
        "[uncertainty]\ntemperature_C = 0.01\n[report]",
        "uncertainty.temperature_C: unknown key; known here: temperature_K, adjustment_percent, "
        "adjustment_density_kg_m3, resolution_percent, resolution_density_kg_m3, from_control; did you "
        "mean 'temperature_K'?",
    ),
    (
        "[report]",
        "[uncertainty]\ntemperature_K = -0.01\n[report]",
        "uncertainty.temperature_K: -0.01: a number of 0 or more is expected",
    ),
    ("[20, 60]", "20", "report.temperatures_C: 20: a list in square brackets is expected, temperatures"),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES, ids=lambda text: text[:30])
def test_a_mistake_is_named(load: Load, tmp_path: Path, old: str, new: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(old, new)
    said = str(caught.value).removeprefix(f"{tmp_path / 'lab.toml'}: ")
    assert said == message


def test_further_problems_are_counted_and_kept(load: Load, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load("name =", "nam =")
    file = tmp_path / "lab.toml"
    assert str(caught.value) == (
        f"{file}: laboratory.nam: unknown key; known here: name, address, logo, time_zone, earlier_exports, "
        "proficiency_rounds; did you mean 'name'? "
        f"(the first of 2 problems; `labcalc check --lab {file}` lists all)"
    )
    assert (caught.value.key, caught.value.problem[:11]) == ("laboratory.nam", "unknown key")
    assert [(one.key, one.line) for one in caught.value.problems] == [("laboratory.nam", 3), ("laboratory.name", 2)]
    again = pickle.loads(pickle.dumps(caught.value))
    assert (str(again), again.problems) == (str(caught.value), caught.value.problems)


def test_no_problem_hides_another(load: Load) -> None:
    """What contradicts itself in a table, or stands there twice, is said beside what else is wrong in it."""
    with pytest.raises(SettingsError) as caught:
        load(
            'encoding = "cp1252"\ndelimiter = ";"',
            'encoding = "cp12525"\ndelimiter = ","',
        )
    assert [one.key for one in caught.value.problems] == ["profile[1].encoding", "profile[1].delimiter"]
    with pytest.raises(SettingsError) as caught:
        load('name = "Any HX"', 'name = "hx 46"\ncommodity = "oil"')
    assert [one.key for one in caught.value.problems] == ["product[2].commodity", "product[2]"]
    with pytest.raises(SettingsError) as caught:
        load("valid_to = 2026-06-30", 'valid_to = 2025-06-30\nuse = "daily"')
    assert [one.key for one in caught.value.problems] == ["reference[1].lot[1].use", "reference[1].lot[1].valid_to"]
    with pytest.raises(SettingsError) as caught:
        load('name = "Any HX"\nsamples = ["HX*"]', "name = 5")
    assert [one.key for one in caught.value.problems] == ["product[2].name"]


LINES = [
    ("laboratory.time_zone", 4),
    ("laboratory.earlier_exports[2]", 5),
    ("instrument[1].nam", 7),
    ('profile[1].columns."V40".unit', 19),
    ('profile[1].columns."V.40 [x]"', 20),
    ("reference[1].lot[2]", 34),
    ("reference[1].lot[2].certified[1].coverage_factor", 43),
    ("product[1].limit[2].lowest", 57),
    ("product[2].limit[2].highest", 65),
    ("product[2].limit[3]", 63),
    ("product[2].samples[3]", 62),
    ("report.replicates", 78),
    ("labratory.name", 0),
]


@pytest.mark.parametrize(("key", "line"), LINES)
def test_a_key_has_a_line(key: str, line: int) -> None:
    """By hand: the line of the key, of the inline table that holds it, or of the heading that it is missing under."""
    text = LAB.replace("40 }\n", '40 }\n"V.40 [x]" = "ignored"\n', 1)
    inline = 'samples = ["HX*"]\nlimit = [\n  { quantity = "density" },\n  { quantity = "x" },\n]\n'
    inline += 'specification = """\n[a]\n"""'
    text = text.replace('samples = ["HX*"]', inline)
    assert line_of_key(text, key) == line


def test_tables_that_are_no_toml_are_all_named(tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text(
        '[laboratory]\nname = Quay\n[[instrument]]\nname = "A"\n[[product]]\nname = "B\n[report]\n[report]\n',
        encoding="utf-8",
    )
    with pytest.raises(SettingsError) as caught:
        load_laboratory(file)
    assert [one.line for one in caught.value.problems] == [2, 6]
    assert [one.problem for one in caught.value.problems] == [
        "line 2, column 8: not TOML: invalid value",
        "line 6, column 10: not TOML: illegal character '\\n'",
    ]


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"[laboratory]\nname = \n", "line 2, column 8: not TOML: invalid value"),
        (b'[laboratory]\nname = "a"\nname = "b"\n', "line 3, column 11: this key or table stands in the file already"),
        (b'[laboratory]\nname = "L\xe1b"\n', "line 2: not UTF-8; save the file as UTF-8"),
    ],
)
def test_a_file_that_is_no_toml(tmp_path: Path, content: bytes, problem: str) -> None:
    file = tmp_path / "lab.toml"
    file.write_bytes(content)
    with pytest.raises(SettingsError) as caught:
        load_laboratory(file)
    assert str(caught.value) == f"{file}: {problem}"


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    for path, problem in (
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path, "this is a folder; the lab.toml in it is expected"),
    ):
        with pytest.raises(SettingsError) as caught:
            load_laboratory(path)
        assert str(caught.value) == f"{path}: {problem}"
