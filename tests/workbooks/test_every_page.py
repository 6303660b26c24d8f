"""axe-core (axe.min.js of the npm package of that name, which LABCALC_AXE names) looks at a page of each kind."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.shipped import sample_exports, sample_lab, workbook_file
from labcalc.workbooks import render_workbook
from tests.chromium import Tab, chromium, needs_chromium

AXE = os.environ.get("LABCALC_AXE", "")
pytestmark = [
    pytest.mark.slow,
    needs_chromium,
    pytest.mark.skipif(not Path(AXE).is_file(), reason="LABCALC_AXE doesn't name an axe.min.js"),
]

RUNS = {
    "two temperatures": "2026-03-23 09:27 VD-2 BH-26-0563",
    "one temperature": "VD-1-260316-02",
    "a second look": "VD-1-260317-04",
    "not releasable, with causes": "VD-1-260324-04",
}
NOTEBOOKS = {
    "duplicates": {"lab": str(sample_lab())},
    "problem_sample": {"run": RUNS["not releasable, with causes"], "residue_percent": 2.0},
    "bench_calculations": {},
}
QUALITY = {"month": ["2026-03"], "year": ["2026"]}
STUDIES = ("proficiency", "comparison", "precision-study")
KINDS = (*RUNS, "index", *QUALITY, *NOTEBOOKS, *STUDIES, "methods", "verify")


def labcalc(*words: object) -> None:
    done = CliRunner().invoke(main, [*map(str, words)], catch_exceptions=False)
    assert done.exit_code in (0, 1), done.output


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Path]]:
    """Return the pages of each kind, as the commands write them."""
    folder, lab, found = tmp_path_factory.mktemp("pages"), ("--lab", sample_lab()), dict[str, list[Path]]()
    for kind, run in RUNS.items():
        labcalc("report", *sample_exports(), *lab, "--out", folder / "runs" / kind, "--run", run)
    for kind, words in QUALITY.items():
        labcalc(kind, *words, *lab, "--out", folder / kind)
    for kind in STUDIES:
        labcalc(kind, "--example", "--out", folder / kind)
    for kind, parameters in NOTEBOOKS.items():
        (folder / kind).mkdir()
        render_workbook(workbook_file(kind), parameters, folder / kind / "page.html", title=kind)
    labcalc("methods", "--out", folder / "methods")
    (folder / "verify").mkdir()
    labcalc("verify", "--out", folder / "verify" / "page.html")
    for kind in KINDS:
        inside = folder / "runs" / kind if kind in RUNS else folder / kind
        found[kind] = sorted(one for one in inside.glob("*.html") if kind == "methods" or one.name != "index.html")
    found["index"] = [folder / "runs" / "a second look" / "index.html"]
    assert all(found.values()), found
    assert {"gallery.html", "from_python.html"} <= {one.name for one in found["methods"]}
    return found


@pytest.fixture(scope="module")
def tab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    with chromium(tmp_path_factory.mktemp("browser")) as one:
        yield one


def violations(tab: Tab, page: Path, width: int) -> list[Any]:
    tab.ask("Emulation.setDeviceMetricsOverride", width=width, height=844, deviceScaleFactor=1, mobile=width < 500)
    tab.go(page.as_uri())
    tab.wait(f"location.pathname === {page.as_uri()!r}.slice(7) && document.readyState === 'complete'")
    tab.run("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    tab.run(Path(AXE).read_text("utf-8") + "; 0")
    found: list[Any] = tab.run(
        "axe.run().then(all => all.violations.map(one => [one.id, one.nodes.length, one.nodes[0].html.slice(0, 200)]))"
    )
    return found


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("kind", KINDS)
def test_no_violation(kind: str, width: int, pages: dict[str, list[Path]], tab: Tab) -> None:
    found = {page.name: seen for page in pages[kind] if (seen := violations(tab, page, width))}
    assert found == {}
