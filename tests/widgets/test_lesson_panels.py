"""The panels of a lesson without a browser: what they say, what they keep back, what they save."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import ipywidgets
import pytest

from labcalc.figures import Picture, note
from labcalc.lessons import (
    Choice,
    Journal,
    NumberQuestion,
    ask,
    draw_test,
    keep_learner,
    kept_learner,
    read_result,
    repeats,
    worked_example,
)
from labcalc.lessons.course import Learner
from labcalc.widgets.controls import Fit, Slider
from labcalc.widgets.lesson_end import ClosingTest
from labcalc.widgets.lesson_fields import AnswerField, asked, drawing, predicted, sliding, worked
from labcalc.widgets.lesson_panels import LessonPanels, point_for_comma

PAPER = LessonPanels("repeats", "Ana", ".", controls=False)


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal(tmp_path / "answers.json")


def test_paper_shows_pictures_and_questions_and_loads_no_controls() -> None:
    code = (
        "import sys; from labcalc.widgets.lesson_panels import LessonPanels; from labcalc.lessons import repeats;"
        "p = LessonPanels('repeats', 'Ana', '.', False);"
        "p.slide(repeats.plot_limit, 'Limit', lowest=1, highest=4, step=1, start=2); p.ask('one side'); p.work();"
        "p.draw(repeats.repeats_agreements()[0]); p.test();"
        "print([n for n in ('ipywidgets', 'anywidget') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_paper_shows_the_start_of_a_slider_or_a_word_about_it() -> None:
    where = {"lowest": 0.5, "highest": 4.0, "step": 0.01, "start": 2.0}
    shown = PAPER.slide(repeats.plot_limit, "Limit", **where)
    assert isinstance(shown, Picture)
    assert shown.caption.startswith("Limit at 2.00 s")
    assert (
        repr(PAPER.slide(repeats.plot_limit, "Limit", **where, on_paper=False))
        == "On the screen a slider moves it: limit."
    )


def test_on_paper_what_tells_the_answer_comes_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[object] = []
    monkeypatch.setattr("labcalc.widgets.lesson_panels.display", shown.append)
    assert repr(PAPER.predict("spread of a difference", lambda: repeats.plot_limit(2.0))).startswith("Single results")
    assert repr(PAPER.ask("one side", then=lambda: note("Twelve of fifteen."))).startswith("The first fill")
    assert shown == []
    PAPER.answer("spread of a difference")
    PAPER.answer("one side")
    assert isinstance(shown[0], Picture)
    assert repr(shown[1]) == "Twelve of fifteen."


def test_a_picture_follows_its_slider() -> None:
    slider = Slider(name="Limit", value=2.0, lowest=0.5, highest=4.0)
    _, drawn, told = sliding(repeats.plot_limit, slider).children
    assert "Limit at 2.00 s" in told.told
    before = drawn.outputs
    slider.value = 3.0
    assert "Limit at 3.00 s" in told.told
    assert told.caption.startswith("Limit at 3.00 s")
    assert drawn.outputs != before


def test_what_happens_is_shown_only_after_a_prediction(journal: Journal) -> None:
    calls = []

    def reveal() -> repeats.Plot:
        calls.append(1)
        return repeats.plot_limit(2.0)

    box = predicted(ask("repeats", "spread of a difference"), reveal, journal)
    (form,) = box.children
    form.press("check")
    assert (form.text, box.children, calls) == ("? Nothing is entered yet.", (form,), [])
    form.press("check", answer="2 s")
    assert form.text.startswith("✗ Not so. Variances add up, standard deviations don't")
    assert (len(box.children), calls) == (2, [1])
    form.press("check", answer="1.41 s")
    assert form.text.startswith("✓ Right.")
    assert (len(box.children), calls) == (2, [1])


def test_a_choice_is_a_group_of_radio_buttons_whose_legend_asks(journal: Journal) -> None:
    question = ask("repeats", "one side")
    (form,) = asked(question, "Question", journal).children
    (field,) = form.fields
    assert (field["kind"], field["label"]) == ("radio", f"Question. {question.text}")
    assert form.choices["answer"] == [option.text for option in question.options]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("50", "✓ Right: 50."),
        ("12", "✗ Not 12: It is more than that. Try once more."),
        ("many", "? 'many' is no number; a number such as 0.25 was expected"),
    ],
)
def test_a_number_is_checked_when_its_field_is_left(typed: str, said: str, journal: Journal) -> None:
    field = AnswerField(ask("repeats", "pairs for ten percent"), "Question", journal, "Check")
    field.answer(typed)
    assert field.form.text.startswith(said)


def test_a_wrong_answer_gets_a_hint_a_second_one_the_solution_and_both_come_back(journal: Journal) -> None:
    question = ask("repeats", "pairs for ten percent")
    field = AnswerField(question, "Question", journal, "Check")
    field.answer("12")
    again = AnswerField(question, "Question", journal, "Check")
    assert (again.given, again.form.text) == ("12", "✗ Not 12: It is more than that. Try once more.")
    again.answer("90")
    assert again.form.text.startswith("✗ Not 90: It is 50. 1/√(2 × 50) is 0.10.")
    third = AnswerField(question, "Question", journal, "Check")
    assert third.form.text.startswith("✗ Not 90: It is 50.")


def test_what_lies_below_a_question_comes_back_with_its_answer(journal: Journal) -> None:
    question = ask("repeats", "spread of a difference")
    predicted(question, lambda: repeats.plot_limit(2.0), journal).children[0].press("check", answer="2 s")
    assert len(predicted(question, lambda: repeats.plot_limit(2.0), journal).children) == 2


def test_a_slider_that_would_tell_the_answer_waits_for_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    keep_learner(".", Learner("Ana", "results"))
    panels = LessonPanels("repeats", "class", "results", controls=True)
    where = {"lowest": 0.5, "highest": 4.0, "step": 0.01, "start": 2.0}
    asked = panels.predict("spread of a difference", lambda: repeats.plot_limit(2.0))
    room = panels.slide(repeats.plot_limit, "Limit", **where, on_paper=False)
    assert "Shown when the question above is answered." in room.children[0].told
    asked.children[0].press("check", answer="2 s")
    assert len(room.children[0].children) == 3
    assert len(panels.slide(repeats.plot_limit, "Limit", **where).children) == 3


def test_one_case_is_drawn_then_ten_then_all() -> None:
    box = drawing(repeats.repeats_agreements()[1])
    form, _, told = box.children
    assert [button["label"] for button in form.buttons] == ["Draw 1", "Draw 10", "Draw 100", "Draw 100 000"]
    for pressed, words in (("1", "1 drawn say"), ("100000", "100\u202f000 drawn say 5.0")):
        form.press(pressed)
        assert words in told.told


def test_worked_examples_come_one_by_one(journal: Journal) -> None:
    examples = [worked_example("repeats", "Ana", number) for number in range(3)]
    box = worked(examples, journal)
    assert [one.told.count("<li>") for one in box.children if isinstance(one, Fit)] == [4, 3]
    question = examples[1][1][3]
    box.children[2].values = {"answer": question.answer_text}
    assert [one.told.count("<li>") for one in box.children if isinstance(one, Fit)] == [4, 3, 2]
    again = worked(examples, journal)
    assert [type(one).__name__ for one in again.children] == ["Fit", "Fit", "Form", "Fit", "Form", "Form"]


def test_a_question_is_one_model_in_the_browser_and_controls_share_their_layout(journal: Journal) -> None:
    """Each model is a message to the browser, and each control one that has two seconds to start in."""
    with models() as made:
        asked(ask("repeats", "one side"), "Question", journal)
    assert made == ["VBox", "Form"]
    with models() as made:
        sliding(repeats.plot_limit, Slider(name="Limit", value=2.0, lowest=0.5, highest=4.0))
    assert sorted(made) == ["Fit", "Output", "Slider", "VBox"]


@contextmanager
def models() -> Iterator[list[str]]:
    """Yield the kinds of the models that are made meanwhile."""
    made: list[str] = []
    ipywidgets.Widget.on_widget_constructed(lambda one: made.append(type(one).__name__))
    try:
        yield made
    finally:
        ipywidgets.Widget.on_widget_constructed(None)


@pytest.mark.parametrize(
    ("line", "read"),
    [
        ("r = 0,31\n", "r = 0.31\n"),
        ("r = 15,03  # by hand", "r = 15.03  # by hand"),
        ("low = -0,007", "low = -0.007"),
        ("a, b = 1, 2", "a, b = 1, 2"),
        ("f(0,31)", "f(0,31)"),
    ],
)
def test_a_decimal_comma_in_a_cell_is_read(line: str, read: str) -> None:
    assert point_for_comma([line]) == [read]


def test_a_value_of_a_cell_is_checked() -> None:
    given = {"first": [1.0, 2.0], "second": [1.1, 1.9]}
    answer = ask("repeats", "limit from your pairs", **given).answer
    assert "Replace the dots above" in repr(PAPER.check("limit from your pairs", ..., **given))
    assert repr(PAPER.check("limit from your pairs", answer, **given)).startswith("Right: ")
    assert repr(PAPER.check("limit from your pairs", (0, 196), **given)).startswith("Right: 0.196")
    assert repr(PAPER.check("limit from your pairs", "0,196", **given)).startswith("Right: 0.196")
    assert repr(PAPER.check("limit from your pairs", [], **given)).startswith("'[]' is no number")


def test_a_name_is_asked_once_for_the_course(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    names = iter(["  ", " Inês  Okonkwo "])
    monkeypatch.setattr("builtins.input", lambda _: next(names))
    assert LessonPanels("repeats", "class", "results", controls=True).learner == "Inês Okonkwo"
    assert LessonPanels("charts", "class", "results", controls=True).learner == "Inês Okonkwo"
    keep_learner(".", Learner("Ana", "elsewhere"))
    assert LessonPanels("charts", "class", "results", controls=True).learner == "Ana"
    assert kept_learner(tmp_path) == Learner("Ana", "elsewhere")


def answer_all(panel: ClosingTest, wrong: int) -> None:
    for number, field in enumerate(panel.fields):
        question = field.question
        if number >= wrong:
            field.answer(question.answer_text)
        elif isinstance(question, Choice):
            field.answer(next(one.text for one in question.options if one.text != question.answer_text))
        else:
            assert isinstance(question, NumberQuestion)
            field.answer("-999")


def test_a_test_is_graded_and_saved_at_once_and_never_bettered(tmp_path: Path, journal: Journal) -> None:
    panel = ClosingTest("repeats", "Ana", str(tmp_path), journal)
    panel.head.press("draw")
    assert [field.question for field in panel.fields] == [*draw_test("repeats", "Ana").questions]
    panel.foot.press("check")
    assert panel.foot.text == "? Not answered yet, or not to be read: question 1, 2, 3, 4, 5."
    answer_all(panel, wrong=2)
    panel.foot.press("check")
    path = tmp_path / "repeats_ana_1_23dcf1d8.json"
    assert panel.foot.text.startswith(f"✗ 3 of 5 right. Saved as {path}. Try once more")
    assert panel.fields[0].form.text.endswith("Try once more.")
    assert "solution" not in panel.fields[0].form.text
    answer_all(panel, wrong=0)
    panel.foot.press("check")
    assert panel.foot.text == "? 3 of 5 right. What you gave first is what counts."
    assert read_result(path).right == 3


@pytest.mark.parametrize("name", ["Ana", "ANA", " ana "])
def test_a_saved_attempt_comes_back_after_a_restart_in_any_letters(tmp_path: Path, journal: Journal, name: str) -> None:
    first = ClosingTest("repeats", "Ana", str(tmp_path), journal)
    first.head.press("draw")
    answer_all(first, wrong=2)
    first.foot.press("check")
    again = ClosingTest("repeats", name, str(tmp_path), Journal(tmp_path / "other.json"))
    again.head.press("draw")
    assert again.foot.text == "? 3 of 5 right. This attempt is saved; another one has other questions."
    assert [field.given for field in again.fields] == [field.given for field in first.fields]
    answer_all(again, wrong=0)
    again.foot.press("check")
    assert again.foot.text == "? 3 of 5 right. What you gave first is what counts."
    assert len(list(tmp_path.glob("repeats_*.json"))) == 1


def test_answers_that_are_not_checked_yet_come_back(tmp_path: Path, journal: Journal) -> None:
    first = ClosingTest("repeats", "Ana", str(tmp_path), journal)
    first.head.press("draw")
    first.fields[0].answer(first.fields[0].question.answer_text)
    again = ClosingTest("repeats", "Ana", str(tmp_path), journal)
    again.head.press("draw")
    assert [bool(field.given) for field in again.fields] == [True, False, False, False, False]
    assert again.foot.text == ""


def test_another_attempt_has_other_questions(tmp_path: Path, journal: Journal) -> None:
    panel = ClosingTest("repeats", "Béla", str(tmp_path), journal)
    panel.head.press("draw", attempt="2")
    assert [field.question for field in panel.fields] == [*draw_test("repeats", "Béla", 2).questions]
    answer_all(panel, wrong=0)
    panel.foot.press("check")
    assert panel.foot.text.startswith("✓ 5 of 5 right.")
    panel.head.press("draw", attempt="0")
    assert panel.head.text == "? attempt: attempt 0: 1 or more was expected"
