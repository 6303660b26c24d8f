"""What every report needs, done once before processes are forked: imports, and what libraries set up at first use."""

from __future__ import annotations

import ast
import importlib
import json
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import lru_cache
from typing import Any

from labcalc.workbooks.body import body_of
from labcalc.workbooks.lean import keep_imports_short
from labcalc.workbooks.scripts import Scripts

__all__ = ["warm_up"]

_SHARED = frozenset({"labcalc", "numpy", "pandas", "plotly", "scipy"})
"""Libraries that are imported once, before the reports' processes part."""


_AT_FIRST_USE = (
    "IPython.core.completer",
    "IPython.core.completerlib",
    "IPython.core.logger",
    "IPython.core.magics",
    "IPython.core.oinspect",
    "labcalc.workbooks.checks",
    "labcalc.workbooks.figures_html",
    "plotly.io._renderers",
)
"""Modules that a shell, a figure or a page would import at its first use, in every report anew."""


def warm_up(notebooks: Iterable[str]) -> None:
    """Do once what every report needs, so that forked processes find it done.

    Parameters
    ----------
    notebooks : iterable of str
        Texts of the notebooks; what they import of the scientific libraries and of labcalc is imported.
    """
    _import_engine()
    for module in sorted({module for text in notebooks for module in _imported(text)}):
        with suppress(ImportError):  # the notebook says so itself, in the process where it runs
            importlib.import_module(module)


@lru_cache(maxsize=1)
def _import_engine() -> None:
    keep_imports_short()
    import nbformat
    import papermill  # noqa: F401
    import plotly.graph_objects as go

    from labcalc.workbooks.engine import LabcalcEngine  # noqa: F401
    from labcalc.workbooks.page import lay_out
    from labcalc.workbooks.scripts import drawn_traces

    for module in _AT_FIRST_USE:
        importlib.import_module(module)
    _draw_once(go)
    drawn_traces()
    cells = [nbformat.v4.new_markdown_cell("# One"), nbformat.v4.new_code_cell("")]
    cells[1].outputs = [nbformat.v4.new_output("stream", name="stdout", text="one")]
    lay_out(body_of(nbformat.v4.new_notebook(cells=cells)), title="", workbook="", figures=0, scripts=Scripts.BESIDE)


def _draw_once(go: Any) -> None:
    """Let plotly set up its checks of what figures are made of; it does so at the first use of each."""
    import pandas as pd

    line, font = {"color": "#000000", "width": 1.0, "dash": "dot"}, {"family": "serif", "size": 12, "color": "#000000"}
    axis = {"title": {"text": "", "standoff": 8}, "range": [0.0, 1.0], "tickvals": [0.0], "ticktext": ["0"]}
    look = {
        "font": font,
        "margin": {"l": 1},
        "legend": {"orientation": "h"},
        "xaxis": axis,
        "yaxis": axis,
        "yaxis2": axis,
    }
    figure = go.Figure(layout={"template": "none", **look})
    column = pd.Series([0.0, 1.0])
    for x in (column, column.to_numpy(), column.astype(str)):
        figure.add_scatter(
            x=x, y=column, line=line, marker={"symbol": "circle", "line": line}, customdata=[[0.0], [1.0]]
        )
    figure.add_shape(type="rect", x0=0, x1=1, y0=0, y1=1, line=line)
    figure.add_annotation(x=0.0, y=0.0, text="", font=font)
    figure.to_json()


def _imported(notebook: str) -> Iterator[str]:
    """Name the modules that a notebook imports, those that are sure to be the same for every report."""
    with suppress(ValueError):
        for cell in json.loads(notebook).get("cells", []):
            with suppress(SyntaxError):  # a magic command
                for node in ast.walk(ast.parse("".join(cell.get("source", "")))):
                    for name in _names(node):
                        if name.split(".")[0] in _SHARED:
                            yield name


def _names(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module:
        return [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
    return []
