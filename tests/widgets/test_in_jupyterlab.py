"""The page as a chemist meets it: JupyterLab on this machine, a browser, a mouse or only keys; no code in sight."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from labcalc.lab import checked_decisions, load_laboratory
from labcalc.workbooks import copy_sample_laboratory
from tests.chromium import Tab, chromium, needs_chromium
from tests.jupyterlab import in_menu, opened, run_all_cells

RUN = "VD-1-260317-04"
"""BL-26-0525: a residue of the gas oil before it was planted (sample_runs/planted_faults.csv)."""

FIGURE = "document.querySelector('.labcalc-page .js-plotly-plot')"
BUSY = "document.querySelector('.jp-Notebook-ExecutionIndicator')?.dataset.status === 'busy'"
WHAT_IF = f"JSON.stringify({FIGURE}.data.filter(t => t.name === 'what if').map(t => [...t.x, ...t.y]))"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_sample_laboratory(tmp_path_factory.mktemp("lab"))


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with opened("problem-sample", "--lab", str(lab)) as found:
        yield found


@pytest.fixture(scope="module")
def page(address: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    """The workbook opened, and all its cells run by keys."""
    with chromium(tmp_path_factory.mktemp("browser") / "profile") as tab:
        tab.go(address)
        run_all_cells(tab, lambda: page_came(tab))
        tab.wait(f"{FIGURE}?.querySelector('.main-svg')")
        tab.wait(f"{FIGURE}.clientWidth > 500")
        yield tab


def page_came(tab: Tab) -> bool:
    """Wait for the page as long as the kernel works at it."""
    idle = 0
    while idle < 4:
        if tab.run("document.querySelector('.labcalc-page') !== null"):
            return True
        time.sleep(1.0)
        idle = 0 if tab.run(BUSY) else idle + 1
    return False


def field(label: str) -> str:
    """The control that a label on the page belongs to."""
    return (
        "[...document.querySelectorAll('.labcalc-page label')]"
        f".find(one => one.innerText.startsWith({label!r})).control"
    )


def button(text: str) -> str:
    return f"[...document.querySelectorAll('.labcalc-page button')].find(one => one.innerText.trim() === {text!r})"


def status_with(words: str) -> str:
    return f"[...document.querySelectorAll('.labcalc-page [role=status]')].some(s => s.innerText.includes({words!r}))"


def pick(tab: Tab, sample: str) -> None:
    """Find a sample by typing and choose it, by keys alone."""
    tab.run(f"{field('Find a run')}.focus()")
    for words, found in (("~", 0), (sample, 1)):  # nothing first: the list may hold this run from before
        tab.press("a", ctrl=True)
        tab.type(words)
        tab.wait(f"{field('Runs')}.options.length === {found}")
    tab.wait(f"{field('Runs')}.options[0].text.includes({sample!r})")
    tab.press("Tab")
    tab.wait(f"document.activeElement === {field('Runs')}")
    tab.press("ArrowDown")
    tab.wait(f"document.querySelector('.labcalc-page .who').innerText.includes({sample!r})")


pytestmark = [needs_chromium, pytest.mark.slow]


def test_no_code_is_in_sight(page: Tab) -> None:
    assert page.run("[...document.querySelectorAll('.jp-CodeCell .cm-editor')].filter(e => e.offsetHeight).length") == 0
    for row in page.run("[...document.querySelectorAll('.jp-InputPlaceholder')].map(e => e.innerText)"):
        assert row.startswith("# ")


def test_every_control_has_a_name(page: Tab) -> None:
    nodes = page.ask("Accessibility.getFullAXTree")["nodes"]
    roles = ("textbox", "combobox", "listbox", "slider", "spinbutton")
    inside = page.run("document.querySelectorAll('.labcalc-page :is(input, select, textarea)').length")
    names = {
        role: [one["name"]["value"] for one in nodes if one.get("role", {}).get("value") == role] for role in roles
    }
    assert inside == 12
    for expected in ("Find a run", "Who", "Why", "It showed"):
        assert expected in names["textbox"], names
    assert any(one.startswith("Runs") for one in names["listbox"])
    assert len([one for one in names["slider"] if one]) == 4


def test_a_run_is_found_and_picked_by_keys(page: Tab) -> None:
    pick(page, "BL-26-0525")
    page.wait("document.querySelector('.causes li')")
    assert "Residue of the sample before" in page.run("document.querySelector('.causes').innerText")


def test_a_dragged_slider_moves_the_points_of_all_pictures(page: Tab) -> None:
    pick(page, "BL-26-0525")
    before = page.run(WHAT_IF)
    page.drag(field("Sample before left"), 60)
    page.wait(f"{WHAT_IF} !== {json.dumps(before)}")
    now = json.loads(page.run(WHAT_IF))
    assert len(now) == 3
    assert all(new != old for new, old in zip(now, json.loads(before), strict=True))
    page.wait(status_with("% of the sample before is in it"))


def test_an_arrow_key_moves_a_slider_by_a_step_each(page: Tab) -> None:
    pick(page, "BL-26-0525")
    slider = field("Cell warmer")
    page.run(f"{slider}.focus()")
    for _ in range(10):
        before = page.run(WHAT_IF)
        page.press("ArrowRight")
        page.wait(f"{WHAT_IF} !== {json.dumps(before)}")
    assert page.run(f"{slider}.getAttribute('aria-valuetext')") == "+0.20\u00a0K"
    page.wait(status_with("0.20 K warmer"))


def test_the_legend_stands_above_the_panels(page: Tab) -> None:
    bottom = page.run(f"{FIGURE}.querySelector('.legend').getBoundingClientRect().bottom")
    panels = page.run(
        f"Math.min(...[...{FIGURE}.querySelectorAll('.nsewdrag')].map(one => one.getBoundingClientRect().top))"
    )
    assert bottom <= panels


def test_what_a_measurement_showed_is_a_number(page: Tab) -> None:
    pick(page, "BL-26-0525")
    page.run(f"{field('It showed')}.focus()")
    page.type("viel")
    page.click(button("Add the value"))
    page.wait(status_with("'viel': a number is expected"))


def test_a_conclusion_is_refused_in_words_or_written(page: Tab, lab: Path) -> None:
    pick(page, "BL-26-0525")
    page.click(button("Write the conclusion"))
    page.wait(status_with("a name is expected; nothing was written"))
    page.run(f"{field('Who')}.focus()")
    page.type("Teresa Rocha")
    page.press("Tab")
    assert page.run(f"{field('Conclusion')}.value") == "", "none is chosen for a person"
    page.press("ArrowDown")
    page.press("Tab")
    page.wait(f"document.activeElement === {field('Why')}")
    page.type("Thin after the gas oil; second fill as usual.")
    page.press("Tab")
    page.press("Enter")
    page.wait(status_with("for Teresa Rocha"))
    last = checked_decisions(load_laboratory(lab)).decisions[-1]
    assert (last.run, last.who, last.what) == (RUN, "Teresa Rocha", "conclusion")
    assert last.why == "Residue of the sample before. Thin after the gas oil; second fill as usual."
    assert last.cause == "residue"


def test_the_page_is_kept_as_a_file_and_the_workbook_stays_small(page: Tab, lab: Path) -> None:
    pick(page, "BL-26-0525")
    page.wait(f"!({BUSY})")
    page.click(button("Keep this page as a file"))
    page.wait(status_with("Written beside this workbook"), 300)
    written = lab.parent / f"problem-{RUN}.html"
    assert "BL-26-0525" in written.read_text("utf-8")
    page.run("document.querySelector('.jp-Notebook').focus()")
    page.press("s", ctrl=True)
    saved = lab.parent / "problem-sample.ipynb"
    ends = time.monotonic() + 60
    while "widget-view" not in saved.read_text("utf-8") and time.monotonic() < ends:
        time.sleep(0.1)
    notebook = json.loads(saved.read_text("utf-8"))
    assert "widgets" not in notebook["metadata"]
    assert saved.stat().st_size < 30_000


def test_the_picture_and_the_causes_are_in_sight_without_scrolling(page: Tab) -> None:
    """A screen of 1440 × 900: the deviations whole, the leading cause open beside them, all others at least named."""
    page.ask("Emulation.setDeviceMetricsOverride", width=1440, height=900, deviceScaleFactor=1, mobile=False)
    pick(page, "BL-26-0525")
    page.run("document.querySelector('.jp-WindowedPanel-outer').scrollTop = 0")
    page.wait(f"{FIGURE}.clientWidth > 640")
    foot = page.run("document.querySelector('.jp-WindowedPanel-outer').getBoundingClientRect().bottom")
    large = page.run(f"(b => [b.left, b.right, b.bottom])({FIGURE}.querySelector('.nsewdrag').getBoundingClientRect())")
    causes = page.run(
        "[...document.querySelectorAll('.causes summary')].map(s => s.getBoundingClientRect())"
        ".map(b => [b.left, b.bottom])"
    )
    assert large[1] - large[0] > 500
    assert large[2] < foot
    assert len(causes) >= 2
    assert [one for one in causes if not (one[0] > large[1] and one[1] < foot)] == [], (large, foot)


def test_the_pictures_take_the_room_that_there_is(page: Tab) -> None:
    pick(page, "HX32-26-0531")
    for width in (1000, 1280):
        page.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False)
        room = f"{FIGURE}.closest('.labcalc-middle > *').clientWidth"
        page.wait(f"Math.abs({FIGURE}.querySelector('.main-svg').clientWidth - {room}) < 12")
        page.wait("document.querySelector('.labcalc-page').scrollWidth <= innerWidth")


def test_headings_have_one_order_and_controls_stand_in_groups(page: Tab) -> None:
    levels = page.run("[...document.querySelectorAll('.jp-Notebook :is(h1, h2, h3, h4)')].map(h => h.tagName)")
    assert levels[0] == "H1"
    assert set(levels[1:]) == {"H2"}
    groups = page.run(
        "[...document.querySelectorAll('.labcalc-page .labcalc-slider input, .labcalc-page .labcalc-form input')]"
        ".map(one => one.closest('[role=group]')?.getAttribute('aria-label'))"
    )
    assert groups == ["What if"] * 4 + ["A measurement that would help"] * 2 + ["Conclusion"]


def test_a_cause_opens_by_keys(page: Tab) -> None:
    pick(page, "BL-26-0525")
    second = "document.querySelectorAll('.causes details')[1]"
    page.run(f"{second}.querySelector('summary').focus()")
    page.press("Enter")
    page.wait(f"{second}.open")
    assert "a residue of such a liquid in the cell looks the same" in page.run(f"{second}.innerText")


def test_run_all_pressed_again_loses_nothing(page: Tab) -> None:
    """On a browser eight times slower: what is made while it is busy comes late, and comes."""
    page.run("document.querySelector('.labcalc-page').dataset.first = 'yes'")
    page.ask("Emulation.setCPUThrottlingRate", rate=8)
    for _ in range(2):
        page.click(in_menu("lm-MenuBar-itemLabel", "Run"))
        page.wait(in_menu("lm-Menu-itemLabel", "Run All Cells"))
        page.click(in_menu("lm-Menu-itemLabel", "Run All Cells"))
    page.wait("document.querySelector('.labcalc-page') && !document.querySelector('.labcalc-page').dataset.first", 300)
    page.wait(f"{FIGURE}?.querySelector('.main-svg')", 300)
    page.wait(f"!({BUSY})", 300)
    page.ask("Emulation.setCPUThrottlingRate", rate=1)
    assert page.run("document.querySelectorAll('.labcalc-page').length") == 1
    pick(page, "BL-26-0525")
    before = page.run(WHAT_IF)
    page.run(f"{field('Cell warmer')}.focus()")
    page.press("ArrowRight")
    page.wait(f"{WHAT_IF} !== {json.dumps(before)}")


NEVER_IN_TIME = """AbortSignal.timeout = () => {
  const one = new AbortController();
  queueMicrotask(() => one.abort());
  return one.signal;
}"""


def test_a_browser_too_busy_for_its_controls_hears_the_kernel_all_the_same(address: str, tmp_path: Path) -> None:
    """anywidget gives each two seconds; here none has any, so that each misses what is said before it is shown."""
    with chromium(tmp_path / "profile") as tab:
        tab.ask("Page.addScriptToEvaluateOnNewDocument", source=NEVER_IN_TIME)
        tab.go(address)
        run_all_cells(tab, lambda: page_came(tab))
        tab.wait(f"{FIGURE}?.querySelector('.main-svg')")
        pick(tab, "BL-26-0525")
        before = tab.run(WHAT_IF)
        tab.drag(field("Sample before left"), 60)
        tab.wait(f"{WHAT_IF} !== {json.dumps(before)}")
        tab.wait(status_with("% of the sample before is in it"))


def test_the_console_has_nothing_to_complain_of(page: Tab) -> None:
    assert page.complaints == []
