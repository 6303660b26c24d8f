"""Where in the text of lab.toml a key stands."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

HEADING = re.compile(r"\s*(\[\[?)\s*([\w-]+(?:\s*\.\s*[\w-]+)*)\s*\]\]?\s*(?:#.*)?$")
"""A line that begins a table, or one of several tables of that name."""

_KEY_LINE = re.compile(r"""\s*("[^"]*"|'[^']*'|[\w-]+)\s*=""")
_STEP = re.compile(r"""("[^"]*"|[^".\[]+)(?:\[(\d+)\])?""")
_LONG_TEXT = re.compile(r'"""[\s\S]*?"""|\'\'\'[\s\S]*?\'\'\'')


def line_of_key(text: str, key: str) -> int:
    """Return the line on which a key stands, such as ``product[2].limit[1].highest``.

    Parameters
    ----------
    text : str
        The content of lab.toml.
    key : str
        Path of the key as messages give it.

    Returns
    -------
    int
        From 1 on; of a key that is missing the line of the table that should hold it; 0 where that isn't found either.
    """
    lines = _LONG_TEXT.sub(lambda found: "\n" * found[0].count("\n"), text).split("\n")
    headings = list(_headings(lines))
    above = [(len(path), n) for path, n in headings if key == path or key.startswith(f"{path}.")]
    if not above:
        return 0
    length, start = max(above)
    end = min((n for _, n in headings if n > start), default=len(lines) + 1)
    return start + _in_table(lines[start : end - 1], key[length + 1 :])


def _headings(lines: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Yield the path of each table, numbered from 1 where there are several of a name, and its line."""
    numbers: dict[str, int] = {}
    for n, found in ((n, HEADING.match(line)) for n, line in enumerate(lines, 1)):
        if found is None:
            continue
        path = ""
        steps = [step.strip() for step in found[2].split(".")]
        for depth, step in enumerate(steps, 1):
            path += f".{step}" if path else step
            if depth == len(steps) and found[1] == "[[":
                numbers[path] = numbers.get(path, 0) + 1
            path += f"[{numbers[path]}]" if path in numbers else ""
        yield path, n


def _in_table(lines: Sequence[str], rest: str) -> int:
    """Return which of a table's lines holds the rest of a path; 0, its heading, where none does."""
    step = _STEP.match(rest)
    names = [(n, found[1].strip("\"'")) for n, line in enumerate(lines, 1) if (found := _KEY_LINE.match(line))]
    start = next((n for n, name in names if step is not None and name == step[1].strip('"')), 0)
    if not start or step is None or step[2] is None:
        return start
    end = min((n for n, _ in names if n > start), default=len(lines) + 1)
    braces = [n for n in range(start, end) for _ in range(lines[n - 1].count("{"))]
    place = int(step[2]) - 1
    return braces[place] if place < len(braces) else start
