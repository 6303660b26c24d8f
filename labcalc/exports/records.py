"""Text → records: the cells of a line, the physical line on which it starts, and what is wrong with its making."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINE_END = re.compile(r"\r\n|\n|\r")
_LONGEST_QUOTED = 1000
"""Lines that one quoted cell may span; a mark that is not closed by then is never closed."""


@dataclass(slots=True)
class Record:
    """One record of an export."""

    line: int
    cells: list[str]
    flaw: str | None = None
    ended: bool = True
    """Whether an end of line stands behind it."""


def split(text: str, delimiter: str) -> Iterator[Record]:
    """Yield the records of the text, blank ones too."""
    lines = _LINE_END.split(text)
    ends = _LINE_END.findall(text)
    ended = len(ends)
    at = 0
    while at < len(lines):
        if at == ended and not lines[at]:
            return
        if '"' not in lines[at]:
            yield Record(at + 1, lines[at].split(delimiter), ended=at < ended)
            at += 1
            continue
        cells, last = _quoted(lines, ends, at, delimiter)
        if cells is None:
            flaw = "a quotation mark is not closed where its cell ends"
            yield Record(at + 1, lines[at].split(delimiter), flaw, at < ended)
            at += 1
        else:
            yield Record(at + 1, cells, ended=last < ended)
            at = last + 1


def _quoted(lines: list[str], ends: list[str], at: int, delimiter: str) -> tuple[list[str] | None, int]:
    """Return the cells of a record with quotation marks and its last line; None where one is never closed."""
    cells: list[str] = []
    line, start, last = lines[at], 0, at
    while True:
        opening = start + len(line[start:]) - len(line[start:].lstrip(" "))
        if line[opening : opening + 1] != '"':
            stop = line.find(delimiter, start)
            cells.append(line[start:] if stop < 0 else line[start:stop])
        else:
            parts, begin = [], opening + 1
            while (close := _closing(line, begin)) < 0:
                if last + 1 >= len(lines) or last - at >= _LONGEST_QUOTED:
                    return None, at
                parts.append(line[begin:] + ends[last])
                last, begin = last + 1, 0
                line = lines[last]
            stop = line.find(delimiter, close + 1)
            rest = line[close + 1 :] if stop < 0 else line[close + 1 : stop]
            if rest.strip(" "):  # the mark belongs to another cell: this line's own was never closed
                return None, at
            cells.append("".join([*parts, line[begin:close]]).replace('""', '"'))
        if stop < 0:
            return cells, last
        start = stop + len(delimiter)


def _closing(line: str, begin: int) -> int:
    at = line.find('"', begin)
    while at >= 0 and line[at + 1 : at + 2] == '"':
        at = line.find('"', at + 2)
    return at
