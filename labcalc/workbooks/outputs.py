"""What cells put out → the body of a page: figures with caption and table, the summary taken out, nothing lost unseen.

No code stands in it. Before a page gets its name it is looked at: figures there, nothing from elsewhere, no path of
this machine.
"""

import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from html import escape, unescape
from pathlib import Path
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.figures.markup import html_table
from labcalc.workbooks.page import drawn_traces, inert_json

PLOTLY_MIME = "application/vnd.plotly.v1+json"
SUMMARY_MIME = "application/vnd.labcalc.summary+json"
_SHOWN = ("text/html", "image/svg+xml", "image/png", "image/jpeg", "text/markdown", "text/plain")
_COLOURS = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")  # of a terminal
_TAG = re.compile(r"""<([a-z][^\s/>]*)((?:"[^"]*"|'[^']*'|[^"'>]+)*+)>""", re.I)
_ATTRIBUTE = re.compile(r"""([^\s=/"'>]+)\s*=\s*("[^"]*"|'[^']*'|[^\s"'>]+)""")
_FETCHING = {"src", "href", "xlink:href", "srcset", "data", "poster", "action", "formaction", "background"}
_ADDRESS = re.compile(r"\s*(?:[a-z][a-z0-9+.-]*:)?//\S+", re.I)
_IN_STYLE = re.compile(r"""@import\b[^;]{0,200}|url\(\s*["']?\s*(?:[a-z][a-z0-9+.-]*:)?//[^)]+""", re.I)
_SCRIPTS = re.compile(r"(<script\b[^>]*>).*?(</script>)", re.I | re.S)
_STYLE = re.compile(r"<style\b[^>]*>(.*?)</style>", re.I | re.S)
_PRINTED = re.compile(r"<pre\b[^>]*>(.*?)</pre>", re.I | re.S)


@dataclass
class Shown:
    """What the page of a notebook shows."""

    summary: dict[str, Any] = field(default_factory=dict)
    figures: int = 0
    traces: set[str] = field(default_factory=set)
    look: Any = None  # of the first figure that has one


def ready_outputs(notebook: Any, name: str) -> Shown:
    """Turn the outputs of an executed notebook, in place, into what the page's template shows.

    WorkbookError: an output that a page can't show, or a figure without a caption or without its table.
    """
    shown = Shown()
    original = (cell for cell in notebook.cells if "injected-parameters" not in cell.metadata.get("tags", []))
    for number, cell in enumerate(original, start=1):
        if cell.cell_type == "code":
            place = f"{name}, cell {number}"
            cell.outputs = [ready for output in cell.outputs for ready in _ready(output, shown, place)]
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
    html, folded = _figure_html(shown, figure, str(caption), table), about.get("folded")
    return f'<details class="fold"><summary>{escape(folded)}</summary>{html}</details>' if folded else html


def _figure_html(shown: Shown, figure: Mapping[str, Any], caption: str, table: Mapping[str, Any]) -> str:
    number, height = shown.figures, int(figure.get("layout", {}).get("height") or 420)
    columns, rows = [str(one) for one in table["columns"]], table["rows"]
    numeric = tuple(i for i in range(len(columns)) if rows and all(_is_number(row[i]) for row in rows))
    cells = ([escape(str(value)) for value in row] for row in rows)
    numbers = html_table(f"Numbers of figure {number}", columns, cells, numeric=numeric)
    return (
        f'<figure aria-labelledby="figure-{number}-caption" id="figure-{number}">'
        f'<div class="drawing" data-figure="figure-{number}-data" style="height:{height}px"></div>'
        f'<script id="figure-{number}-data" type="application/json">{inert_json(_said_once(shown, figure))}</script>'
        f'<figcaption id="figure-{number}-caption"><b>Figure {number}.</b> {escape(caption)}</figcaption>'
        f'<details open=""><summary>Numbers of figure {number}</summary>{numbers}</details>'
        "</figure>"
    )


