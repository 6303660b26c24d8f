"""What `labcalc init` writes for small laboratories made by hand, and for the sample laboratory."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.exports import profiles_for, read_exports
from labcalc.judgement import propose_settings
from labcalc.lab import Laboratory, earlier_export_files, laboratory_from, load_laboratory
from labcalc.shipped import sample_lab

HEADER = (
    "Run,Sample,Product,Lot,Date,Instrument,Operator,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"
)

Row = tuple[str, str, float]
"""Sample, day in January 2026, viscosity at 40 °C."""


def export(
    folder: Path, rows: Iterable[Row], *, product: str = "", instrument: str = "VD", name: str = "x.csv"
) -> Path:
    lines = (
        f'{instrument}{n},"{sample}",{product},,2026-01-{day} 08:00,{instrument},I. Duarte,40,{value},{800 + value}\n'
        for n, (sample, day, value) in enumerate(rows)
    )
    (folder / name).write_text(HEADER + "".join(lines), encoding="utf-8")
    return folder / name


def settings_of(*exports: Path) -> Laboratory:
    return laboratory_from(propose_settings(exports, folder=exports[0].parent).text)


def names(laboratory: Laboratory) -> dict[str, tuple[str, ...]]:
    return {one.name: one.samples for one in laboratory.products}


TWO = [("HX32-26-0510", "05", 32.0), ("HX32-26-0533", "06", 32.4)]


def test_what_it_writes_loads_and_reads_the_same_rows(tmp_path: Path) -> None:
    file = export(tmp_path, TWO)
    (tmp_path / "lab.toml").write_text(propose_settings([file], folder=tmp_path).text, encoding="utf-8")
    lab = load_laboratory(tmp_path / "lab.toml")
    assert [one.name for one in lab.instruments] == ["VD"]
    assert earlier_export_files(lab) == (file,)
    again = read_exports([file], profiles=lab.profiles, time_zone=lab.time_zone)
    assert again.table.equals(read_exports([file]).table)
    assert all(not one.limits and not one.precision_class for one in lab.products)
    text = (tmp_path / "lab.toml").read_text("utf-8")
    assert "\n# class = ?  # base oil, engine oil, gear oil, hydraulic and industrial oil, transformer oil," in text
    assert '\n# methods = ["?"]  # such as "ASTM D445"' in text


def test_operators_stand_in_a_remark(tmp_path: Path) -> None:
    assert (
        "\n# Operators in these exports, whom lab.toml doesn't list: I. Duarte\n"
        in propose_settings([export(tmp_path, TWO)]).text
    )


def test_names_that_begin_alike_are_a_product(tmp_path: Path) -> None:
    more = [("X-1", "05", 10.0), ("Tank", "05", 10.0), ("26-001", "05", 10.0), ("26-002", "06", 10.0)]
    file = export(tmp_path, [*TWO, *more])
    assert names(settings_of(file)) == {"HX32": ("HX32-*",)}
    assert '# QUESTION: what is it called?\nname = "HX32"' in propose_settings([file]).text


def test_a_number_that_tells_the_grade_stays_in_the_pattern(tmp_path: Path) -> None:
    """32 and 46 mm²/s are two grades of ISO 3448; a year between them is none."""
    rows = [(f"HX-{grade}-{n}", "05", float(grade)) for grade in (32, 46) for n in (1, 2)]
    assert names(settings_of(export(tmp_path, rows))) == {"HX-32": ("HX-32-*",), "HX-46": ("HX-46-*",)}
    years = [(f"HX-{year}-{n}", "05", 32.0) for year in (25, 26) for n in (1, 2)]
    assert names(settings_of(export(tmp_path, years))) == {"HX": ("HX-*",)}


def test_running_numbers_of_all_sorts_of_oil_are_no_product(tmp_path: Path) -> None:
    rows = [(f"LAB-{n}", "05", 10.0 * n) for n in range(1, 8)]
    assert names(settings_of(export(tmp_path, rows))) == {}


def test_the_name_in_the_export_comes_first_and_spelling_does_not_make_two(tmp_path: Path) -> None:
    named = export(tmp_path, TWO, product="Hydraulic oil 32")
    unnamed = export(tmp_path, [("hx32-26-0600", "07", 32.2)], name="y.csv")
    other = export(tmp_path, [("one", "07", 9.0)], product="HYDRAULIC OIL 32", name="z.csv", instrument="vd")
    lab = settings_of(named, unnamed, other)
    assert names(lab) == {"Hydraulic oil 32": ("HX32-*",)}
    assert [one.name for one in lab.instruments] == ["VD"]


def test_the_longer_of_two_patterns_comes_first(tmp_path: Path) -> None:
    rows = [("S-1", "05", 10.0), ("S-2", "05", 10.0), ("S-HX-1", "05", 99.0), ("S-HX-2", "05", 99.0)]
    assert list(names(settings_of(export(tmp_path, rows)))) == ["S-HX", "S"]


def test_odd_names_are_written_so_that_they_fit(tmp_path: Path) -> None:
    rows = [('A[1]"\\-1', "05", 10.0), ('A[1]"\\-2', "05", 10.0)]
    file = tmp_path / "x.csv"
    export(tmp_path, [(sample.replace('"', '""'), day, value) for sample, day, value in rows])
    lab = settings_of(file)
    assert names(lab) == {'A[1]"\\': ('A[[]1]"\\-*',)}


def typical(results: Iterable[float], folder: Path) -> str:
    rows = [(f"S-{n}", "05", value) for n, value in enumerate(results)]
    found = re.search(
        r"quantity = \"kinematic viscosity\".*", propose_settings([export(folder, rows)]).text.split("[[product]]")[1]
    )
    return found[0] if found else ""


def test_typical_values_from_five_results_on(tmp_path: Path) -> None:
    """By hand: mean 46.1, s 0.0894, none beyond 1.5 s*; s* = 1.134 s = 0.101 (ISO 13528:2022, C.3.1, Algorithm A)."""
    results = [46.0, 46.1, 46.2, 46.1, 46.0, 46.2]
    line = 'quantity = "kinematic viscosity", temperature_C = 40, mean = 46.10, standard_deviation = 0.10 },  # n = 6'
    assert typical(results, tmp_path) == line
    assert typical(results[:4], tmp_path) == ""
    assert typical([46.0] * 6, tmp_path) == ""


def test_one_bad_result_does_not_carry_the_typical_value_away(tmp_path: Path) -> None:
    results = [46.0, 46.1, 46.2, 46.1, 46.0, 46.2, 46.1, 46.0, 46.2, 46.1, 58.0]
    found = re.search(r"mean = ([\d.]+), standard_deviation = ([\d.]+)", typical(results, tmp_path))
    assert found is not None
    assert abs(float(found[1]) - 46.1) < 0.05
    assert float(found[2]) < 0.2


DAYS = ["05", "06", "07", "08", "12", "13", "14", "15"]


def oils(text: str) -> list[str]:
    return re.findall(r"QUESTION: is \"(.*)\" a reference oil", text)


@pytest.mark.parametrize(
    ("steps", "everywhere", "expected"),
    [((0.0, 0.05), True, ["RO"]), ((0.0, 1.0), True, []), ((0.0, 0.05), False, [])],
    ids=["steady", "as batches of a product", "on one instrument only"],
)
def test_a_reference_oil_comes_again_everywhere_and_stays_the_same(
    tmp_path: Path, steps: tuple[float, float], everywhere: bool, expected: list[str]
) -> None:
    again = [("RO", day, 50.0 + steps[n % 2]) for n, day in enumerate(DAYS)]
    files = [
        export(tmp_path, [*again, ("S-1", "05", 46.0)]),
        export(tmp_path, [*(again if everywhere else []), ("S-2", "13", 46.0)], instrument="VE", name="y.csv"),
    ]
    first = propose_settings(files)
    assert oils(first.text) == expected
    assert laboratory_from(first.text).references == ()


def test_a_certificate_is_asked_for_and_never_invented(tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text(
        "Sample,Role,Lot,Date,Temperature (°C),Kinematic viscosity (mm²/s)\nRO,reference,A,2026-01-05,40,50.01\n",
        "utf-8",
    )
    text = propose_settings([file]).text
    assert oils(text) == ["RO"]
    assert "50.0" not in text
    block = text[text.index("# [[reference]]") : text.index("\n\n", text.index("# [[reference]]"))]
    filled = block.replace("# ", "", 1).replace("\n# ", "\n").replace("valid_from = ?", "valid_from = 2026-01-01")
    filled = filled.replace("valid_to = ?", "valid_to = 2026-12-31").replace("?", "50.0", 1).replace("?", "0.1", 1)
    (oil,) = laboratory_from(f"{text}\n{filled}\n").references
    assert (oil.samples, oil.lots[0].lot, oil.lots[0].certified[0].value) == (("RO",), "A", 50.0)


PROFILE = """
[[profile]]
name = "Logbook"
files = ["log*"]
delimiter = ";"
decimal = "."
date_order = "day-month-year"
instrument = "VD"
[profile.columns]
"Bottle" = "sample"
"Day" = "date"
"V" = { holds = "kinematic viscosity", unit = "mm²/s", temperature_C = 40 }
"""


def test_profiles_are_used_and_written(tmp_path: Path) -> None:
    file = tmp_path / "log1.csv"
    file.write_text("Bottle;Day;V\nHX-1;05/02/2026;32.1\nHX-2;05/02/2026;32.2\n", encoding="utf-8")
    first = propose_settings([file], profiles=[PROFILE])
    assert len(first.reading.table) == 2
    lab = laboratory_from(first.text)
    assert [one.name for one in lab.profiles] == ["Logbook"]
    assert names(lab) == {"HX": ("HX-*",)}


def test_what_a_profile_asks_is_asked_once(tmp_path: Path) -> None:
    """Two weeks whose days read two ways: one profile, one question."""
    for week in ("W02", "W06"):
        text = HEADER + "R1,HX32-1,,,05.02.2026 08:00,VD,I. Duarte,40,32.1,870\n"
        (tmp_path / f"VD_{week}.csv").write_text(text, encoding="utf-8")
    plain = export(tmp_path, TWO)
    asked = [tmp_path / "VD_W02.csv", tmp_path / "VD_W06.csv"]
    found = propose_settings([*asked, plain], profiles=profiles_for(asked))
    assert len(found.reading.failures) == 2
    assert found.text.count("QUESTION: which comes first, day or month?") == 1
    assert "how is this export written?" not in found.text


def test_patterns_start_from_the_folder_of_lab_toml(tmp_path: Path) -> None:
    (tmp_path / "lab").mkdir()
    (tmp_path / "lab" / "new [1]").mkdir()
    inside, outside = export(tmp_path / "lab" / "new [1]", TWO), export(tmp_path, TWO, name="y.txt")
    (tmp_path / "lab" / "lab.toml").write_text(
        propose_settings([inside, outside], folder=tmp_path / "lab").text, encoding="utf-8"
    )
    lab = load_laboratory(tmp_path / "lab" / "lab.toml")
    assert lab.earlier_exports == ("new [[]1]/*.csv", (tmp_path / "*.txt").as_posix())
    assert earlier_export_files(lab) == tuple(sorted([inside, outside]))


def test_the_sample_laboratory_is_found_again() -> None:
    """Its products' typical values are those that make_sample_runs.py draws batches around."""
    own = load_laboratory(sample_lab())
    text = sample_lab().read_text("utf-8")
    profiles = text[text.index("[[profile]]") : text.index("# --- Reference oils")]
    first = propose_settings(earlier_export_files(own), profiles=[profiles], folder=sample_lab().parent)
    found = laboratory_from(first.text)
    assert first.reading.failures == ()
    assert names(found) == names(own)
    assert oils(first.text) == ["REF-THIN", "REF-THICK"]
    assert [one.name for one in found.instruments] == [one.name for one in own.instruments]
    for product in own.products:
        near = {
            (one.quantity, one.temperature_C): one
            for one in next(p for p in found.products if p.name == product.name).typical
        }
        for one in product.typical:
            seen = near[one.quantity, one.temperature_C]
            assert abs(seen.mean - one.mean) < one.standard_deviation / 2
            assert 0.5 < seen.standard_deviation / one.standard_deviation < 1.5


