"""Three lessons from their first cell to the saved test, as a learner takes them: by mouse, and by nothing but keys."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from labcalc.lessons import Choice, draw_test, lesson_named, read_result
from tests.chromium import Tab, chromium, needs_chromium
from tests.jupyterlab import comes, opened, run_all_cells
from tests.widgets.test_lesson_browser import OVERLAPS, answer, button, panel, said

pytestmark = [needs_chromium, pytest.mark.slow]

LEARNER = "Ilse Karhu"
AXE = os.environ.get("LABCALC_AXE", "")

DONE = "(said => said.startsWith('✓') || (said.startsWith('✗') && !said.endsWith('Try once more.')))"
ASKED = (
    "[...document.querySelectorAll('.labcalc-form')].filter(form => form.querySelector('input') && "
    "/^(Check|Show what happens)$/.test(form.querySelector('button')?.innerText || ''))"
)
"""The questions on the page that are checked one by one."""

DRAWN = "document.querySelectorAll('.labcalc-form:has(input):not(:has(button))').length"
"""How many questions of the test are on the page, which are checked together."""

STATUS = "closest('.labcalc-form').parentElement.querySelector('.labcalc-status').innerText"
OPEN = f"{ASKED}.filter(form => !{DONE}(form.parentElement.querySelector('.labcalc-status').innerText))"
MAY_HEAR_S = 60


@dataclass
class Taken:
    """A lesson that was taken, its tab still open."""

    lesson: str
    tab: Tab
    results: Path
    moved: list[str]
    """What the slider's picture said before and after."""
    page: str
    """Its address."""


@pytest.fixture(
    scope="module",
    params=[("components", "mouse"), ("conformity", "keys"), ("residue", "keys")],
    ids=lambda one: " by ".join(one),
)
def taken(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Taken]:
    lesson, way = request.param
    folder = tmp_path_factory.mktemp(lesson)
    with (
        opened("lessons", "--learner", LEARNER, "--results", str(folder / "class"), folder=folder) as address,
        chromium(folder / "profile", height=1000) as tab,
    ):
        page = address.replace("/lab/tree/", "/doc/tree/").replace("?", f"/{lesson_named(lesson).workbook}.ipynb?")
        tab.go(page)
        run_all_cells(tab, lambda: comes(tab, button("Draw my questions"), 60))
        moved = (by_mouse if way == "mouse" else by_keys)(tab, lesson)
        tab.wait(said("Saved as"))
        yield Taken(lesson, tab, folder / "class", moved, page)


def by_mouse(tab: Tab, lesson: str) -> list[str]:
    """Answer everything with the mouse; only numbers are typed."""
    moved = []
    while tab.run(f"{OPEN}.length"):
        form = f"{OPEN}[0]"
        tab.run(f"window.form = {form}")
        for tried in range(4):
            if tab.run("form.querySelector('fieldset') !== null"):
                tab.click(f"form.querySelectorAll('fieldset label')[{tried}]")
            else:
                tab.click("form.querySelector('input')")
                tab.press("a", ctrl=True)
                tab.type(str(tried + 1))
            before = tab.run("form.parentElement.querySelector('.labcalc-status').innerText")
            tab.click("form.querySelector('button')")
            tab.wait(f"form.parentElement.querySelector('.labcalc-status').innerText !== {before!r}", MAY_HEAR_S)
            if tab.run(f"{DONE}(form.parentElement.querySelector('.labcalc-status').innerText)"):
                break
    tab.wait("document.querySelector('.labcalc-slider input')")
    told = "document.querySelector('.labcalc-slider').parentElement.querySelector('.labcalc-told p').innerText"
    moved = [str(tab.run(told))]
    tab.drag("document.querySelector('.labcalc-slider input')", 120)
    tab.wait(f"{told} !== {moved[0]!r}", MAY_HEAR_S)
    moved.append(str(tab.run(told)))
    for number in ("1", "10", "100"):
        tab.click(button(f"Draw {number}"))
        tab.wait(f"document.body.innerText.includes('. {number} drawn say')", MAY_HEAR_S)
    tab.click(button("Draw my questions"))
    test = draw_test(lesson, LEARNER)
    tab.wait(panel(test.questions[-1].text[:40]))
    for question in test.questions:
        answer(tab, panel(question.text[:60]), question, right=True)
    tab.click(button("Check and save"))
    return moved


def by_keys(tab: Tab, lesson: str) -> list[str]:
    """Go from control to control by the tab key, and answer with arrows, space, letters and Enter."""
    moved: list[str] = []
    answers = {" ".join(one.text.split())[:50]: one for one in draw_test(lesson, LEARNER).questions}
    tab.run("document.querySelector('.labcalc-page :is(input, summary, button)').focus()")
    for _ in range(400):
        kind = tab.run(
            "(e => e.closest('.labcalc-slider') ? 'slider' : e.type === 'radio' ? 'radio' : e.tagName === 'BUTTON' ? "
            "e.innerText.trim() : e.closest('.labcalc-form') ? e.type : '')(document.activeElement)"
        )
        drawn = next((one for words, one in answers.items() if tab.run(ABOVE).find(words) >= 0), None)
        match kind:
            case "slider":
                moved += _slid_by_keys(tab)
            case "radio" if isinstance(drawn, Choice):
                tab.press(" ")
                for _ in range(len(drawn.options)):
                    if tab.run("document.activeElement.value") == drawn.answer_text:
                        break
                    tab.press("ArrowDown")
                assert tab.run("document.activeElement.checked")
            case "radio":
                tab.press(" ")
            case "text" if drawn is not None:
                tab.type(drawn.answer_text)
            case "text":
                for number in "12":
                    if not _is_done(tab):
                        tab.press("a", ctrl=True)
                        tab.type(number)
                        _heard(tab, "Enter")
                time.sleep(0.5)  # a next example may come beneath it
            case "Check" | "Show what happens":
                while not _is_done(tab):
                    _heard(tab, "Enter")
                    if not _is_done(tab):
                        tab.press("Tab", shift=True)
                        tab.press("ArrowDown")
                        tab.press("Tab")
            case "Draw 1" | "Draw 10" | "Draw 100":
                tab.press("Enter")
                tab.wait(f"document.body.innerText.includes('. {kind[5:]} drawn say')", MAY_HEAR_S)
            case "Draw my questions":
                assert not tab.run(f"{OPEN}.length")
                tab.press("Enter")
                tab.wait(f"{DRAWN} === {len(answers)}")
            case "Check and save":
                tab.press("Enter")
                return moved
        tab.press("Tab")
        time.sleep(0.02)
    raise AssertionError(f"no way to the end by the tab key; it stays at {kind!r}")


