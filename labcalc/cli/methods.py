"""``labcalc methods``: what is calculated and by what, a page a family, from the docstrings and the printed values.

``labcalc verify``: the installed package against printed values, for the auditor.
"""

from __future__ import annotations

import inspect
import json
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from html import escape
from html.entities import html5
from itertools import chain
from pathlib import Path
from platform import platform
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from labcalc import __version__, workbooks
from labcalc.cli.words import FILE, answer, out_option, remark, say, tell, write_page
from labcalc.shipped import workbook_file
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.formulae.published import Comparison

_EQUATION = re.compile(r"\.\. math::(.*?)(?=\n\S|\Z)", re.S)
_PLAIN = {
    r"\\[td]?frac(\d)(\d)": r"\1/\2",
    r"([_^])\{(-?\w+)\}": r"\1\2",
    r"([_^])\{([^{}]+)\}": r"\1(\2)",
    r"\\[td]?frac\{([^{}]+)\}\{([^{}]+)\}": r"(\1) / (\2)",
    r"\\sqrt\{([^{}]+)\}": r"√(\1)",
    r"\\(?:text|mathrm|operatorname)\{([^{}]*)\}": r"\1",
    r"\\q?quad|\\[,;:! ]": " ",
    r"\\left|\\right|&": "",
    r"\\\\": "\n",
}
_LETTERS = {"sum": "Σ", "infty": "∞", "to": "→", "cdot": "·", "hat": "hat", "lg": "lg"}
"""Names of TeX that HTML doesn't have, or has for another sign."""


@click.command()
@out_option(required=True)
@answer
def methods(out: Path) -> int:
    """Write pages of the formulas: equations, ranges, sources."""
    from labcalc import formulae, statistics
    from labcalc.figures.markup import folded
    from labcalc.formulae.published import compare_with_published, methods_pages

    printed: dict[str, list[Comparison]] = {}
    for value in compare_with_published():
        printed.setdefault(value.formula, []).append(value)
    families = {page: [getattr(formulae, name) for name in names] for page, names in methods_pages().items()}
    for one in (getattr(statistics, name) for name in dir(statistics)):
        if inspect.isfunction(one):
            families.setdefault(f"methods-{inspect.unwrap(one).__module__.split('.')[2]}.html", []).append(one)
    out.mkdir(parents=True, exist_ok=True)
    figures, links = _cells("gallery"), ""
    for page, functions in families.items():
        stem = page[len("methods-") : -len(".html")]
        family = stem.replace("-", " ").capitalize()
        drawn = [cell for cell in figures if cell["metadata"].get("family") == stem]
        body = "".join(_section(one, printed.get(one.__name__, [])[:3]) for one in functions)
        with_lines = [(cell, _words(folded("The lines that draw it", _lines(cell)))) for cell in drawn]
        _render(family, [*chain(*with_lines), _words(body)], out / page)
        links += f'<li><a href="{page}">{family}</a>: {", ".join(one.__name__ for one in functions)}</li>'
    shown = "".join(f'<li><a href="{name}.html">{told}</a></li>' for name, told in _WORKBOOKS.items())
    body = f"<ul>{links}</ul><h2>From Python</h2><ul>{shown}</ul>"
    write_page(out / "methods.html", body, title="Methods", workbook="labcalc methods")
    for name, told in _WORKBOOKS.items():
        with_lines = [(_words(_lines(cell)), cell) for cell in _cells(name)]
        _render(told, [*chain(*with_lines)], out / f"{name}.html", name)
    remark(f"{len(families) + len(_WORKBOOKS)} pages. Begin with {out / 'methods.html'}")
    return 0


_WORKBOOKS = {
    "from_python": "Runs, results and formulas from Python",
    "gallery": "Every figure, and the lines that make it",
}


def _cells(workbook: str) -> list[dict[str, Any]]:
    """Return the cells of a workbook; what is drawn of a family of formulas bears its name."""
    cells: list[dict[str, Any]] = json.loads(Path(workbook_file(workbook)).read_text("utf-8"))["cells"]
    return cells


def _words(text: str) -> dict[str, Any]:
    return {"cell_type": "markdown", "metadata": {}, "source": text}


def _lines(cell: dict[str, Any]) -> str:
    """Return the lines of a cell that runs as they are shown."""
    told = cell["cell_type"] == "code" and "parameters" not in cell["metadata"].get("tags", [])
    return f"\n\n```python\n{''.join(cell['source'])}\n```\n\n" if told else ""


