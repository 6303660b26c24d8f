"""Where in the text of lab.toml a key stands."""

from __future__ import annotations

import re

HEADING = re.compile(r"\s*\[\[?\s*([\w-]+(?:\s*\.\s*[\w-]+)*)\s*\]\]?\s*(?:#.*)?$")
"""A line that begins a table, or one of several tables of that name."""

_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[\w-]+)\s*=""")
_STEP = re.compile(r"""("[^"]*"|[^".\[]+)(?:\[(\d+)\])?""")
_LONG_TEXT = re.compile(r'"""[\s\S]*?"""|\'\'\'[\s\S]*?\'\'\'')


def line_of_key(text: str, key: str) -> int:
    """Return the line on which a key stands, such as ``product[2].limit[1].highest``.

    text : The content of lab.toml.
    key : Path of the key as messages give it.
    Returns : From 1 on; of a key that is missing the line of the table that should hold it; 0 where that isn't found
        either.
    """
    lines = _LONG_TEXT.sub(lambda found: "\n" * found[0].count("\n"), text).split("\n")
    headings = [re.sub(r"\s", "", found[1]) if (found := HEADING.match(line)) else "" for line in lines]
    keys = [found[1].strip("\"'") if (found := _KEY.match(line)) else "" for line in lines]
    path, at, end = "", -1, len(lines)
    for step, number in _STEP.findall(key):
        name, nth = step.strip('"'), int(number or 1)
        path = f"{path}.{name}" if path else name
        tables = [n for n in range(at + 1, end) if headings[n] == path]
        if len(tables) >= nth:
            at, end = tables[nth - 1], [*tables, end][nth]
            continue
        own = range(at + 1, next((n for n in range(at + 1, end) if headings[n]), end))
        if at < 0 or tables or name not in keys[own.start : own.stop]:
            break
        at = keys.index(name, own.start)
        end = next((n for n in range(at + 1, own.stop) if keys[n]), own.stop)
        inline = [n for n in range(at, end) for _ in range(lines[n].count("{"))]
        at = inline[nth - 1] if number and len(inline) >= nth else at
    return at + 1
