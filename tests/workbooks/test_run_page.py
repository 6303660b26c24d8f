"""The page of a run in a browser: on a phone, by keys, with a name without an end, and on paper."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import BatchOptions, render_batch, run_report_jobs
from tests.chromium import Tab, chromium, needs_chromium

pytestmark = [pytest.mark.slow, needs_chromium]

RUNS = {
    "clean": "2026-03-23 09:27 VD-2 BH-26-0563",
    "a reference oil": "2026-03-23 08:01 VD-2 REF-THICK",
    "a second look": "VD-1-260317-04",
    "not releasable": "2026-03-27 12:17 VD-2 BM-26-0605",
    "not releasable, with causes": "VD-1-260324-04",
}
"""A run of each kind; the second look and the last have the longest pages of the sample laboratory."""
VERDICTS = {"Releasable", "Needs a second look", "Not releasable"}
LETTERS = 10_000


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder, exports = tmp_path_factory.mktemp("runs"), sample_exports()
    material = gather(exports, sample_lab())
    jobs = run_report_jobs(material, exports, sample_lab(), list(RUNS.values()))
    found = dict(zip(RUNS, render_batch(jobs, BatchOptions(folder, workers=1)).paths, strict=True))
    export = folder / "long.csv"
    name = "X" * LETTERS
    export.write_text(
        f"Sample;Date;Product;Operator;Instrument;T (°C);KV (mm²/s);Density (kg/m³)\n"
        f"{name};2026-03-02 08:01:00;{name};{name};{name};40;46.03;868.90\n",
        encoding="utf-8",
    )
    jobs = run_report_jobs(gather([export], None), (export,), None)
    return {**found, "a long name": render_batch(jobs, BatchOptions(folder / "long", workers=1)).paths[0]}


@pytest.fixture(scope="module")
def tab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    with chromium(tmp_path_factory.mktemp("browser")) as one:
        yield one


def open_page(tab: Tab, page: Path, width: int) -> None:
    tab.ask("Emulation.setDeviceMetricsOverride", width=width, height=844, deviceScaleFactor=1, mobile=width < 500)
    tab.go(page.as_uri())
    tab.wait(f"location.pathname.endsWith('/{page.name}') && document.documentElement?.dataset.drawn === 'yes'")


def printed(tab: Tab) -> int:
    """Return the number of A4 pages, 210 mm by 297 mm (ISO 216)."""
    size = {"paperWidth": 210 / 25.4, "paperHeight": 297 / 25.4}
    content = base64.b64decode(tab.ask("Page.printToPDF", preferCSSPageSize=True, **size)["data"])
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", content))


@pytest.mark.parametrize("kind", [*RUNS, "a long name"])
def test_on_a_phone_the_verdict_comes_first_and_nothing_scrolls_sideways(
    pages: dict[str, Path], tab: Tab, kind: str
) -> None:
    open_page(tab, pages[kind], 390)
    assert tab.run("document.querySelector('.verdict .word').innerText") in VERDICTS
    assert tab.run("document.querySelector('.verdict .word').getBoundingClientRect().bottom") < 500
    assert tab.run("document.documentElement.scrollWidth") <= 390
    assert tab.complaints == []


@pytest.mark.parametrize("kind", RUNS)
def test_three_pages_and_900_words(pages: dict[str, Path], tab: Tab, kind: str) -> None:
    """What is behind a fold doesn't count, and neither do the ticks of axes."""
    open_page(tab, pages[kind], 1280)
    assert printed(tab) <= 3
    tab.run("document.querySelectorAll('.drawing').forEach(one => { one.style.display = 'none'; })")
    shown = str(tab.run("document.querySelector('main').innerText")).split()
    assert 300 < len(shown) <= 900


def test_a_name_without_an_end_is_cut(pages: dict[str, Path], tab: Tab) -> None:
    open_page(tab, pages["a long name"], 1280)
    assert tab.run("document.querySelector('h1').getBoundingClientRect().height") < 300
    assert printed(tab) <= 5


def test_folds_open_by_keys(pages: dict[str, Path], tab: Tab) -> None:
    open_page(tab, pages["not releasable, with causes"], 1280)
    folds = "[...document.querySelectorAll('main details')]"
    closed = int(tab.run(f"{folds}.length"))
    assert closed > 5
    assert tab.run(f"{folds}.every(one => !one.open)")
    opened = 0
    for _ in range(4 * closed):
        tab.press("Tab")
        if tab.run("document.activeElement.matches('main summary') && !document.activeElement.parentElement.open"):
            tab.press("Enter")
            opened += 1
    assert opened == closed == tab.run(f"{folds}.filter(one => one.open).length")
    assert tab.complaints == []
