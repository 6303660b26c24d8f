"""Every formula against printed values: labcalc/data/published names source and clause of each, seen or from memory."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner

from labcalc import formulae
from labcalc.cli import main
from labcalc.formulae.published import SINGLE_VALUES, Comparison, Row, compare_with_published

PUBLISHED = Path(formulae.__file__).parents[1] / "data" / "published"
COMPARISONS = list(compare_with_published())


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("one", COMPARISONS, ids=lambda one: f"{one.file}:{one.line} {one.formula}")
def test_printed_values(one: Comparison) -> None:
    assert one.agrees, f"{one.computed} for {one.printed}"


def test_every_shipped_row_is_compared_and_tells_its_source() -> None:
    rows = {path.name: len(read(path)) for path in PUBLISHED.glob("*.csv")}
    assert {name: sum(one.file == name for one in COMPARISONS) for name in rows} == rows
    assert all(one.source and one.clause for one in COMPARISONS)


@pytest.mark.parametrize(
    "path", sorted((Path(__file__).parent / "published").rglob("*.csv")), ids=lambda path: path.name
)
def test_every_row_of_the_tests_tells_its_source(path: Path) -> None:
    for row in read(path):
        assert row["source"]
        assert row["clause"]
        assert row["status"] in {"seen", "memory"}


def test_an_auditor_gets_a_dated_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABCALC_NOW", "2026-03-31T16:20:00+01:00")
    result = CliRunner().invoke(main, ["verify", "--out", str(tmp_path / "verified.html")])
    assert result.exit_code == 0, result.output
    assert f"{len(COMPARISONS)} printed values, 0 differ" in result.output
    page = (tmp_path / "verified.html").read_text("utf-8")
    assert "2026-03-31" in page
    assert "ASTM D2270-10(2016)" in page


def test_a_difference_is_named_and_ends_with_1(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = {**SINGLE_VALUES, "viscosity_index": lambda row: 1.5}
    monkeypatch.setattr("labcalc.formulae.published.SINGLE_VALUES", wrong)
    result = CliRunner().invoke(main, ["verify"])
    assert result.exit_code == 1
    assert "differs: ASTM D2270-10(2016), 5.1.4 (unrounded): viscosity_index" in result.stderr
