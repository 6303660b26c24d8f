"""``labcalc duplicates``: the page, exit codes, plain words for what can't be done."""

from __future__ import annotations

from pathlib import Path

import pytest

from labcalc.shipped import sample_lab, workbook_file
from labcalc.workbooks import render_workbook
from tests.judgement.conftest import HEADER, LAB
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


def test_the_page_and_what_lies_beyond_its_limit(lab: Path, tmp_path: Path) -> None:
    words = ("--lab", lab, "--from", "2026-02-01", "--to", "2026-02-28", "--product", "Formulated oils")
    result = run("duplicates", *words, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    first, second, last = result.stdout.splitlines()
    assert first.startswith("2026-02-01 to 2026-02-28, formulated oils: needs action: worse than its limit: ")
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
        "labcalc: duplicates are looked for in the record that lab.toml names: say which with --lab\n",
    )


@pytest.mark.slow
def test_the_sample_laboratory_comes_out_the_same_twice(tmp_path: Path) -> None:
    words = {"product": "gas oils", "lab": str(sample_lab())}
    pages = [
        render_workbook(workbook_file("duplicates"), words, tmp_path / name, title="Duplicates")
        for name in ("one.html", "two.html")
    ]
    assert pages[0].digest == pages[1].digest
    assert pages[0].figures == 4
