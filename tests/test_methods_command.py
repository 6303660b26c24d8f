"""``labcalc methods``: every formula on a page, equations without markup, links that lead somewhere."""

from __future__ import annotations

import inspect
import re
from html import unescape
from pathlib import Path

from click.testing import CliRunner

from labcalc import figures, formulae
from labcalc.cli import main
from labcalc.figures.run.verdict import show_reported
from labcalc.judgement import gather, judge
from labcalc.shipped import sample_exports, sample_lab


def test_every_formula_stands_on_a_page(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["methods", "--out", str(tmp_path)])
    assert result.exit_code == 0, result.output
    pages = {path.name: path.read_text("utf-8") for path in tmp_path.glob("*.html")}
    links = re.findall(r'<a href="([^"#]+)">', pages["methods.html"])
    assert sorted([*links, "methods.html"]) == sorted(pages)
    heads = {head for page in pages.values() for head in re.findall(r"<h2 [^>]*>([^<]+)</h2>", page)}
    functions = {name for name in dir(formulae) if inspect.isfunction(getattr(formulae, name))} - {"edition_of"}
    assert functions <= heads
    assert "VI = 100 (L - U) / (L - H) (U ≥ H)" in pages["methods-index.html"]
    assert "- 483 lg((t + 273) / (323))" in pages["methods-ignition.html"], "not lg (t + 273), then divided"
    shown = "".join(re.findall(r'<pre class="printed">(.*?)</pre>', "".join(pages.values()), re.S))
    assert "frac" not in shown
    assert "\\" not in shown
    lines = unescape(re.sub(r"<[^>]+>", "", pages["gallery.html"]))
    drawn = {name for name in dir(figures) if name.endswith(("_picture", "_pictures"))} - {"problem_pictures"}
    assert {name for name in drawn if f"figures.{name}(" not in lines} == set()  # problem_pictures adds sliders to one
    assert pages["gallery.html"].count("<figure") == 14


def test_a_report_links_its_methods_where_lab_toml_tells_of_the_pages(tmp_path: Path) -> None:
    """The sample laboratory's own: each link of the method column leads to a page that names the edition's formula."""
    text = sample_lab().read_text("utf-8").replace('earlier_exports = ["exports/*"]', "")
    for name, pages in (("linked", '[report]\nmethod_pages = "methods"\n'), ("plain", "")):
        (tmp_path / f"{name}.toml").write_text(text.replace("[report]\n", pages or "[report]\n"), encoding="utf-8")
    assert CliRunner().invoke(main, ["methods", "--out", str(tmp_path / "methods")]).exit_code == 0
    material, bare = (gather([sample_exports()[0]], tmp_path / f"{name}.toml") for name in ("linked", "plain"))
    run = "VD-1-260316-06"  # an engine oil at two temperatures
    links = dict(re.findall(r'<a href="methods/([^"]+)">([^<]+)</a>', show_reported(judge(material.dossier(run))).html))
    assert links["methods-index.html"].startswith("ASTM D2270")
    assert links["methods-classification.html"] == "SAE J300_202104"
    assert all((tmp_path / "methods" / page).exists() for page in links)
    assert "<a href" not in show_reported(judge(bare.dossier(run))).html
