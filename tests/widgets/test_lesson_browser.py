"""A lesson as a learner meets it: JupyterLab on this machine, a browser, keys and a mouse; answers, right and wrong."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from labcalc.lessons import Choice, NumberQuestion, class_table, draw_test, lesson_named, read_result
from tests.chromium import Tab, chromium, needs_chromium
from tests.jupyterlab import comes, opened, run_all_cells

pytestmark = [needs_chromium, pytest.mark.slow]

LESSON = lesson_named("repeats").workbook

SLIDER = "[...document.querySelectorAll('.labcalc-slider')].find(s => s.innerText.startsWith('Limit'))"
RANGE = f"{SLIDER}.querySelector('input')"


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("class")


@pytest.fixture(scope="module")
def address(course: Path) -> Iterator[str]:
    """The course, opened as a learner opens it."""
    with opened("lessons", folder=course) as found:
        yield found


@pytest.fixture(scope="module")
def page(address: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    """The first lesson, all its cells run by keys."""
    with chromium(tmp_path_factory.mktemp("browser") / "profile", height=1000) as tab:
        tab.go(address.replace("/lab/tree/lessons", f"/doc/tree/lessons/{LESSON}.ipynb"))
        run_all_cells(tab, lambda: comes(tab, SLIDER, 20))
        tab.wait(button("Draw my questions"), 60)
        yield tab


def panel(words: str) -> str:
    """The smallest box of controls that holds a question with these words."""
    return (
        "[...document.querySelectorAll('.widget-vbox')]"
        f".filter(one => one.innerText.includes({words!r}) && one.querySelector('input')).at(-1)"
    )


def button(text: str, within: str = "document") -> str:
    return f"[...{within}.querySelectorAll('button')].find(one => one.innerText.trim() === {text!r})"


def option(text: str, within: str) -> str:
    return f"[...{within}.querySelectorAll('.widget-radio-box label')].find(one => one.innerText.trim() === {text!r})"


def said(words: str, within: str = "document") -> str:
    return f"[...{within}.querySelectorAll('[role=status]')].some(one => one.innerText.includes({words!r}))"


def focus(tab: Tab, control: str) -> None:
    """Put the focus on a control; JupyterLab takes it away once more while it settles after a run."""
    for _ in range(5):
        tab.run(f"{control}.focus()")
        time.sleep(0.3)
        if tab.run(f"document.activeElement === {control}"):
            return
    raise AssertionError(f"the focus doesn't stay on {control}")


def enter(tab: Tab, control: str, text: str) -> None:
    focus(tab, control)
    tab.press("a", ctrl=True)
    tab.type(text)


def test_an_arrow_key_moves_the_limit_and_the_caption_follows(page: Tab) -> None:
    assert "Limit at 2.00 s: 84" in page.text()
    focus(page, RANGE)
    page.press("ArrowRight", times=77)
    page.wait("document.body.innerText.includes('Limit at 2.77 s: 95.0 % of the simulated pairs lie within it')")
    assert page.run(f"{RANGE}.getAttribute('aria-valuetext')") == "2.77\u00a0s"


def test_a_prediction_comes_before_the_picture(page: Tab) -> None:
    asked = panel("With which one does the difference of two scatter?")
    assert "Single results: standard deviation" not in page.text()
    page.click(button("Show what happens", asked))
    page.wait(said("Nothing is entered yet.", asked))
    assert "Single results: standard deviation" not in page.text()
    page.click(option("2 s", asked))
    page.click(button("Show what happens", asked))
    page.wait(said("✗ Not so. Variances add up, standard deviations don't", asked))
    page.wait("document.body.innerText.includes('Single results: standard deviation')")


def test_a_number_is_checked_by_enter_and_what_is_none_is_not_wrong(page: Tab) -> None:
    asked = panel("How many pairs does it take to know s to 10 %")
    field = f"{asked}.querySelector('input')"
    enter(page, field, "many")
    page.press("Enter")
    page.wait(said("? 'many' is no number; a number such as 0.25 was expected", asked))
    enter(page, field, "10")
    page.press("Enter")
    page.wait(said("✗ Not 10: It is 50.", asked))
    enter(page, field, "50")
    page.press("Enter")
    page.wait(said("✓ Right: 50.", asked))


def test_a_choice_is_explained(page: Tab) -> None:
    asked = panel("The first fill of a thin oil mostly gives more than the second.")
    page.click(option("A residue of the thicker sample before, in the first fill", asked))
    page.click(button("Check", asked))
    page.wait(said("✓ Right. The second fill washes it out.", asked))


def test_a_test_is_drawn_answered_and_saved_for_the_trainer(page: Tab, course: Path) -> None:
    test = draw_test("repeats", "Inês Okonkwo")
    name = "[...document.querySelectorAll('label')].find(one => one.innerText === 'Your name').control"
    enter(page, name, "Inês Okonkwo")
    page.click(button("Draw my questions"))
    page.wait(panel(test.questions[-1].text[:40]))
    page.click(button("Check my answers"))
    page.wait(said("Not answered yet, or not to be read: question 1, 2, 3, 4, 5."))
    for number, question in enumerate(test.questions):
        answer(page, panel(question.text[:60]), question, right=number > 0)
    page.click(button("Check my answers"))
    page.wait(said("✗ 4 of 5 right."))
    page.wait(said("✓ Right"))
    page.click(button("Save my result"))
    page.wait(said("Give this file to your trainer."))
    (saved,) = course.rglob("repeats_Inês-Okonkwo_1.json")
    result = read_result(saved)
    assert [one.right for one in result.answers] == [False, True, True, True, True]
    assert class_table(saved.parent).table["right"].tolist() == [4]


def answer(page: Tab, asked: str, question: NumberQuestion | Choice, *, right: bool) -> None:
    if isinstance(question, Choice):
        others = [one.text for one in question.options if one.text != question.answer_text]
        page.click(option(question.answer_text if right else others[0], asked))
    else:
        enter(page, f"{asked}.querySelector('input')", question.answer_text if right else "-999")
        page.press("Tab")


def test_every_control_has_a_name(page: Tab) -> None:
    unnamed = page.run(
        "[...document.querySelectorAll('.jp-OutputArea :is(input, select, textarea, button)')]"
        ".filter(one => one.offsetHeight && !one.closest('.modebar'))"
        ".filter(one => !(one.labels?.[0]?.innerText || one.getAttribute('aria-label') || one.innerText).trim())"
        ".map(one => one.outerHTML.slice(0, 200))"
    )
    assert unnamed == []


def test_the_console_has_nothing_to_complain_of(page: Tab) -> None:
    assert page.complaints == []
