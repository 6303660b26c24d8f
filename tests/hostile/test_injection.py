"""What stands in an export is text wherever it comes out: pages, index, results, spreadsheet, terminal."""

from __future__ import annotations

import csv
import io
import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from zipfile import ZipFile

import pytest
from click.testing import CliRunner

from labcalc.cli import main
from labcalc.wording import STEERING
from tests.chromium import BROWSER, needs_chromium
from tests.workbooks.test_browser import opened

TEXTS = (
    "<script>window.harm=1</script><img src=x onerror=window.harm=1>",
    "{{ 7*7 }}{% raw %}{{ config }}",
    "$\\href{javascript:window.harm=1}{x}$ \\(x\\)",
    "[a](javascript:window.harm=1) ![b](//harm.example/x.png)",
    "\u202etxet dnuor\u2066",
    "=HYPERLINK(\"//harm.example\")",
    "@import url(//harm.example/x.css)",
    "</script><script src=//harm.example/x.js></script>",
    "</title></style></main><style>@import '//harm.example/x';</style>",
    "<!-- <base href=//harm.example/> ",
    "x" * 10_000,
    "\x1b[2J\x1b]0;harm\x07\x9b31m",
    "a\nlabcalc: a line of its own",
    "/root/exports/x.csv /tmp/x C:\\x",
    "`id`; $(id) ../../x",
    "<div class=\"drawing\" data-figure=\"figure-9-data\">",
    "\u2028\u2029",
    "&lt;b&gt; %3Cb%3E",
    "' onmouseover='window.harm=1",
    "\" autofocus onfocus=\"window.harm=1",
)  # fmt: skip
COLUMNS = ("Run", "Sample", "Product", "Lot", "Instrument", "Operator", "Measured at", "Repeat", "Temperature (°C)",
           "Kinematic viscosity (mm²/s)", "Density (kg/m³)", "Remark")  # fmt: skip


class Markup(HTMLParser):
    """Elements with their attributes, as a parser of HTML sees them, and the text outside scripts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a report for each text, which is every name of its run, and the results."""
    folder = tmp_path_factory.mktemp("hostile")
    file = io.StringIO(newline="")
    rows = csv.writer(file)
    rows.writerow(COLUMNS)
    for number, text in enumerate(TEXTS):
        name = text if text.strip() else f"S{text}"
        for minute, temperature, viscosity, density in ((10, 40, 14.9, 838.6), (20, 100, 3.38, 800.1)):
            when = f"2026-01-02 {7 + number // 4:02d}:{minute + number % 4:02d}:00"
            rows.writerow(
                [f"R{number} {text}", name, name, name, name, name, when, 1, temperature, viscosity, density, text]
            )
    export = folder / "it's <b>.csv"
    export.write_text(file.getvalue(), "utf-8", newline="")
    (folder / "lab.toml").write_text(
        f'[laboratory]\nname = {json.dumps(TEXTS[0] + TEXTS[4] + TEXTS[8] + TEXTS[13])}\ntime_zone = "Europe/Lisbon"\n',
        "utf-8",
    )
    for ending in ("csv", "xlsx", "json"):
        words = ["report", str(export), "--lab", str(folder / "lab.toml"), "--out", str(folder / "out")]
        result = CliRunner().invoke(main, [*words, "--results", str(folder / f"results.{ending}")])
        assert result.exit_code == 0, result.output
        assert not STEERING.search(result.output.replace("\r", ""))
        assert "\nlabcalc: a line of its own" not in result.output
    return folder


def pages(folder: Path) -> dict[str, str]:
    return {path.stem: path.read_text("utf-8") for path in (folder / "out").glob("*.html")}


def test_every_run_has_its_report(folder: Path) -> None:
    assert len(pages(folder)) == len(TEXTS) + 1
    assert all(path.parent == folder / "out" for path in folder.rglob("*.html"))


def test_pages_have_no_element_of_an_export(folder: Path) -> None:
    for name, page in pages(folder).items():
        elements = Markup(page).elements
        assert not {"img", "base", "iframe", "link", "object", "embed"} & {tag for tag, _ in elements}, name
        assert not [key for _, about in elements for key in about if key.startswith("on") or key == "autofocus"]
        sources = [about["src"] for tag, about in elements if tag == "script" and about.get("src")]
        assert all(re.fullmatch(r"plotly-[0-9a-f]{8}\.min\.js", str(one)) for one in sources)
        assert len([1 for tag, _ in elements if tag == "style"]) == 1
        assert not [about for tag, about in elements if tag == "a" and "javascript:" in str(about.get("href"))]
        assert not STEERING.search(page)
        assert not re.search(r"R1 49", page), name


def test_text_is_there_as_text(folder: Path) -> None:
    told = "".join(unescape(page) for page in pages(folder).values())
    for text in TEXTS:
        shown = STEERING.sub("\ufffd", text.strip("\u2028\u2029\n\x1b"))[:60].replace("\n", " ")
        assert shown in told.replace("\n", " "), shown


def test_the_index_holds_the_same_as_data(folder: Path) -> None:
    page = pages(folder)["index"]
    rows = json.loads(re.search(r'<script id="runs" type="application/json">(.*?)</script>', page)[1])  # type: ignore[index]
    assert len(rows) == len(TEXTS)
    assert sum(TEXTS[0] in row["sample"] for row in rows) == 1
    assert all(row["href"] in {path.name for path in (folder / "out").iterdir()} for row in rows)


def test_no_cell_of_the_results_is_a_formula(folder: Path) -> None:
    with (folder / "results.csv").open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row if not re.fullmatch(r"[-+]?[0-9.e]+", cell)]
    assert "'" + TEXTS[5] in cells
    assert not [cell for cell in cells if cell[:1] in ("=", "@", "+", "-", "\t", "\r")]
    with ZipFile(folder / "results.xlsx") as book:
        parts = {name: book.read(name) for name in book.namelist()}
    assert not [name for name, part in parts.items() if b"<f>" in part or b"<hyperlink" in part or "external" in name]
    held = json.loads((folder / "results.json").read_text("utf-8"))
    assert TEXTS[5] in json.dumps(held, ensure_ascii=False).replace('\\"', '"')


@needs_chromium
@pytest.mark.slow
def test_only_our_own_script_runs(folder: Path, tmp_path: Path) -> None:
    """A script that lies beside, and one that came with a text, are refused; ours draws."""
    assert BROWSER
    page = next(path for path in (folder / "out").glob("*.html") if "data-figure" in path.read_text("utf-8"))
    (folder / "out" / "beside.js").write_text("document.documentElement.dataset.harm = 'yes';", "utf-8")
    harm = '<script src="beside.js"></script><script>document.documentElement.dataset.harm = "yes"</script>'
    changed = page.with_name("changed.html")
    changed.write_text(page.read_text("utf-8").replace("</main>", f"{harm}</main>"), "utf-8")
    shown, said = opened(changed, tmp_path / "profile")
    assert "data-harm" not in shown
    assert 'data-drawn="yes"' in shown
    assert len([line for line in said if "Content Security Policy" in line]) == 2
    for one in ("index", page.stem):
        shown, said = opened(folder / "out" / f"{one}.html", tmp_path / "profile")
        assert said == []
        assert "data-harm" not in shown
