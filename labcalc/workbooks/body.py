"""The HTML body of an executed notebook: its markdown and what its cells put out, no code."""

import re
from functools import lru_cache
from html import escape
from typing import Any

_COLOURS = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")  # of a terminal


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
