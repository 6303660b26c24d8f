"""The page of controls without a browser: what is pressed or moved changes the one state, and all panels show it."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

import pytest

from labcalc.figures.causes.pictures import WHAT_IF
from labcalc.judgement import Material, gather
from labcalc.lab import checked_decisions
from labcalc.widgets import Problem, ProblemPage, picker, problem_of
from labcalc.widgets.actions import OTHER_CAUSE
from labcalc.widgets.picker import RunPicker
from labcalc.widgets.runs import run_entries
from tests.widgets.conftest import RESIDUE


@pytest.fixture
def page(residue: Problem) -> ProblemPage:
    return ProblemPage(residue)


def places(page: ProblemPage) -> list[list[float]]:
    return [[*one["x"], *one["y"]] for one in page.chart.places.values()]


def test_a_slider_moves_its_points_in_all_pictures_and_nothing_else(page: ProblemPage) -> None:
    before, drawn = places(page), page.chart.drawn
    assert {one["meta"] for one in drawn["data"] if one["name"] == WHAT_IF} == set(page.chart.places)
    page.what_if.sliders["residue_percent"].value = 3.0
    assert len(before) == 3
    assert all(new != old for new, old in zip(places(page), before, strict=True))
    assert page.chart.drawn is drawn
    assert page.what_if.left.text.startswith("If 3.0 % of the sample before is in it, the numbers are explained.")


def test_a_slider_takes_a_small_part_of_a_tenth_of_a_second_in_the_kernel(page: ProblemPage) -> None:
    """A hand that drags sends ten positions a second or more; each takes about 2 ms of the processor."""
    slider, times = page.what_if.sliders["dilution_percent"], []
    for number in range(1, 10):
        started = time.process_time()
        slider.value = 0.1 * number
        times.append(time.process_time() - started)
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
    assert "Kinematic viscosity of GO-" in page.chart.caption
    page.pick(RESIDUE)
    assert [one["name"] for one in page.chart.drawn["data"]].count(WHAT_IF) == 3


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
    assert "without a lab.toml" in page.conclusion.form.text
    assert page.conclusion.form.kind == "bad"


def test_a_measurement_that_would_help_stands_first(page: ProblemPage) -> None:
    step = page.problem.explanations[0].next_measurement
    assert step is not None
    chosen = page.measurement.form.values
    assert chosen["what"].casefold().startswith(step.kind)
    assert float(chosen["temperature"]) == step.temperature_C


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("", "It showed: a number is expected"),
        ("thin", "It showed: 'thin': a number"),
        ("-3", "0.01 to 10000000 at −100 °C to 400 °C is expected"),
    ],
)
def test_a_wrong_value_is_refused_in_words(page: ProblemPage, value: str, said: str) -> None:
    page.measurement.form.press("add", value=value)
    assert said in page.measurement.form.text
    assert page.problem.added == ()


def test_a_value_with_a_decimal_comma_is_added_and_taken_back(page: ProblemPage) -> None:
    page.measurement.form.press("add", value="20,41")
    assert [one.value for one in page.problem.added] == [20.41]
    assert " before</small>" in page.causes.value
    assert "Added: " in page.measurement.form.text
    page.measurement.form.press("take back")
    assert page.problem.added == ()
    assert " before</small>" not in page.causes.value


def test_a_conclusion_is_empty_until_it_is_chosen(lab: Path, material: Material) -> None:
    page = ProblemPage(problem_of(gather([], lab), RESIDUE), [], lab)
    form = page.conclusion.form
    assert form.values["concluded"] == ""
    form.press("write", who="T", why="seen")
    assert page.conclusion.form.text == "Not written: a conclusion is expected; nothing was written"
    form.values = {**form.values, "concluded": page.problem.explanations[0].title}
    page.measurement.form.press("add", value="20.41")
    assert form.values["concluded"] == page.problem.explanations[0].title, "what was chosen stays for this run"
    page.pick(next(one.run for one in run_entries(material) if one.sample.startswith("GO-")))
    assert form.values["concluded"] == ""


def test_the_runs_rows_and_its_instruments_day_are_at_hand(page: ProblemPage, material: Material) -> None:
    dossier = material.dossier(RESIDUE)
    assert page.rows.value.count("<tr>") == 2 + len(dossier.rows) + len(page.problem.day)
    assert f"▸ BL-26-0525</th><td>{dossier.rows['measured_at'].min():%H:%M}</td>" in page.rows.value
    assert "843.25</td>" in page.rows.value, "as measured"
    assert "843.2</td>" in page.rows.value, "as reported, among the day's"
    assert set(page.problem.day["run"]) >= {RESIDUE}
    record = material.record[material.record["run"].isin(page.problem.day["run"])]
    assert set(record["instrument"]) == {dossier.instrument}
    assert set(record["measured_at"].dt.date) == {dossier.rows["measured_at"].min().date()}


def test_the_next_page_of_a_kernel_ends_the_search_of_the_one_before(
    residue: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Run All pressed twice: two pages, one of which finds verdicts."""
    monkeypatch.setattr(picker, "_PAUSES_S", (0.0, 0.0))
    judged: list[RunPicker] = []
    monkeypatch.setattr(RunPicker, "judge_next", lambda self: judged.append(self) or True)

    async def pressed_twice() -> list[ProblemPage]:
        first, second = ProblemPage(residue), ProblemPage(residue)
        await asyncio.sleep(0.05)
        return [first, second]

    first, second = asyncio.run(pressed_twice())
    assert first.picker not in judged
    assert judged.count(second.picker) > 2


def test_a_library_that_didnt_come_is_sent_when_it_is_asked_for_again(page: ProblemPage) -> None:
    sent: list[bytes] = []
    page.chart.send = lambda _, buffers: sent.append(buffers[0])
    for _ in range(2):
        page.chart._handle_custom_msg({"wants": "library"}, [])
    assert len(sent) == 2
    assert all(b"Plotly" in one and len(one) > 1_000_000 for one in sent)


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
    page.conclusion.form.press("write", who="T", concluded=OTHER_CAUSE, why="seen")
    assert "decisions.jsonl: this is a folder; expected a file" in page.conclusion.form.text


def test_a_saved_page_holds_no_program_and_no_picture(page: ProblemPage) -> None:
    """Only the name of the model stands in the notebook; the 5 MB of plotly's widget are not saved."""
    assert len(json.dumps(page._repr_mimebundle_())) < 1000
