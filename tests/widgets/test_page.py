"""The page of controls without a browser: what is pressed or moved changes the one state, and all panels show it."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from labcalc.figures.causes.hypothetical import WHAT_IF
from labcalc.judgement import Material, gather
from labcalc.lab import checked_decisions
from labcalc.widgets import Problem, ProblemPage, problem_of
from labcalc.widgets.runs import run_entries
from tests.widgets.conftest import RESIDUE


@pytest.fixture
def page(residue: Problem) -> ProblemPage:
    return ProblemPage(residue)


def places(page: ProblemPage) -> list[list[float]]:
    return [[*trace.x, *trace.y] for trace in page.figure.data if trace.name == WHAT_IF]


def test_a_slider_moves_its_points_in_all_pictures_and_nothing_else(page: ProblemPage) -> None:
    before, others = places(page), [t.to_plotly_json() for t in page.figure.data if t.name != WHAT_IF]
    page.what_if.sliders["residue_percent"].value = 3.0
    assert len(before) == 3
    assert all(new != old for new, old in zip(places(page), before, strict=True))
    assert [t.to_plotly_json() for t in page.figure.data if t.name != WHAT_IF] == others
    assert page.what_if.left.text.startswith("If 3.0 % of the sample before is in it, the numbers are explained.")


def test_a_slider_takes_a_small_part_of_a_tenth_of_a_second_in_the_kernel(page: ProblemPage) -> None:
    """A hand that drags sends ten positions a second or more; each takes about 2 ms on a machine at rest."""
    slider, times = page.what_if.sliders["dilution_percent"], []
    for number in range(1, 10):
        started = time.perf_counter()
        slider.value = 0.1 * number
        times.append(time.perf_counter() - started)
    assert sorted(times)[4] < 0.1


def test_all_sliders_go_back_with_one_message(page: ProblemPage) -> None:
    start, moves = places(page), []
    for slider in page.what_if.sliders.values():
        slider.value = slider.value + 4 * slider.step
    page.what_if.left.observe(lambda change: moves.append(change["new"]), "text")
    page.what_if.show(type(page.what_if.settings)())
    assert places(page) == start
    assert moves == [page.problem.left]


def test_another_run_brings_its_own_everything(page: ProblemPage, material: Material) -> None:
    page.what_if.sliders["temperature_offset_K"].value = 0.4
    other = next(one.run for one in run_entries(material) if one.sample.startswith("GO-"))
    page.pick(other)
    assert page.problem.run == other
    assert page.what_if.sliders["temperature_offset_K"].value == 0.0
    assert "GO-" in page.facts.value
    assert page.fit.caption.startswith("Kinematic viscosity of GO-")
    page.pick(RESIDUE)
    assert [trace.name for trace in page.figure.data].count(WHAT_IF) == 3


def test_where_nothing_can_be_compared_the_page_says_why(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text(
        "Sample,Date,Temperature (°C),Kinematic viscosity (mm²/s)\nA-1,2026-03-02 08:10,40,46.1\n", encoding="utf-8"
    )
    material = gather([path])
    page = ProblemPage(problem_of(material, material.runs[0]), [path])
    if page.problem.evidence is None:
        assert "Nothing can be compared" in page.causes.value
        assert all(slider.disabled for slider in page.what_if.sliders.values())
    assert page.what_if.sliders["residue_percent"].disabled
    assert "no sample before" in page.what_if.sliders["residue_percent"].remark
    page.conclusion.form.press("write", who="T", concluded="x", why="seen")
    assert "without a lab.toml" in page.conclusion.said.text
    assert page.conclusion.said.kind == "bad"


def test_a_measurement_that_would_help_stands_first(page: ProblemPage) -> None:
    step = page.problem.explanations[0].next_measurement
    assert step is not None
    chosen = page.measurement.form.values
    assert chosen["what"].casefold().startswith(step.kind)
    assert float(chosen["temperature"]) == step.temperature_C


def test_what_it_would_decide_is_a_table(page: ProblemPage) -> None:
    page.measurement.form.press("ask")
    assert "<table>" in page.measurement.decides.value
    assert page.problem.explanations[0].title in page.measurement.decides.value


@pytest.mark.parametrize(
    ("value", "said"), [("", "a number is expected under 'It showed'"), ("thin", "'thin': a number"), ("-3", "above 0")]
)
def test_a_wrong_value_is_refused_in_words(page: ProblemPage, value: str, said: str) -> None:
    page.measurement.form.press("add", value=value)
    assert said in page.measurement.said.text
    assert page.problem.added == ()


def test_a_value_with_a_decimal_comma_is_added_and_taken_back(page: ProblemPage) -> None:
    page.measurement.form.press("add", value="20,41")
    assert [one.value for one in page.problem.added] == [20.41]
    assert "before:" in page.causes.value
    assert "Added: " in page.measurement.said.text
    page.measurement.form.press("take back")
    assert page.problem.added == ()
    assert "before:" not in page.causes.value


def test_another_measurement_brings_its_temperature(page: ProblemPage) -> None:
    form = page.measurement.form
    other = next(one for one in form.choices["what"] if one.endswith("at 100 °C"))
    form.values = {**form.values, "what": other}
    assert form.values["temperature"] == "100"


def test_a_press_takes_what_stands_in_the_fields_even_if_it_comes_first(lab: Path) -> None:
    """The press of a fast typist overtakes the last letters under a busy kernel: it must carry them itself."""
    problem = problem_of(gather([], lab), RESIDUE)
    form = ProblemPage(problem, [], lab).conclusion.form
    form.values = {"who": "T", "concluded": "", "why": "T"}
    typed = {"who": "Teresa Rocha", "concluded": problem.explanations[0].title, "why": "Thin after the gas oil."}
    form._handle_custom_msg({"button": "write", "values": typed}, [])
    last = checked_decisions(problem.material.laboratory).decisions[-1]
    assert (last.who, last.why) == ("Teresa Rocha", f"{typed['concluded']}. Thin after the gas oil.")
    assert form.values["why"] == ""


def test_a_file_that_can_not_be_written_is_named(lab: Path) -> None:
    page = ProblemPage(problem_of(gather([], lab), RESIDUE), [], lab)
    (lab.parent / "decisions.jsonl").unlink()
    (lab.parent / "decisions.jsonl").mkdir()
    page.conclusion.form.press("write", who="T", why="seen")
    assert "decisions.jsonl: Is a directory" in page.conclusion.said.text


def test_a_saved_page_holds_no_program_and_no_picture(page: ProblemPage) -> None:
    """Only the name of the model stands in the notebook; the 5 MB of plotly's widget are not saved."""
    assert len(json.dumps(page._repr_mimebundle_())) < 1000
