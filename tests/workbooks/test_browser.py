"""Pages as a browser shows and prints them; left out where no Chromium, Chrome or Edge is found."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.workbooks import BatchOptions, ReportJob, Scripts, print_pdf, render_batch, render_workbook
from labcalc.workbooks.pdf import find_browser

try:
    BROWSER = find_browser()
except WorkbookError:
    BROWSER = ""

browser = pytest.mark.skipif(not BROWSER, reason="no Chromium, Chrome or Edge is installed")
QUIET = ["--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]


def opened(page: Path, profile: Path) -> tuple[str, list[str]]:
    """Return the page as the browser has it after its scripts have run, and what its console said."""
    command = [BROWSER, *QUIET, "--disable-component-update", "--no-sandbox", f"--user-data-dir={profile}"]
    command += ["--enable-logging=stderr", "--virtual-time-budget=8000", "--dump-dom", page.resolve().as_uri()]
    done = subprocess.run(command, capture_output=True, timeout=240, check=True)
    said = [line for line in done.stderr.decode("utf-8", "replace").splitlines() if "CONSOLE" in line]
    return done.stdout.decode("utf-8"), said


@browser
@pytest.mark.slow
@pytest.mark.parametrize("scripts", list(Scripts))
def test_every_figure_is_drawn(scripts: Scripts, oil: Path, tmp_path: Path) -> None:
    report = render_workbook(oil, {}, tmp_path / "oil.html", title="Oil", scripts=scripts)
    page, said = opened(report.path, tmp_path / "profile")
    assert 'data-drawn="yes"' in page
    assert len(re.findall(r'<div class="drawing js-plotly-plot"', page)) == report.figures == 2
    assert len(re.findall(r'class="js-line"', page)) == 1
    assert len(re.findall(r'class="point"><path', page)) == 3
    assert '<details open=""' not in page
    assert said == []


@browser
@pytest.mark.slow
def test_without_its_script_a_report_still_has_its_numbers(oil: Path, tmp_path: Path) -> None:
    report = render_workbook(oil, {}, tmp_path / "oil.html", title="Oil")
    for script in tmp_path.glob("*.js"):
        script.unlink()
    page, _ = opened(report.path, tmp_path / "profile")
    assert "The drawing script is not beside this report" in page
    assert page.count('<details open=""') == 2


@browser
@pytest.mark.slow
@pytest.mark.parametrize(("paper", "width"), [("A4", 595), ("Letter", 612)])
def test_pdf_is_tagged_and_of_the_paper_asked(paper: str, width: int, oil: Path, tmp_path: Path) -> None:
    """Sizes in points: ISO 216 A4 is 210 mm wide (595.3 pt), US Letter 8.5 in (612 pt)."""
    report = render_workbook(oil, {}, tmp_path / "oil.html", title="Oil")
    print_pdf(report.path, tmp_path / "oil.pdf", paper=paper)
    content = (tmp_path / "oil.pdf").read_bytes()
    assert b"/StructTreeRoot" in content
    assert b"/Marked true" in content
    boxes = re.findall(rb"/MediaBox \[0 0 ([0-9.]+)", content)
    assert boxes
    assert all(round(float(box)) == width for box in boxes)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".html", ".js", ".pdf"]


@browser
@pytest.mark.slow
def test_a_batch_prints_what_has_no_pdf_yet(oil: Path, tmp_path: Path) -> None:
    result = render_batch([ReportJob("oil", "Oil", oil, {}, "")], BatchOptions(tmp_path, pdf=True))
    printed = (tmp_path / "oil.pdf").stat().st_mtime_ns
    assert 'href="oil.pdf"' in result.index.read_text("utf-8")
    render_batch([ReportJob("oil", "Oil", oil, {}, "")], BatchOptions(tmp_path, pdf=True))
    assert (tmp_path / "oil.pdf").stat().st_mtime_ns == printed


def test_without_a_browser_the_way_out_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("labcalc.workbooks.pdf._INSTALLED_AT", ())
    with pytest.raises(WorkbookError, match="PDF needs a browser, and none was found"):
        print_pdf(tmp_path / "x.html", tmp_path / "x.pdf")


def test_an_unknown_paper_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WorkbookError, match="paper 'A5' is not known; A4 or Letter is expected"):
        print_pdf(tmp_path / "x.html", tmp_path / "x.pdf", paper="A5")
