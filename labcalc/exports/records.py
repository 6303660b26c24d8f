"""Text → records: the cells of a line, the physical line on which it starts, and what is wrong with its making."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINE_END = re.compile(r"\r\n|\n|\r")
_BLANKS = {"blanks": re.compile(r"\s+"), "two blanks": re.compile(r"\s{2,}|\t")}
_LONGEST_QUOTED = 1000
"""Lines that one quoted cell may span; a mark that is not closed by then is never closed."""


@dataclass(slots=True)
class Record:
    """One record of an export."""

    line: int
    cells: list[str]
    flaw: str | None = None
    """What is wrong, and what was expected; ``{width}`` stands for the header's number of cells."""
    ended: bool = True
    """Whether an end of line stands behind it."""
    origins: Sequence[tuple[int, str] | None] | None = None
    """Line and column that each cell comes from, where the record is put together from several lines."""

    @property
    def is_blank(self) -> bool:
        """Whether no cell holds anything."""
        return self.flaw is None and not any(map(str.strip, self.cells))

    def fault(self, width: int) -> str | None:
        """Return what is wrong with the shape, for a header of so many cells, and what was expected."""
        count = len(self.cells)
        if self.flaw is not None:
            return self.flaw.replace("{width}", str(width))
        if count < width:
            cut = "" if self.ended else ", and the file ends within the line: it may be cut off"
            return f"the row ends here, with {count} cells; expected {width}{cut}"
        if count > width and any(map(str.strip, self.cells[width:])):
            return f"the row has {count} cells; expected {width}"
        return "the row is damaged (NUL characters); expected text" if any("\0" in one for one in self.cells) else None


def divided(text: str, delimiter: str, widths: Sequence[int] = ()) -> Iterator[Record]:
    """Yield the records of the text, divided by a character, ``blanks`` or ``two blanks``, at widths, or not at all."""
    if widths:
        return _cut(text, lambda line: _at_widths(line, widths))
    if blanks := _BLANKS.get(delimiter):
        return _cut(text, lambda line: blanks.split(line.strip()))
    return split(text, delimiter) if delimiter else _cut(text, lambda line: [line])


def _cut(text: str, cells: Callable[[str], list[str]]) -> Iterator[Record]:
    lines = _LINE_END.split(text)
    for number, line in enumerate(lines[:-1] if not lines[-1] else lines, 1):
        yield Record(number, cells(line), ended=number < len(lines))


def _at_widths(line: str, widths: Sequence[int]) -> list[str]:
    cells, at = list[str](), 0
    for width in widths:
        cells.append(line[at : at + width].strip())
        at += width
    return [*cells, line[at:]] if line[at:].strip() else cells


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
            flaw = "a quotation mark is not closed where its cell ends; expected a row of {width} cells"
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
