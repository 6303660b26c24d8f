"""``labcalc methods``: every formula on a page, equations without markup, links that lead somewhere."""

from __future__ import annotations

import inspect
import re
from html import unescape
from pathlib import Path

from click.testing import CliRunner

from labcalc import figures, formulae
from labcalc.cli import main


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
    shown = "".join(re.findall(r'<pre class="printed">(.*?)</pre>', "".join(pages.values()), re.S))
    assert "frac" not in shown
    assert "\\" not in shown
    lines = unescape(re.sub(r"<[^>]+>", "", pages["gallery.html"]))
    drawn = {name for name in dir(figures) if name.endswith(("_picture", "_pictures"))} - {"problem_pictures"}
    assert {name for name in drawn if f"figures.{name}(" not in lines} == set()  # problem_pictures adds sliders to one
    assert pages["gallery.html"].count("<figure") == 15
