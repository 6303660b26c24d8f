"""The page: sound HTML that everyone can read, and nothing in it that isn't meant to be."""

from __future__ import annotations

import itertools
import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.workbooks import RenderedReport, Scripts, render_workbook
from labcalc.workbooks.outputs import Shown, check_page
from tests.workbooks.conftest import PICTURE, Writer


class Elements(HTMLParser):
    """All start tags of a page with their attributes, and the text outside scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._silent = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._silent = tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._silent = False

    def handle_data(self, data: str) -> None:
        self.text += "" if self._silent else data

    def all(self, *names: str) -> list[dict[str, str | None]]:
        return [about for tag, about in self.tags if tag in names]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def report(folder: Path) -> RenderedReport:
    notebook = Path(__file__).parent / "notebooks" / "oil.ipynb"
    return render_workbook(notebook, {"name": 'VG <46> & "co"'}, folder / "oil.html", title="Oil <b>46</b>")


@pytest.fixture(scope="module")
def page(report: RenderedReport) -> str:
    return report.path.read_text("utf-8")


def test_what_comes_back(report: RenderedReport) -> None:
    assert report.figures == 2
    assert report.summary["verdict"] == "releasable"
    assert report.path.stat().st_size < 60_000


def test_structure(page: str) -> None:
    found = Elements(page)
    assert found.all("html") == [{"lang": "en"}]
    assert len(found.all("main")) == len(found.all("h1")) == len(found.all("title")) == 1
    levels = [int(tag[1]) for tag, _ in found.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    ids = Counter(about["id"] for _, about in found.tags if "id" in about)
    assert set(ids.values()) == {1}
    inside = [about["href"] for about in found.all("a") if str(about.get("href", "")).startswith("#")]
    assert "#pictures" in inside
    assert {link[1:] for link in inside if link} <= set(ids)
    assert all(about.get("scope") in ("col", "row") for about in found.all("th"))
    assert all(about.get("aria-labelledby") in ids for about in found.all("figure"))


def test_a_page_has_the_rules_that_it_uses(page: str) -> None:
    assert ".wide{" in page
    assert "js-plotly-plot" in page
    assert ".verdict{" in page
    assert ".causes{" not in page, "this page ranks none"
    assert ".runs{" not in page, "nor is it an index"


def test_text_is_escaped(page: str) -> None:
    assert "Oil &lt;b&gt;46&lt;/b&gt;" in page
    assert "VG <46>" not in page
    assert "<script>alert" not in page
    assert "<script>alert(1)</script>" in Elements(page).text


def test_code_is_hidden(page: str) -> None:
    assert "import plotly" not in page
    assert "execution" not in page


def test_figures_carry_their_numbers(page: str) -> None:
    for number in (1, 2):
        found = re.search(rf'<script id="figure-{number}-data" type="application/json">(.*?)</script>', page, re.S)
        assert found is not None
        assert set(json.loads(found[1])) == {"data", "layout"}
        assert "<" not in found[1]
    assert "Density of VG &lt;46&gt;" in page
    assert page.count('<details open=""><summary>Numbers of figure') == 2
    assert page.count("<noscript>") == 1


def test_nothing_is_fetched(page: str) -> None:
    sources = [about["src"] for about in Elements(page).all("script", "img", "link", "iframe") if "src" in about]
    assert len(sources) == 1
    assert re.fullmatch(r"plotly-[0-9a-f]{8}\.min\.js", str(sources[0]))
    policy = next(about["content"] for about in Elements(page).all("meta") if "http-equiv" in about)
    assert str(policy).startswith("default-src 'none'; script-src 'sha256-")


def test_no_time_and_no_place(page: str) -> None:
    assert str(Path.home()) not in page
    assert str(Path(__file__).parent) not in page
    assert not re.search(r"\b\d\d:\d\d:\d\d\b", page)


def test_a_single_file_holds_its_script(oil: Path, tmp_path: Path) -> None:
    report = render_workbook(oil, {}, tmp_path / "one.html", title="T", scripts=Scripts.INSIDE)
    assert [path.name for path in tmp_path.iterdir()] == ["one.html"]
    assert report.path.stat().st_size < 2_200_000
    assert "src=" not in re.sub(r"<script.*?</script>", "", report.path.read_text("utf-8"), flags=re.S)


FAULTS = {
    "Picture({'data': [], 'layout': {}}, caption='')": "cell 3: its figure has no caption or no table",
    "Picture({'data': [], 'layout': {}}, columns=())": "cell 3: its figure has no caption or no table",
    "Picture({'data': [{'type': 'hexagons'}], 'layout': {}})": "doesn't know figures of type hexagons",
    "import plotly.graph_objects as go\ngo.Figure()": "cell 3: its figure has no caption",
    "from ipywidgets import IntSlider\nIntSlider()": "cell 3: shows a panel of controls",
    "from IPython.display import HTML\nHTML('<img src=\"https://example.org/x.png\">')": "from elsewhere",
    "from IPython.display import HTML\nHTML('<link rel=stylesheet href=//example.org/x.css>')": "from elsewhere",
    "from IPython.display import HTML\nHTML('<style>@import \"https://example.org/x\";</style>')": "from elsewhere",
    "import os\nprint(os.getcwd() + '/data.csv')": "names a folder of this machine",
    "from pathlib import Path\nprint(Path.home() / 'data.csv')": "names a folder of this machine",
    "from IPython.display import JSON\nJSON({'a': 1})": None,
}


@pytest.mark.parametrize("cell", FAULTS)
def test_a_page_that_is_not_sound_is_not_published(cell: str, write: Writer, tmp_path: Path) -> None:
    notebook, target = write(PICTURE, cell), tmp_path / "report.html"
    message = FAULTS[cell]
    if message is None:
        render_workbook(notebook, {}, target, title="T")
        return
    with pytest.raises(WorkbookError, match=re.escape(message)):
        render_workbook(notebook, {}, target, title="T")
    assert not target.exists()


def test_a_figure_that_went_missing_is_noticed() -> None:
    with pytest.raises(WorkbookError, match="made 2 figures, the page has 1"):
        check_page('<div class="drawing"></div>', Shown(figures=2), name="x", paths=())


def test_links_are_no_requests() -> None:
    check_page('<a href="https://example.org/standard">x</a>', Shown(), name="x", paths=())
