"""The panels of a lesson without a browser: what they say, what they keep back, what they save."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from labcalc.figures import Picture
from labcalc.lessons import Choice, NumberQuestion, draw_test, read_result, repeats, repeats_questions
from labcalc.widgets.controls import Slider
from labcalc.widgets.lesson_end import ClosingTest
from labcalc.widgets.lesson_fields import AnswerField, predicted, sliding
from labcalc.widgets.lesson_panels import LessonPanels

PAPER = LessonPanels(controls=False)


def test_paper_shows_pictures_and_questions_and_loads_no_controls() -> None:
    code = (
        "import sys; from labcalc.widgets.lesson_panels import LessonPanels; from labcalc.lessons import repeats;"
        "from labcalc.lessons import repeats_questions as q; p = LessonPanels(False);"
        "p.slide(repeats.plot_limit, 'Limit', lowest=1, highest=4, step=1, start=2); p.ask(q.one_sided());"
        "p.closing_test('repeats', 'Ana', '.'); print([n for n in ('ipywidgets', 'anywidget') if n in sys.modules])"
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


def test_a_picture_follows_its_slider() -> None:
    slider = Slider(name="Limit", value=2.0, lowest=0.5, highest=4.0)
    _, drawn, told, _ = sliding(repeats.plot_limit, slider).children
    assert "Limit at 2.00 s" in told.value
    before = drawn.outputs
    slider.value = 3.0
    assert "Limit at 3.00 s" in told.value
    assert drawn.outputs != before


def test_what_happens_is_shown_only_after_a_prediction() -> None:
    calls = []

    def reveal() -> repeats.Plot:
        calls.append(1)
        return repeats.plot_limit(2.0)

    box = predicted(repeats_questions.spread_of_difference(), reveal)
    field, after = box.children[0], box.children[1]
    choice, form, said = field.children[1:]
    form.press("check")
    assert (said.text, after.children, calls) == ("? Nothing is entered yet.", (), [])
    choice.value = "2 s"
    form.press("check")
    assert said.text.startswith("✗ Not so. Variances add up, standard deviations don't")
    assert (len(after.children), calls) == (1, [1])
    choice.value = "1.41 s"
    form.press("check")
    assert said.text.startswith("✓ Right.")
    assert calls == [1]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("50", "✓ Right: 50."),
        ("12", "✗ Not 12: It is 50."),
        ("many", "? 'many' is no number; a number such as 0.25 was expected"),
    ],
)
def test_a_number_is_checked_when_its_field_is_left(typed: str, said: str) -> None:
    field = AnswerField(repeats_questions.more_pairs(), "Question", "Check")
    field.answer(typed)
    assert field.box.children[-1].text.startswith(said)


def test_a_value_of_a_cell_is_checked() -> None:
    question = repeats_questions.pooled_limit([1.0, 2.0], [1.1, 1.9])
    assert "Replace the dots above" in repr(PAPER.check(question, ...))
    assert repr(PAPER.check(question, question.answer)).startswith("Right: ")
    assert repr(PAPER.check(question, [])).startswith("'[]' is no number")


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


def test_a_test_is_graded_once_and_saved_once(tmp_path: Path) -> None:
    panel = ClosingTest("repeats", "Ana", str(tmp_path))
    panel.head.press("draw")
    assert [field.question for field in panel.fields] == [*draw_test("repeats", "Ana").questions]
    panel.foot.press("save")
    assert panel.said.text == "? Check your answers first."
    panel.foot.press("check")
    assert panel.said.text == "? Not answered yet, or not to be read: question 1, 2, 3, 4, 5."
    answer_all(panel, wrong=2)
    panel.foot.press("check")
    assert panel.said.text == "✗ 3 of 5 right."
    answer_all(panel, wrong=0)
    panel.foot.press("check")
    assert panel.said.text.startswith("? These answers are graded.")
    panel.foot.press("save")
    path = tmp_path / "repeats_Ana_1.json"
    assert panel.said.text == f"✓ Saved as {path}. Give this file to your trainer."
    assert read_result(path).right == 3
    panel.foot.press("save")
    assert panel.said.text.endswith("attempt 1 of Ana is saved already; begin another attempt")


def test_another_attempt_has_other_questions(tmp_path: Path) -> None:
    panel = ClosingTest("repeats", "", str(tmp_path))
    panel.head.press("draw")
    assert panel.said.text == "? learner: a name is missing: it draws the questions"
    panel.head.press("draw", name="Béla", attempt="2")
    assert [field.question for field in panel.fields] == [*draw_test("repeats", "Béla", 2).questions]
    answer_all(panel, wrong=0)
    panel.foot.press("check")
    assert panel.said.text == "✓ 5 of 5 right."
    panel.head.press("draw", attempt="0")
    assert panel.said.text == "? attempt: attempt 0: 1 or more was expected"
