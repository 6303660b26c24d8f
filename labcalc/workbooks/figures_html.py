"""Outputs made ready for a page: figures with caption and table, the summary taken out, nothing lost unseen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.workbooks.page import inert_json

PLOTLY_MIME = "application/vnd.plotly.v1+json"
SUMMARY_MIME = "application/vnd.labcalc.summary+json"
_SHOWN = ("text/html", "image/svg+xml", "image/png", "image/jpeg", "text/markdown", "text/plain")


@dataclass
class Shown:
    """What the page of a notebook shows."""

    summary: dict[str, Any] = field(default_factory=dict)
    figures: int = 0
    traces: set[str] = field(default_factory=set)


def ready_outputs(notebook: Any, name: str) -> Shown:
    """Turn the outputs of an executed notebook, in place, into what the page's template shows.

    notebook : The executed notebook.
    name : Its file name, for messages.
    Returns : The summary, the number of figures, and the types of their traces.
    Raises WorkbookError : An output that a page can't show, or a figure without a caption or without its table.
    """
    shown = Shown()
    original = (cell for cell in notebook.cells if "injected-parameters" not in cell.metadata.get("tags", []))
    for number, cell in enumerate(original, start=1):
        if cell.cell_type == "code":
            cell.outputs = [
                ready for output in cell.outputs for ready in _ready(output, shown, f"{name}, cell {number}")
            ]
    return shown


def _ready(output: Any, shown: Shown, place: str) -> list[Any]:
    if output.output_type not in ("display_data", "execute_result"):
        return [output]
    data = output.data
    if SUMMARY_MIME in data:
        shown.summary.update(data[SUMMARY_MIME])
        return []
    html = _figure(output, shown, place) if PLOTLY_MIME in data else None
    if html is None and "application/vnd.jupyter.widget-view+json" in data:
        raise WorkbookError(f"{place}: shows a panel of controls, and a report has none; show a figure")
    if html is None and not any(kind in data for kind in _SHOWN):
        raise WorkbookError(f"{place}: puts out {', '.join(sorted(data)) or 'nothing'}, which a page can't show")
    output.output_type = "display_data"
    output.pop("execution_count", None)
    if html is not None:
        output.data, output.metadata = type(data)({"text/html": html}), type(data)()
    return [output]


def _figure(output: Any, shown: Shown, place: str) -> str:
    about = output.metadata.get("labcalc", {})
    caption, table = about.get("caption"), about.get("table")
    if not caption or not table or not table.get("columns"):
        raise WorkbookError(f"{place}: its figure has no caption or no table of its numbers")
    figure = output.data[PLOTLY_MIME]
    shown.figures += 1
    shown.traces.update(trace.get("type", "scatter") for trace in figure.get("data", []))
    html = _figure_html(shown.figures, figure, str(caption), table)
    folded = about.get("folded")
    return f'<details class="fold"><summary>{escape(folded)}</summary>{html}</details>' if folded else html


def _figure_html(number: int, figure: Mapping[str, Any], caption: str, table: Mapping[str, Any]) -> str:
    height = int(figure.get("layout", {}).get("height") or 420)
    drawing = {"data": figure.get("data", []), "layout": figure.get("layout", {})}
    return (
        f'<figure aria-labelledby="figure-{number}-caption" id="figure-{number}">'
        f'<div class="drawing" data-figure="figure-{number}-data" style="height:{height}px"></div>'
        f'<script id="figure-{number}-data" type="application/json">{inert_json(drawing)}</script>'
        f'<figcaption id="figure-{number}-caption"><b>Figure {number}.</b> {escape(caption)}</figcaption>'
        f'<details open=""><summary>Numbers of figure {number}</summary>{_table_html(number, table)}</details>'
        "</figure>"
    )


_FIRST_NUMERIC = (1, 2, 3)  # places of a first column of numbers for which page.css has a class of the whole table


def _table_html(number: int, table: Mapping[str, Any]) -> str:
    columns, rows = table["columns"], table["rows"]
    numeric = [all(_is_number(row[i]) for row in rows) and bool(rows) for i in range(len(columns))]
    first = numeric.index(True) if True in numeric else len(numeric)
    at_once = ""
    if all(numeric[first:]) and first in _FIRST_NUMERIC:  # a class a cell makes a fifth of a long table
        at_once, numeric = f' class="from-{first + 1}"', [False] * len(numeric)
    head = "".join(f'<th scope="col"{_css(numeric[i])}>{escape(str(c))}</th>' for i, c in enumerate(columns))
    body = "".join(f"<tr>{''.join(_cell(value, i, numeric[i]) for i, value in enumerate(row))}</tr>" for row in rows)
    return (
        f"<table{at_once}><caption>Numbers of figure {number}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def _cell(value: object, position: int, numeric: bool) -> str:
    tag, scope = ("th", ' scope="row"') if position == 0 else ("td", "")
    return f"<{tag}{scope}{_css(numeric)}>{escape(str(value))}</{tag}>"


def _css(numeric: bool) -> str:
    return ' class="num"' if numeric else ""


def _is_number(value: object) -> bool:
    try:
        float(str(value).replace("−", "-").replace("\u202f", "").replace(" ", "") or "nan")
    except ValueError:
        return False
    return True
