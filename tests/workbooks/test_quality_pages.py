"""The pages of a month and of a year, of 48 charts after five years: size, pages on paper, a phone, what is folded."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.shipped import sample_lab, workbook_file
from labcalc.workbooks import print_pdf, render_workbook
from tests.benchmarks.month import material
from tests.chromium import chromium, needs_chromium

pytestmark = [pytest.mark.slow, needs_chromium]

FIVE_YEARS_OF_SIX = 5 * 365 * 120
"""Determinations: twenty a day on each of six instruments."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Render both; the record is kept for the notebooks, as it is after `labcalc month` has read it."""
    folder, lab = tmp_path_factory.mktemp("pages"), str(sample_lab())
    record = material(FIVE_YEARS_OF_SIX, 6)
    with pytest.MonkeyPatch.context() as patch:
        judgement = importlib.import_module("labcalc.judgement")  # as it is now: another test may have loaded it anew
        patch.setitem(vars(judgement), "gather_record", lambda *_: record)
        patch.setattr("labcalc.workbooks.apart.fork_is_safe", lambda: True)  # idle threads of other tests hold no lock
        for kind, words in (("month", {"month": "2026-03"}), ("year", {"year": "2025"})):
            notebook = workbook_file(f"{kind}ly_quality")
            render_workbook(notebook, {**words, "lab": lab}, folder / f"{kind}.html", title=kind)
    return {kind: folder / f"{kind}.html" for kind in ("month", "year")}


@pytest.mark.parametrize(("kind", "most_bytes", "most_pages"), [("month", 2_000_000, 12), ("year", 500_000, 6)])
def test_a_page_is_small_on_disk_and_on_paper(
    pages: dict[str, Path], tmp_path: Path, kind: str, most_bytes: int, most_pages: int
) -> None:
    assert pages[kind].stat().st_size < most_bytes
    print_pdf(pages[kind], tmp_path / "page.pdf")
    printed = len(re.findall(rb"/Type\s*/Page\b(?!s)", (tmp_path / "page.pdf").read_bytes()))
    assert 3 < printed <= most_pages


@pytest.mark.parametrize("kind", ["month", "year"])
def test_a_phone_never_scrolls_sideways(pages: dict[str, Path], tmp_path: Path, kind: str) -> None:
    with chromium(tmp_path, width=390) as tab:
        tab.go(pages[kind].as_uri())
        tab.wait("document.documentElement?.dataset.drawn === 'yes'")
        assert tab.run("document.documentElement.scrollWidth <= 390")
        assert tab.run("[...document.querySelectorAll('.drawing svg')].every(one => one.clientWidth <= 390)")
        assert tab.complaints == []


def test_what_is_folded_opens_and_is_drawn_then(pages: dict[str, Path], tmp_path: Path) -> None:
    with chromium(tmp_path) as tab:
        tab.go(pages["month"].as_uri())
        tab.wait("document.documentElement?.dataset.drawn === 'yes'")
        assert tab.run("[...document.querySelectorAll('main details')].every(one => !one.open)")
        sheets = tab.run("document.querySelectorAll('.js-plotly-plot').length")
        folded = "[...document.querySelectorAll('details.fold')].find(one => one.querySelector('.drawing'))"
        assert tab.run(f"{folded}.querySelector('.js-plotly-plot') === null")
        tab.click(f"{folded}.querySelector('summary')")
        tab.wait(f"{folded}.querySelector('.js-plotly-plot svg')")
        assert tab.run("document.querySelectorAll('.js-plotly-plot').length") == sheets + 1
        assert tab.run(f"{folded}.querySelector('svg').clientWidth") > 500
        assert tab.complaints == []


def test_page_one_holds_every_rank(pages: dict[str, Path], tmp_path: Path) -> None:
    """Before the first instrument's page: on paper 1 000 pixels are a page."""
    with chromium(tmp_path, width=718) as tab:
        tab.ask("Emulation.setEmulatedMedia", media="print")
        tab.go(pages["month"].as_uri())
        tab.wait("document.documentElement?.dataset.drawn === 'yes'")
        bottom = "document.querySelector('.ranks').getBoundingClientRect().bottom"
        assert tab.run(f"{bottom} < document.querySelector('.new-page').getBoundingClientRect().top")
        assert tab.run(bottom) < 1_000
        assert tab.run("document.querySelectorAll('.new-page').length") == 6


@pytest.mark.parametrize(
    ("words", "name"), [(("month", "2026-03"), "month-2026-03"), (("duplicates",), "duplicates-*")]
)
def test_printed_pages_are_tagged_and_each_bears_the_number(words: tuple[str, ...], name: str, tmp_path: Path) -> None:
    """A tagged PDF says so in its catalogue: ISO 32000-1, 14.7.1 and 14.8."""
    call = [*words, "--lab", str(sample_lab()), "--out", str(tmp_path), "--pdf", "--single-file"]
    result = CliRunner().invoke(main, call)
    assert result.exit_code < 2, result.output
    assert {path.suffix for path in tmp_path.iterdir() if not path.name.startswith(".")} == {".html", ".pdf"}
    page, printed = (next(tmp_path.glob(f"{name}.{kind}")) for kind in ("html", "pdf"))
    content = printed.read_bytes()
    assert b"/StructTreeRoot" in content
    assert b"/Marked true" in content
    text = page.read_text("utf-8")
    found = re.search(r'<p class="who">.* · report (.*) / ([0-9a-f]{8})</p>', text)
    assert found is not None
    period, digits = found.groups()
    assert re.search(rf'top-left {{ content: "[^"]*{period} \\2f  {digits}"', text)