ABOVE = (
    "(e => (e.closest('.labcalc-form')?.parentElement || {innerText: ''}).innerText.replace(/\\s+/g, ' '))"
    "(document.activeElement)"
)
"""The question that the control with the focus belongs to."""


def _is_done(tab: Tab) -> bool:
    return bool(tab.run(f"{DONE}(document.activeElement.{STATUS})"))


def _heard(tab: Tab, key: str) -> None:
    """Press a key, and wait until something else is said than before."""
    before = tab.run(f"document.activeElement.{STATUS}")
    tab.press(key)
    tab.wait(f"document.activeElement.{STATUS} !== {before!r}", MAY_HEAR_S)


def _slid_by_keys(tab: Tab) -> list[str]:
    told = "document.activeElement.closest('.labcalc-slider').parentElement.querySelector('.labcalc-told p').innerText"
    before = str(tab.run(told))
    tab.press("ArrowLeft", times=2)
    tab.wait(f"{told} !== {before!r}", MAY_HEAR_S)
    return [before, str(tab.run(told))]


def test_the_console_stays_silent(taken: Taken) -> None:
    assert taken.tab.complaints == []


def test_every_question_was_answered_and_what_waited_for_it_is_shown(taken: Taken) -> None:
    assert taken.tab.run(f"{ASKED}.length") >= 6
    assert taken.tab.run(f"{OPEN}.length") == 0
    assert "Shown when the question above is answered." not in taken.tab.text()
    assert len(taken.moved) >= 2
    assert all(one != other for one, other in zip(taken.moved[::2], taken.moved[1::2], strict=True))


def test_the_result_of_the_class_has_all_of_it_right(taken: Taken) -> None:
    (saved,) = taken.results.glob(f"{taken.lesson}_*.json")
    result = read_result(saved)
    assert (result.learner, result.right) == (LEARNER, len(draw_test(taken.lesson, LEARNER).questions))


@pytest.mark.parametrize(("width", "zoom"), [(1100, 1.0), (1400, 1.0), (1400, 1.5)])
def test_nothing_lies_over_anything_once_all_is_shown(taken: Taken, width: int, zoom: float) -> None:
    size = {"width": round(width / zoom), "height": 1000, "deviceScaleFactor": zoom, "mobile": False}
    taken.tab.ask("Emulation.setDeviceMetricsOverride", **size)
    time.sleep(0.5)
    assert taken.tab.run(OVERLAPS) == []
    assert taken.tab.run("document.querySelectorAll('.modebar').length") == 0


@pytest.mark.skipif(not Path(AXE).is_file(), reason="LABCALC_AXE doesn't name an axe.min.js")
def test_axe_finds_no_violation_in_what_a_lesson_shows(taken: Taken) -> None:
    """axe-core is the judge of the lesson's own outputs; cells and menus are JupyterLab's."""
    taken.tab.run(Path(AXE).read_text("utf-8"))
    told = "all => all.violations.map(one => one.id + ': ' + one.nodes[0].html)"
    found = taken.tab.run(f"axe.run({{include: [['.jp-OutputArea']]}}).then({told})")
    assert found == []


TELL_KERNEL = (
    "fetch('/api/kernels').then(said => said.json()).then(([one]) => fetch('/api/kernels/' + one.id + '{path}', "
    "{{method: '{method}', headers: {{'X-XSRFToken': document.cookie.match(/_xsrf=([^;]*)/)[1]}}}}))"
    ".then(said => said.status)"
)


def test_all_comes_back_with_a_new_kernel_in_another_browser_and_no_mark_is_bettered(
    taken: Taken, tmp_path: Path
) -> None:
    (saved,) = taken.results.glob(f"{taken.lesson}_*.json")
    before = saved.read_bytes()
    assert taken.tab.run(TELL_KERNEL.format(path="/restart", method="POST")) == 200
    with chromium(tmp_path / "profile", height=1000) as tab:
        tab.go(taken.page)
        run_all_cells(tab, lambda: comes(tab, button("Draw my questions"), 60))
        tab.wait(f"{ASKED}.length >= 6 && {OPEN}.length === 0", 30)
        tab.click(button("Draw my questions"))
        tab.wait(said("This attempt is saved; another one has other questions."), 30)
        tab.click(button("Check and save"))
        tab.wait(said("What you gave first is what counts."), 30)
        assert saved.read_bytes() == before
        assert tab.run(TELL_KERNEL.format(path="", method="DELETE")) == 204
        tab.run(f"{button('Check and save')}.click()")
        alerts = "[...document.querySelectorAll('[role=alert]')].map(one => one.innerText).join(' ')"
        tab.wait(f"{alerts}.includes('Nothing answers. If the kernel is busy, wait; if it has ended: menu')", 30)
