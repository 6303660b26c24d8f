"""The page of calculations at the bench: by its controls, and as a report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from labcalc.bench import CALCULATIONS
from labcalc.errors import LabcalcError
from labcalc.shipped import workbook_file
from labcalc.widgets import BenchPage, still_bench
from labcalc.workbooks import render_workbook
from tests.chromium import chromium, needs_chromium
from tests.jupyterlab import opened, run_all_cells
from tests.widgets.test_in_jupyterlab import page_came


@pytest.fixture(autouse=True)
def beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path / "bench-calculations-typed.json"


def choose(page: BenchPage, key: str) -> None:
    page.choice.show(page=CALCULATIONS[key].page)
    page.choice.show(calculation=CALCULATIONS[key].title)


def test_what_is_typed_shows_and_stays(beside: Path) -> None:
    page = BenchPage()
    choose(page, "index")
    assert "Still to be typed: Viscosity at 40\xa0°C; Viscosity at 100\xa0°C." in page.shown.value
    page.form.values = {**page.form.values, "kv_40": "73,30", "kv_100": "8.86"}
    assert "92.43" in page.shown.value
    assert page.form.copied.splitlines()[1:] == [
        "Viscosity index, reported\tunrounded\tGrade by ISO 3448",
        "92\t92.43\tVG 68",
    ]
    assert json.loads(beside.read_text("utf-8"))["index"]["kv_40"] == "73,30"
    again = BenchPage()
    choose(again, "index")
    assert again.form.values["kv_40"] == "73,30"
    assert "92.43" in again.shown.value


def test_the_first_calculation_of_a_page_is_open() -> None:
    page = BenchPage("Old scales", example=True)
    assert "141.7" in page.shown.value
    assert not Path("bench-calculations-typed.json").exists(), "nobody has typed anything"
    assert page.chart.layout.display == "none"
    page.choice.show(page="Curve")
    assert "with bands of" in page.shown.value
    assert page.chart.drawn["data"]
    assert page.chart.layout.display == ""


def test_a_refusal_takes_the_place_of_the_results_and_is_not_kept(beside: Path) -> None:
    page = BenchPage(example=True)
    choose(page, "scales")
    page.form.values = {**page.form.values, "value": "abc"}
    assert page.form.text == "Viscosity: 'abc': a number is expected"
    assert page.shown.value == ""
    assert not beside.exists()


@pytest.mark.parametrize("key", CALCULATIONS)
def test_the_button_types_the_example_and_empties_the_fields(key: str) -> None:
    page = BenchPage()
    choose(page, key)
    page.form.press("example")
    assert page.form.text == ""
    assert page.form.values.items() >= CALCULATIONS[key].example.items()
    page.form.press("empty")
    assert "Still to be typed" in page.shown.value or "Possible" in page.shown.value or key == "carry_over"


def test_another_file_of_that_name_is_named_and_left(beside: Path) -> None:
    beside.write_text("[1, 2", encoding="utf-8")
    with pytest.raises(LabcalcError, match=r"bench-calculations-typed\.json: holds nothing that was typed"):
        BenchPage()
    assert beside.read_text("utf-8") == "[1, 2"


def test_the_page_is_kept_as_a_file(tmp_path: Path) -> None:
    page = BenchPage(example=True)
    choose(page, "density")
    path = page._keep(tmp_path).path
    assert path.name == "bench-density.html"
    text = path.read_text("utf-8")
    assert "667.718" in text
    assert "ASTM D2270" not in text


def test_a_report_with_parameters_has_what_was_typed(tmp_path: Path) -> None:
    typed = {"index": {"kv_40": "46.0", "kv_100": "6.8"}}
    words = {"page": "Index and grade", "typed": typed, "example": False}
    render_workbook(workbook_file("bench_calculations"), words, tmp_path / "page.html", title="Index")
    text = (tmp_path / "page.html").read_text("utf-8")
    assert "Index and grade: Viscosity index" in text
    assert "SAE J300" not in text
    with pytest.raises(LabcalcError, match="'Curves': one of Curve, Index and grade"):
        list(still_bench("Curves", {}, True))
    with pytest.raises(LabcalcError, match="'Curves': one of Curve, Index and grade"):
        BenchPage("Curves")


def test_one_refused_calculation_says_so_in_its_place(tmp_path: Path) -> None:
    typed = {"index": {"kv_40": "8.86", "kv_100": "73.30"}, "scales": {"value": "300", "at": "50"}}
    render_workbook(
        workbook_file("bench_calculations"), {"typed": typed, "example": False}, tmp_path / "page.html", title="All"
    )
    text = (tmp_path / "page.html").read_text("utf-8")
    assert "Refused" in text
    assert "an oil is thicker at 40" in text
    assert "141.7" in text


@pytest.mark.slow
@needs_chromium
def test_in_jupyterlab(tmp_path: Path) -> None:
    """Copied and opened by one command: a result comes, follows what is typed, and is refused in one line."""
    with opened("bench-calculations", "--example", folder=tmp_path) as address, chromium(tmp_path / "browser") as tab:
        tab.go(address)
        run_all_cells(tab, lambda: page_came(tab))
        tab.wait("document.querySelector('.labcalc-bench .main-svg')")
        noise = "document.querySelector('.labcalc-bench .labcalc-bottom input')"
        for typed, told in (("abc", "'abc': a number is expected"), ("1,0", "Viscosity, mm²/s, with bands")):
            tab.run(f"{noise}.value = {typed!r}; {noise}.dispatchEvent(new Event('change'))")
            tab.wait(f"document.querySelector('.labcalc-bench').innerText.includes({told!r})")
        tab.run("document.querySelector('.labcalc-bench input:checked').focus()")
        tab.press("ArrowRight", times=2)
        tab.wait("document.querySelector('.labcalc-bench').innerText.includes('667.718')")
        tab.press("ArrowRight")
        tab.wait("document.querySelector('.labcalc-bench').innerText.includes('11.842')")
        assert tab.run("document.querySelector('.labcalc-bench textarea').clientWidth") > 150
    assert json.loads((tmp_path / "bench-calculations-typed.json").read_text("utf-8"))["line"]["noise"] == "1,0"