def _said_once(shown: Shown, figure: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is drawn; ``draw.js`` puts back the look of an earlier figure, and the x of an earlier series."""
    layout, data = dict(figure.get("layout", {})), []
    look = layout.get("template", {}).get("layout")
    if look and look == shown.look:
        layout["template"] = layout["template"] | {"layout": "shared"}
    shown.look = shown.look or look
    places: dict[str, int] = {}
    for number, trace in enumerate(figure.get("data", [])):
        first = places.setdefault(json.dumps(trace.get("x")), number)
        data.append(trace if first == number else trace | {"x": first})
    return {"data": data, "layout": layout}


def _is_number(value: object) -> bool:
    try:
        float(str(value).replace("−", "-").replace("\u202f", "").replace(" ", "") or "nan")
    except ValueError:
        return False
    return True


@lru_cache(maxsize=1)
def _markdown() -> Any:
    import mistune

    return mistune.create_markdown(escape=False, plugins=["strikethrough", "table", "url"])


def body_of(notebook: Any) -> str:
    """Return the body; a markdown cell tagged ``at-the-keyboard`` is for JupyterLab only."""
    pieces: list[str] = []
    for cell in notebook.cells:
        if cell.cell_type == "code":
            pieces += [_shown(output) for output in cell.outputs]
        elif cell.cell_type == "markdown" and "at-the-keyboard" not in cell.metadata.get("tags", []):
            pieces.append(_markdown()(cell.source))
    return "\n".join(pieces)


def _shown(output: Any) -> str:
    """Return an output as the best that a page can show of it, as HTML."""
    if output.output_type == "stream":
        return _printed(output.text, " warning" if output.name == "stderr" else "")
    data = output.get("data", {})
    alt = escape(data.get("text/plain", "Picture"))
    if "text/html" in data:
        return str(data["text/html"])
    if "image/svg+xml" in data:
        return f'<div role="img" aria-label="{alt}">{data["image/svg+xml"]}</div>'
    for kind in ("image/png", "image/jpeg"):
        if kind in data:
            return f'<img alt="{alt}" src="data:{kind};base64,{"".join(data[kind].split())}">'
    return _markdown()(data["text/markdown"]) if "text/markdown" in data else _printed(data.get("text/plain", ""))


def _printed(text: str, more: str = "") -> str:
    return f'<pre class="printed{more}">{escape(_COLOURS.sub("", text))}</pre>'


def check_page(page: str, shown: Shown, *, name: str, paths: Iterable[str]) -> None:
    """Refuse a page, without its drawing script, in which something is missing or too much: WorkbookError.

    Looked at is markup, and what cells print: a remark in an export may read like an address or a path. ``paths`` are
    folders that must not be named.
    """
    there = page.count('<div class="drawing"')
    if there != shown.figures:
        raise WorkbookError(f"{name}: the notebook made {shown.figures} figures, the page has {there}")
    if (odd := shown.traces - {"bar", "scatter"}) and (unknown := sorted(odd - drawn_traces())):
        raise WorkbookError(f"{name}: the drawing script doesn't know figures of type {', '.join(unknown)}")
    attributes = list(_attributes(page))
    if elsewhere := next(_from_elsewhere(page, attributes), ""):
        raise WorkbookError(f"{name}: the page would fetch something from elsewhere: {elsewhere[:120]}")
    text = "\n".join((*(value for _, _, value in attributes), *map(unescape, _PRINTED.findall(page))))
    named = "|".join(map(re.escape, paths))
    if named and (found := re.search(rf"(?<![\w+/=.-])(?:{named})(?![\w+=.-])", text)):
        around = text[found.start() : found.end() + 60].split("\n")[0]
        raise WorkbookError(f"{name}: the page names a folder of this machine: {around}")


def _attributes(page: str) -> Iterator[tuple[str, str, str]]:
    """Yield tag, name and value of every attribute; what stands inside scripts is no markup."""
    for tag, inside in _TAG.findall(_SCRIPTS.sub(r"\1\2", page)):
        for attribute, value in _ATTRIBUTE.findall(inside):
            yield tag.lower(), attribute.lower(), unescape(value.strip(value[0]) if value[0] in "'\"" else value)


def _from_elsewhere(page: str, attributes: Iterable[tuple[str, str, str]]) -> Iterator[str]:
    styles = _STYLE.findall(page)
    for tag, attribute, value in attributes:
        if attribute == "style":
            styles.append(value)
        elif attribute in _FETCHING and tag != "a" and _ADDRESS.match(value):
            yield f"<{tag} {attribute}={value}"
    yield from (found[0] for style in styles for found in _IN_STYLE.finditer(style))


def machine_paths(*others: Path | str) -> tuple[str, ...]:
    """Return the folders that no report may name: home, working folder, temporary folder, and others."""
    folders = [Path.home(), Path.cwd(), Path(tempfile.gettempdir()), *map(Path, others)]
    return tuple(sorted({str(folder) for folder in folders if folder != Path(folder.anchor)}))
