"""``labcalc duplicates``: the page, exit codes, plain words for what can't be done."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labcalc.shipped import sample_lab, workbook_file
from labcalc.workbooks import render_workbook
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.duplicates_simulator import Story, write
from tests.judgement.test_month import QUIET
from tests.test_commands import run

TWICE = "S1,S-1,2026-02-02 08:00,VD,40,46.1,858.1\nS2,S-1,2026-02-02 09:00,VD,40,46.1,859.1\n"


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "all.csv").write_text(HEADER + QUIET, encoding="utf-8")
    (tmp_path / "record" / "samples.csv").write_text(HEADER + TWICE, encoding="utf-8")
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    return tmp_path / "lab.toml"


def test_month_year_and_duplicates_lead_to_each_other_and_to_all_reports(lab: Path, tmp_path: Path) -> None:
    words = ("--lab", lab, "--out", tmp_path / "out")
    for command in (("month", "2026-02"), ("year", "2026"), ("duplicates", "--to", "2026-01-31"), ("month", "2026-02")):
        assert run(*command, *words).exit_code == 0
    run("duplicates", "--from", "2026-02-01", *words)
    for page in (tmp_path / "out").glob("*-2026*.html"):
        found = re.search('<nav class="ways".*?</nav>', page.read_text("utf-8"))
        ways = re.findall('href="([^"]+)"', found[0]) if found else []
        assert ways[0] == "index.html"
        assert page.name not in ways
        assert all((tmp_path / "out" / one).is_file() for one in ways)
    month = (tmp_path / "out" / "month-2026-02.html").read_text("utf-8")
    assert ">year 2026</a>" in month
    assert "to-2026-01-31.html" not in month, "those of other days aren't its own"


def test_the_page_and_what_lies_beyond_its_limit(lab: Path, tmp_path: Path) -> None:
    words = ("--lab", lab, "--from", "2026-02-01", "--to", "2026-02-28", "--product", "Formulated oils")
    result = run("duplicates", *words, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    first, second, last = result.stdout.splitlines()
    assert first.startswith("2026-02-01 to 2026-02-28, formulated oils: needs action: measure S-1 again; ")
    assert second == "S-1, density at 40 °C: 1.00 kg/m³ apart (limit 0.200)"
    page = tmp_path / "out" / "duplicates-2026-02-01-to-2026-02-28-formulated-oils.html"
    assert last == f"Begin with {page}"
    assert "Precision of duplicates, 2026-02-01 to 2026-02-28, formulated oils" in page.read_text("utf-8")
    assert page.name in (tmp_path / "out" / "index.html").read_text("utf-8")


def test_refused_rows_are_exit_1_and_each_is_named(lab: Path, tmp_path: Path) -> None:
    with (tmp_path / "record" / "all.csv").open("a", encoding="utf-8") as file:
        file.write("S9,S-9,2026-02-28 09:00,VD,40,abc,858.1\n")
    result = run("duplicates", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "refused: all.csv, line 58" in result.stderr


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--product", "formulated oil"), "the record holds no product or class 'formulated oil'; did you mean "),
        (("--operator", "Ana"), "the record holds no operator 'Ana'"),
        (("--from", "02/01/2026"), "'02/01/2026' is no day; year, month and day are expected, such as 2026-03-31"),
    ],
)
def test_what_cannot_be_done_is_exit_2_and_nothing_is_written(
    words: tuple[str, str], problem: str, lab: Path, tmp_path: Path
) -> None:
    result = run("duplicates", "--lab", lab, *words, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stderr.startswith(f"labcalc: {problem}")
    assert not (tmp_path / "out").exists()


def test_without_a_lab_it_says_what_is_missing(tmp_path: Path) -> None:
    result = run("duplicates", "--out", tmp_path / "out")
    assert (result.exit_code, result.stderr) == (
        2,
        "labcalc: lab.toml: there is no such file\n",
    )


@pytest.mark.slow
def test_the_sample_laboratory_comes_out_the_same_twice(tmp_path: Path) -> None:
    words = {"product": "gas oils", "lab": str(sample_lab())}
    pages = [
        render_workbook(workbook_file("duplicates"), words, tmp_path / name, title="Duplicates")
        for name in ("one.html", "two.html")
    ]
    assert pages[0].digest == pages[1].digest
    assert pages[0].figures == 2


def story(folder: Path, **planted: object) -> tuple[Path, Path]:
    """Return lab.toml and the one export of a planted laboratory."""
    lab = write(Story(1, **planted), folder / "planted")  # type: ignore[arg-type]
    return lab, lab.parent / "record" / "all.csv"


def counted(lab: Path, out: Path, *words: object) -> str:
    result = run("duplicates", "--lab", lab, *words, "--out", out)
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()[0]


def test_who_repeats_badly_is_said_in_a_sentence(tmp_path: Path) -> None:
    lab, _ = story(tmp_path, operator="Ines Falk", days=30)
    result = run("duplicates", "--lab", lab, "--out", tmp_path / "out")
    first, second, *_ = result.stdout.splitlines()
    assert "needs action: look at operator Ines Falk; " in first
    assert re.match(r"Operator Ines Falk: .+ times the others", second)
    page = next((tmp_path / "out").glob("duplicates-*.html")).read_text("utf-8")
    before_folds = re.sub(r"<details.*?</details>", "", page, flags=re.DOTALL)
    assert "Degrees of freedom" in page
    assert not re.search(r"degrees of freedom|Holm|chi-square", before_folds, re.IGNORECASE)


def test_one_instrument_alone(tmp_path: Path) -> None:
    lab, _ = story(tmp_path, days=8)
    whole = counted(lab, tmp_path / "all")
    alone = counted(lab, tmp_path / "one", "--instrument", "v2")
    assert alone.startswith("2026-01-05 to 2026-01-14, V2: ")
    assert [sets(line) for line in (whole, alone)] == [128, 64]


def sets(line: str) -> int:
    """Number of sets of repeats that a line tells of, with a limit and without."""
    return sum(map(int, re.findall(r"\d+(?= sets of repeats| without a limit)", line)))


def test_the_same_results_in_two_files_count_once(tmp_path: Path) -> None:
    """The same rows again, in other bytes; and in cSt and g/cm³, without the runs' names."""
    lab, export = story(tmp_path, days=5)
    once = counted(lab, tmp_path / "once")
    header, *lines = export.read_text("utf-8").splitlines()
    (export.parent / "again.csv").write_text("\n".join([header, *reversed(lines)]) + "\n", "utf-8")
    assert counted(lab, tmp_path / "twice") == once
    rows = [line.split(",")[1:] for line in lines]
    other = [",".join([*row[:8], f"{float(row[8]) / 1000.0:.5f}" if row[8] else ""]) for row in rows]
    named = header.removeprefix("Run,").replace("mm²/s", "cSt").replace("kg/m³", "g/cm³")
    (export.parent / "units.csv").write_text("\n".join([named, *other]) + "\n", "utf-8")
    assert counted(lab, tmp_path / "units") == once


def test_a_coarser_copy_is_never_counted_beside_the_finer_one(tmp_path: Path) -> None:
    """Three figures of each viscosity: the finer counts alone, and both files are named. Moved by 1 %: neither does."""
    lab, export = story(tmp_path, days=5)
    once = counted(lab, tmp_path / "once")
    header, *lines = export.read_text("utf-8").splitlines()
    rows = [line.split(",") for line in lines if line.startswith("V1")]
    for factor in (1.0, 1.01):
        coarse = [",".join([*row[:8], f"{float(row[8]) * factor:.3g}", row[9]]) for row in rows]
        (export.parent / "coarse.csv").write_text("\n".join([header, *coarse]) + "\n", "utf-8")
        result = run("duplicates", "--lab", lab, "--out", tmp_path / "out")
        if factor == 1.0:
            assert re.search(r"coarse\.csv: \d+ determinations of all\.csv in fewer digits", result.stderr)
            assert result.stdout.splitlines()[0] == once
    assert re.search(r"in doubt: .*all\.csv.*coarse\.csv", result.stderr)
    assert sets(result.stdout.splitlines()[0]) == 40, "the other instrument's, of 80"