def _render(title: str, cells: Sequence[dict[str, Any]], to: Path, name: str = "") -> None:
    """Run cells in a fresh process and write what they give as a page."""
    parameters = {"cell_type": "code", "metadata": {"tags": ["parameters"]}, "source": "", "outputs": []}
    numbered = [cell | {"id": f"cell-{n}"} for n, cell in enumerate([parameters, *cells])]
    content = {"cells": numbered, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}
    with TemporaryDirectory() as folder:
        written = Path(folder) / (f"{name}.ipynb" if name else "labcalc methods")
        written.write_text(json.dumps(content), "utf-8")
        workbooks.render_workbook(written, {}, to, title=title)


def _section(function: Callable[..., Any], printed: Sequence[Comparison]) -> str:
    """Lay out what a docstring says: words, equations, what goes in and comes out, and printed values beneath."""
    text = (inspect.getdoc(function) or "").partition(">>>")[0].replace("``", "")
    equations = [_readable(found) for found in _EQUATION.findall(text)]
    paragraphs = [part.strip() for part in _EQUATION.sub("", text).split("\n\n") if part.strip()]
    html = f"<h2>{escape(function.__name__)}</h2>"
    for part in paragraphs:
        entries = re.split(r"\n(?=\S)", part)
        if all(" : " in one for one in entries):
            lines = (escape(" ".join(one.split())) for one in entries)
            html += f"<ul>{''.join(f'<li>{line}</li>' for line in lines)}</ul>"
        else:
            html += f"<p>{escape(' '.join(part.split()))}</p>"
    html += "".join(f'<pre class="printed">{escape(one)}</pre>' for one in equations)
    told = (f"{one.inputs}: {one.printed} by {one.source}, {one.clause}; here {one.computed}." for one in printed)
    return html + "".join(f"<p>{escape(line)}</p>" for line in told)


def _readable(equation: str) -> str:
    """Turn the markup of an equation into what a line of text can show."""
    text = "\n".join(line.strip() for line in equation.strip().splitlines())
    for _ in range(4):
        for pattern, plain in _PLAIN.items():
            text = re.sub(pattern, plain, text)
    text = re.sub(r"\\([A-Za-z]+)", lambda found: _LETTERS.get(found[1]) or html5.get(f"{found[1]};", found[1]), text)
    return re.sub(r"[ ]+", " ", re.sub(r"\{([^{}]*)\}", r"\1", text)).strip()


_LIBRARIES = ("numpy", "scipy", "pandas")


@click.command()
@click.option("--out", type=FILE, metavar="FILE.html", help="Write a dated page with every value.")
@answer
def verify(out: Path | None) -> int:
    """Hold these formulas against printed values of standards."""
    from labcalc.formulae.published import compare_with_published

    found = list(compare_with_published())
    wrong = [one for one in found if not one.agrees]
    for one in wrong:
        place = f"{one.source}, {one.clause}: {one.formula} of {one.inputs}"
        say(f"differs: {place} is {one.computed}; printed {one.printed}")
    if out is not None:
        _write_values(found, out)
    seen = sum(one.seen for one in found)
    tell(
        f"labcalc {__version__}: {counted(len(found), 'printed value')}, {len(wrong)} differ; {seen} seen, "
        f"{len(found) - seen} from memory, {counted(len({one.source for one in found}), 'source')}."
    )
    return 1 if wrong else 0


def _write_values(found: Sequence[Comparison], out: Path) -> None:
    from importlib.metadata import version

    from labcalc.figures.markup import folded, html_table, note
    from labcalc.lab import present_moment

    def table(caption: str, columns: Sequence[str], rows: Iterable[Sequence[str]], numeric: tuple[int, ...]) -> str:
        return html_table(caption, columns, [[*map(escape, row)] for row in rows], numeric=numeric, stacked=True)

    made = f"{present_moment():%Y-%m-%d %H:%M (UTC%z)}"
    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    machine = f"labcalc {__version__}, Python {sys.version.split()[0]}, {libraries}, {platform()}."
    words = "A value agrees within half a unit of its last printed place, or as its source states."
    by_source: dict[str, list[Comparison]] = {}
    for one in found:
        by_source.setdefault(one.source, []).append(one)
    counts = [
        (source, *(str(sum(kind)) for kind in zip(*((1, not one.agrees, not one.seen) for one in of), strict=True)))
        for source, of in by_source.items()
    ]
    body = note(f"Made {made}.", machine, words).html + "<h2>Sources</h2>"
    body += table("By source", ("Source", "Values", "Differ", "From memory"), counts, (1, 2, 3)) + "<h2>Values</h2>"
    for source, of in by_source.items():
        rows = [(o.clause, o.formula, o.inputs, o.printed, o.computed, "yes" if o.agrees else "no") for o in of]
        columns = ("Place", "Formula", "Of", "Printed", "Here", "Agrees")
        body += folded(f"{source}: {len(of)}", table(source, columns, rows, (3, 4)))
    write_page(out, body, title="Verification", workbook="labcalc verify", number=made)
