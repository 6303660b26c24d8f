"""The index as a desk: counts that add up, and in a browser sort, filter, search, keys, many rows, a phone."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from labcalc.cli.report import _totals
from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import BatchOptions, render_batch, run_report_jobs
from labcalc.workbooks.index import index_page, write_index
from labcalc.workbooks.options import BatchResult, Outcome
from tests.chromium import Tab, chromium, needs_chromium

AT = datetime(2026, 3, 31, 12, tzinfo=UTC)
VERDICTS = ("releasable", "needs a second look", "not releasable")
PRODUCTS = ("Base oil light", "Gas oil", "<b>Engine</b> oil")


def outcome(number: int, folder: Path = Path()) -> Outcome:
    summary = {
        "verdict": VERDICTS[number % 3],
        "verdict_rank": number % 3,
        "line": f"reason {number}",
        "to_do": "look </script><script>",
        "sample": f"S-{number}",
        "product": PRODUCTS[number % 3],
        "instrument": f"VD-{number % 2}",
        "operator": "Ida",
        "measured": f"2026-03-{1 + number % 28:02d} 08:{number % 60:02d}",
    }
    return Outcome(f"run {number}", "", "rendered", folder / f"run-{number}.html", "", summary)


MONTH = Outcome(
    "month-2026-03", "Monthly", "rendered", Path("month-2026-03.html"), "", {"quality": True, "verdict": "act"}
)


def test_a_look_that_only_a_later_row_has_is_there() -> None:
    """The first 300 rows stand on the page, and a script makes the others."""
    rows = [replace(outcome(n), summary=outcome(n).summary | {"verdict_rank": 2 * (n == 0)}) for n in range(400)]
    page = index_page(rows, AT)
    assert 'class="state not-releasable"' not in page.split("<table")[1].split("</table>")[0]
    assert ".state.not-releasable" in page


def test_the_index_tells_the_time_of_the_laboratory(tmp_path: Path) -> None:
    write_index(tmp_path / "index.html", [outcome(1)], (), "Asia/Kathmandu")
    assert "(UTC+0545)</time>" in (tmp_path / "index.html").read_text("utf-8")


def test_the_demo_counts_the_month_beside_its_runs() -> None:
    month = replace(MONTH, summary=MONTH.summary | {"month": "2026-03", "verdict": "needs action"})
    told = _totals(BatchResult((*map(outcome, range(6)), month), Path("index.html"), 1.0))
    assert told == (
        "6 reports and the month in 1.0 s: not releasable 2, needs a second look 2, releasable 2; "
        "month 2026-03 needs action."
    )


def test_a_month_is_no_run_and_the_counts_add_up() -> None:
    page = index_page([MONTH, *map(outcome, range(6)), Outcome("bad", "", "failed", Path("bad.html"), "why")], AT)
    assert "1 could not be rendered. 6 reports: not releasable 2, needs a second look 2, releasable 2" in page
    assert page.index("month-2026-03.html") < page.index("<table")
    rows = json.loads(re.search(r'id="runs"[^>]*>(.*?)</script>', page, re.S)[1])  # type: ignore[index]
    assert [one["verdict"] for one in rows].count("no report") == 1
    assert rows[0]["line"] == "why", "what failed comes first"
    assert [one["sample"] for one in rows[1:]] == ["S-5", "S-4", "S-3", "S-2", "S-1", "S-0"], "the newest day first"
    assert "<b>Engine" not in page


def test_a_reason_that_many_runs_give_is_told_whole_once() -> None:
    """Seen on an index of 909 runs: one reason of 150 letters stood there forty times; a search still finds all."""
    reason = "Control charts of this instrument: thick oil lot K-2512, density at 40 °C: unlike the results before it"
    runs = [replace(one, summary=one.summary | {"line": reason}) for one in map(outcome, range(3))]
    page = index_page([*runs, outcome(3)], AT)
    table = page.split("<table")[1].split("</table>")[0]
    assert table.count("unlike the results before it") == 1
    assert table.count("Control charts of this instrument: thick oil") == 3
    rows = json.loads(re.search(r'id="runs"[^>]*>(.*?)</script>', page, re.S)[1])  # type: ignore[index]
    assert sum("unlike the results" in one["line"] for one in rows) == 3
    assert [len(one["brief"]) > 0 for one in rows] == [False, False, True, True]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Tab, Path]]:
    folder = tmp_path_factory.mktemp("desk")
    (folder / "index.html").write_text(index_page([*map(outcome, range(10_000))], AT), encoding="utf-8")
    with chromium(folder / "profile") as tab:
        yield tab, folder / "index.html"


def first(tab: Tab, name: str = "Sample") -> list[str]:
    place = ("Measured", "Sample", "Product", "Instrument", "Operator", "Verdict").index(name)
    rows = "[...document.querySelectorAll('.runs tbody tr')].slice(0, 3)"
    return [str(one) for one in tab.run(f"{rows}.map(row => row.cells[{place}].innerText)")]


@needs_chromium
@pytest.mark.slow
def test_sort_filter_search_and_keys_on_ten_thousand_runs(desk: tuple[Tab, Path]) -> None:
    tab, page = desk
    tab.go(page.as_uri())
    tab.wait("document.documentElement?.dataset.ready")
    assert tab.run("document.querySelectorAll('.runs tbody tr').length") == 300
    tab.click("document.querySelector('.runs th[data-name=sample] button')")
    assert first(tab) == ["S-0", "S-1", "S-2"], "numbers in names count as numbers"
    tab.press("Enter")
    assert first(tab) == ["S-9999", "S-9998", "S-9997"]
    assert tab.run("document.querySelectorAll('[aria-sort]').length") == 1
    assert "sorted by Sample, descending" in str(tab.run("document.querySelector('[role=status]').textContent"))
    tab.click("document.querySelector('input[type=search]')")
    tab.type("S-77 gas")
    tab.wait("document.querySelector('[role=status]').textContent.startsWith('36 of')")
    assert set(first(tab, "Product")) == {"Gas oil"}
    tab.run("document.querySelector('[name=verdict]').value = 'releasable'")
    tab.run("document.querySelector('.filters').dispatchEvent(new Event('input'))")
    assert "0 of 10000 runs" in str(tab.run("document.querySelector('[role=status]').textContent"))
    tab.click("document.querySelector('button[type=reset]')")
    tab.wait("document.querySelector('[role=status]').textContent.startsWith('10000 runs')")
    tab.click("document.querySelector('.more')")
    assert tab.run("document.querySelectorAll('.runs tbody tr').length") == 600
    assert tab.complaints == []


@needs_chromium
@pytest.mark.slow
def test_on_a_phone_nothing_scrolls_sideways(desk: tuple[Tab, Path]) -> None:
    tab, page = desk
    tab.ask("Emulation.setDeviceMetricsOverride", width=390, height=844, deviceScaleFactor=1, mobile=True)
    tab.go(page.as_uri())
    tab.wait("document.documentElement?.dataset.ready")
    assert tab.run("document.documentElement.scrollWidth") <= 390
    tab.ask("Emulation.clearDeviceMetricsOverride")


def test_reports_lead_to_each_other_and_to_the_index(tmp_path: Path) -> None:
    """Every link of every page leads to a page that is there."""
    exports, lab = sample_exports(), sample_lab()
    material = gather(exports, lab)
    runs = [run for run in material.runs if "VD-1" in run][:4]
    result = render_batch(run_report_jobs(material, exports, lab, runs), BatchOptions(tmp_path, workers=1))
    pages = {path.name: path.read_text("utf-8") for path in result.paths}
    links = {name: re.findall(r'<a href="([^"#]+)">', page) for name, page in pages.items()}
    assert all("index.html" in found for found in links.values())
    assert all((tmp_path / to).is_file() for found in links.values() for to in found)
    second = links[result.paths[1].name]
    assert result.paths[0].name in second
    assert result.paths[2].name in second
    again = render_batch(run_report_jobs(material, exports, lab, runs), BatchOptions(tmp_path, workers=1))
    assert not again.rendered
