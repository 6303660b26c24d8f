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
    with opened("lessons", "--learner", "Inês Okonkwo", "--results", str(course / "class"), folder=course) as found:
        yield found


@pytest.fixture(scope="module")
def page(address: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    """The first lesson, all its cells run by keys."""
    with chromium(tmp_path_factory.mktemp("browser") / "profile", height=1000) as tab:
        tab.go(address.replace("/lab/tree/", "/doc/tree/").replace("?", f"/{LESSON}.ipynb?"))
        run_all_cells(tab, lambda: comes(tab, SLIDER, 20))
        tab.wait(button("Draw my questions"), 60)
        yield tab


def panel(words: str) -> str:
    """The controls of the question with these words."""
    return (
        "[...document.querySelectorAll('.labcalc-control')]"
        f".filter(one => one.innerText.includes({words!r}) && one.querySelector('input')).at(-1)"
    )


def button(text: str, within: str = "document") -> str:
    return f"[...{within}.querySelectorAll('button')].find(one => one.innerText.trim() === {text!r})"


def option(text: str, within: str) -> str:
    return f"[...{within}.querySelectorAll('fieldset label')].find(one => one.innerText.trim() === {text!r})"


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


def test_radio_buttons_are_moved_by_keys(page: Tab) -> None:
    asked = panel("Single results scatter with a standard deviation s.")
    focus(page, f"{asked}.querySelector('input[value=\"2 s\"]')")
    page.press("ArrowUp")
    assert page.run(f"{asked}.querySelector('input:checked').value") == "1.41 s"
    page.click(button("Show what happens", asked))
    page.wait(said("✓ Right. Variances add up", asked))


def test_a_choice_is_explained(page: Tab) -> None:
    asked = panel("The first fill of a thin oil mostly gives more than the second.")
    page.click(option("A residue of the thicker oil before", asked))
    page.click(button("Check", asked))
    page.wait(said("✓ Right. It is in the first fill, and the second washes it out.", asked))


def test_a_lesson_opens_at_its_top(address: str, tmp_path: Path) -> None:
    with chromium(tmp_path / "profile", height=1000) as tab:
        tab.go(address.replace("/lab/tree/", "/doc/tree/").replace("?", f"/{LESSON}.ipynb?"))
        run_all_cells(tab, lambda: comes(tab, button("Draw my questions"), 60))
        tab.wait("document.querySelector('.jp-WindowedPanel-outer').scrollTop === 0", 20)
        assert "This is the course of Inês Okonkwo." in tab.text()


OVERLAPS = """(() => {
  const found = [], parts = 'legend, label, button, input:not([type=radio]), textarea';
  const of = `.labcalc-form :is(${parts}), .labcalc-status, .labcalc-page p`;
  const shown = [...document.querySelectorAll(of)].filter(one => one.offsetHeight && one.innerText !== '');
  const boxes = shown.map(one => one.getBoundingClientRect());
  for (let i = 0; i < shown.length; i++) {
    if (boxes[i].right > innerWidth) { found.push('beyond the window: ' + shown[i].innerText.slice(0, 60)); }
    for (let k = i + 1; k < shown.length; k++) {
      const a = boxes[i], b = boxes[k];
      if (shown[i].contains(shown[k]) || shown[k].contains(shown[i])) { continue; }
      const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      if (across > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1) {
        found.push(shown[i].innerText.slice(0, 60) + ' | ' + shown[k].innerText.slice(0, 60));
      }
    }
  }
  return found;
})()"""


@pytest.mark.parametrize(("width", "zoom"), [(1100, 1.0), (1250, 1.0), (1400, 1.0), (1400, 1.5)])
def test_nothing_lies_over_anything(page: Tab, width: int, zoom: float) -> None:
    size = {"width": round(width / zoom), "height": 1000, "deviceScaleFactor": zoom, "mobile": False}
    page.ask("Emulation.setDeviceMetricsOverride", **size)
    page.click(button("Draw my questions"))
    page.wait(button("Check and save"))
    time.sleep(0.5)
    assert page.run("document.querySelectorAll('.labcalc-form legend').length") >= 3
    assert page.run(OVERLAPS) == []
    assert page.run("document.querySelectorAll('.modebar').length") == 0
    page.ask("Emulation.setDeviceMetricsOverride", width=1280, height=1000, deviceScaleFactor=1, mobile=False)


def test_a_test_is_drawn_answered_and_saved_for_the_trainer(page: Tab, course: Path) -> None:
    test = draw_test("repeats", "Inês Okonkwo")
    page.click(button("Draw my questions"))
    page.wait(panel(test.questions[-1].text[:40]))
    page.click(button("Check and save"))
    page.wait(said("Not answered yet, or not to be read: question 1, 2, 3, 4, 5."))
    for number, question in enumerate(test.questions):
        answer(page, panel(question.text[:60]), question, right=number > 0)
    page.click(button("Check and save"))
    page.wait(said("✗ 4 of 5 right. Saved as "))
    page.wait(said("✓ Right"))
    (saved,) = (course / "class").glob("repeats_inês-okonkwo_1_*.json")
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