def run(*words: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_init_on_the_screen_or_into_a_file_that_is_not_there(tmp_path: Path) -> None:
    file, to = export(tmp_path, TWO), tmp_path / "lab.toml"
    assert run("init", file).stdout == propose_settings([file]).text
    assert run("init", file, "--to", to).exit_code == 0
    assert to.read_text("utf-8") == propose_settings([file], folder=tmp_path).text
    again = run("init", file, "--to", to)
    assert (again.exit_code, again.stderr) == (
        2,
        f"labcalc: {to}: there is such a file already; --force writes over it\n",
    )
    to.write_text("", encoding="utf-8")
    assert run("init", file, "--to", to, "--force").exit_code == 0
    assert to.read_text("utf-8") == propose_settings([file], folder=tmp_path).text


def test_init_names_what_it_could_not_read(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear colleague,\n", encoding="utf-8")
    mixed = run("init", export(tmp_path, TWO), tmp_path / "letter.txt")
    assert mixed.exit_code == 1
    assert mixed.stderr.startswith("labcalc: letter.txt: there is no header")
    assert (
        "# QUESTION: how is this export written? A [[profile]] says it.\n# letter.txt: there is no header"
        in mixed.stdout
    )
    refused = tmp_path / "refused.csv"
    refused.write_text(HEADER + "R,S,,,2026-01-05,VD,,40,---,850\n", encoding="utf-8")
    assert (run("init", refused).exit_code, run("init", refused).stdout) == (2, "")
    assert run("init", tmp_path / "letter.txt").exit_code == 2
