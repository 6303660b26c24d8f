"""Bytes → text → records: the cells of a line, the line on which it starts, what is wrong with its making."""

import codecs
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.errors import ExportError

_UTF_16 = dict.fromkeys((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE), ("utf-16", "UTF-16"))
_MARKS = {codecs.BOM_UTF8: ("utf-8-sig", "UTF-8"), **_UTF_16}
_BINARY = (b"\x89PNG", b"PK\3\4", b"PK\5\6", b"%PDF", b"GIF8", b"\xff\xd8\xff", b"\xd0\xcf\x11\xe0", b"\x1f\x8b")
_NUL_SHARE = 0.2  # at least this share of the bytes is NUL in UTF-16 text that is mostly Latin letters and figures
_CONTROL_SHARE = 0.05  # more control characters than this are no text
_CONTROLS = bytes({*range(32)} - {*b"\t\n\f\r"})
_SOMETHING = re.compile(r"[^\0 \t\r\n\ufeff]")
_AT_ONCE = 1 << 20
_EXPECTED = "expected a run export as text (.csv, .txt, .tsv) or a workbook (.xlsx)"
_LONGEST_SHOWN = 60
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINE_END = re.compile(r"\r\n|\n|\r")
_BLANKS = {"blanks": re.compile(r"\s+"), "two blanks": re.compile(r"\s{2,}|\t")}
_LONGEST_QUOTED = 1000  # lines that one quoted cell may span; a mark that is not closed by then is never closed
_BLOCK, _WORTHWHILE = 1 << 20, 1 << 15  # characters of a block, and how many of them must be left for one
_OPEN = "a quotation mark is not closed where its cell ends; expected a row of {width} cells"
_DAMAGED = "the row is damaged (NUL characters); expected text"
_AS_TEXTS: dict[str, Any] = {"header": None, "dtype": object, "na_filter": False, "skip_blank_lines": False}


class ContentError(ExportError):
    """An export that can't be read at all, said before its name is known: ``naming`` puts it beside."""

    def __init__(self, problem: str) -> None:
        super().__init__("", problem)


@contextmanager
def naming(file: str) -> Iterator[None]:
    """Name the file in what is raised of its content."""
    try:
        yield
    except ContentError as failure:
        raise ExportError(file, failure.problem) from None


def decode(data: bytes, encoding: str | None = None) -> tuple[str, str]:
    """Return the text and the name of its encoding; raise ContentError for what is empty or no text."""
    if not data or data.isspace():
        raise ContentError(f"the file is empty; {_EXPECTED}")
    if data.startswith(_BINARY):
        raise ContentError(f"the file is not text; {_EXPECTED}")
    text, name = _decoded(data, encoding)
    text = text.removeprefix("\ufeff")
    if not _SOMETHING.search(text):
        raise ContentError(f"the file is empty; {_EXPECTED}")
    if _controls(text) > _CONTROL_SHARE * len(text):
        raise ContentError(f"the file is not text; {_EXPECTED}")
    return text, name


def _controls(text: str) -> int:
    """Return the number of control characters; some text at a time, so that no copy of it all is made."""
    parts = (text[at : at + _AT_ONCE].encode("utf-8", "surrogatepass") for at in range(0, len(text), _AT_ONCE))
    return sum(len(part) - len(part.translate(None, _CONTROLS)) for part in parts)


def _decoded(data: bytes, said: str | None) -> tuple[str, str]:
    candidates = [one for mark, one in _MARKS.items() if data.startswith(mark)]
    if said:
        candidates, problem = [(said, said)], f"the text is not in {said}; expected what profile.encoding says"
    elif candidates:
        problem = f"the text is damaged or cut off; it begins as {candidates[0][1]}"
    else:
        candidates = [("utf-8", "UTF-8"), ("cp1252", "cp1252")]
        even, odd = (data[::2].count(0), data[1::2].count(0)) if b"\0" in data else (0, 0)
        if even + odd >= _NUL_SHARE * len(data):
            candidates = [("utf-16-le", "UTF-16 LE")] if odd > even else [("utf-16-be", "UTF-16 BE")]
        problem = "the text is in none of UTF-8, UTF-16 and cp1252; profile.encoding in lab.toml says which"
    for encoding, name in candidates:
        with suppress(UnicodeError, LookupError):
            return data.decode(encoding), name
    raise ContentError(problem)


def name_of(path: Path) -> str:
    """Return the name of a file as text: what of it isn't UTF-8 is written as ``\\xff``."""
    return os.fsencode(path.name).decode("utf-8", "backslashreplace")


def shown(value: str) -> str:
    """Return a cell for a message: control characters escaped, shortened to about 60 characters."""
    text = value[: _LONGEST_SHOWN + 1]
    if not text.isprintable():
        text = "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"


@dataclass(slots=True)
class Record:
    """One record of an export."""

    line: int
    cells: list[str]
    flaw: str | None = None  # what is wrong, and what was expected; ``{width}`` stands for the header's number of cells
    ended: bool = True  # whether an end of line stands behind it
    origins: Sequence[tuple[int, str] | None] | None = None  # line and column of each cell put together
    sheet: str = ""  # the sheet that it stands in, where several are read

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
        return None


def divided(text: str, delimiter: str, widths: Sequence[int] = ()) -> Iterator[Record]:
    """Yield the records of the text, divided by a character, ``blanks`` or ``two blanks``, at widths, or not at all."""
    if widths:
        return _cut(text, lambda line: _at_widths(line, widths))
    if blanks := _BLANKS.get(delimiter):
        return _cut(text, lambda line: blanks.split(line.strip()))
    return Text(text, delimiter) if delimiter else _cut(text, lambda line: [line])


def _cut(text: str, cells: Callable[[str], list[str]]) -> Iterator[Record]:
    lines = _LINE_END.split(text)
    for number, line in enumerate(lines[:-1] if not lines[-1] else lines, 1):
        yield Record(number, cells(line), _DAMAGED if "\0" in line else None, number < len(lines))


def _at_widths(line: str, widths: Sequence[int]) -> list[str]:
    cells, at = list[str](), 0
    for width in widths:
        cells.append(line[at : at + width].strip())
        at += width
    return [*cells, line[at:]] if line[at:].strip() else cells


@dataclass(frozen=True)
class Block:
    """Many records at once, all of one width and none with a flaw: the line of the first, and the columns."""

    line: int
    columns: list[NDArray[np.object_]]

    def records(self) -> Iterator[Record]:
        """Yield them one by one."""
        for line, cells in enumerate(zip(*self.columns, strict=True), self.line):
            yield Record(line, list(cells))


class Text(Iterator[Record]):
    """The records of a text, blank ones too, or the next of them as a block."""

    def __init__(self, text: str, delimiter: str) -> None:
        self._text, self._delimiter = text, delimiter
        self._at, self._number, self._tried = 0, 1, 0
        self._mark = "\n" if "\n" in text else "\r"
        end = rf"[^\n\r{re.escape(delimiter)}]"
        self._whole = re.compile(rf'(?<!{end})(?:\0|"[^"\n\r]*")(?!{end})')  # a cell in quotation marks; NUL: two

    def __next__(self) -> Record:
        if self._at == len(self._text):
            raise StopIteration
        number, (line, end, after) = self._number, self._line(self._at)
        cells, flaw, lines = line.split(self._delimiter), _DAMAGED if "\0" in line else None, 1
        if '"' in line:
            quoted = self._quoted()
            if quoted is None:
                flaw = _OPEN
            else:
                cells, lines, end, after = quoted
                flaw = _DAMAGED if any("\0" in cell for cell in cells) else None
        self._at, self._number = after, number + lines
        return Record(number, cells, flaw, bool(end))

    def block(self, width: int) -> Block | None:
        """Return the records of the next million characters, without going there; None if they don't make a block."""
        if self._at < self._tried or len(self._text) - self._at < _WORTHWHILE:
            return None
        self._tried = self._text.find(self._mark, self._at + _BLOCK) + 1 or len(self._text)
        text = self._text[self._at : self._tried]
        if "\0" in text or text.startswith("\ufeff") or not self._delimiter.isascii():
            return None
        bare = text if '"' not in text else self._whole.sub("", text.replace('""', "\0"))
        if '"' in bare or "\0" in bare:
            return None
        columns = _columns(text, self._delimiter)
        if len(columns) != width or bare.count(self._delimiter) != (width - 1) * len(columns[0]):
            return None
        return Block(self._number, columns)

    def take(self, block: Block) -> Block:
        """Go to the end of the block."""
        self._at, self._number = self._tried, self._number + len(block.columns[0])
        return block

    def _line(self, at: int) -> tuple[str, str, int]:
        """Return the line that begins there, what ends it (nothing, if the text does), and where the next begins."""
        end = _LINE_END.search(self._text, at)
        return (self._text[at : end.start()], end[0], end.end()) if end else (self._text[at:], "", len(self._text))

    def _quoted(self) -> tuple[list[str], int, str, int] | None:
        """Return cells, lines, end and what is behind a record with quotation marks; None if one is never closed."""
        cells: list[str] = []
        (line, end, after), start, lines = self._line(self._at), 0, 1
        while True:
            opening = start
            while line.startswith(" ", opening):
                opening += 1
            if not line.startswith('"', opening):
                stop = line.find(self._delimiter, start)
                cells.append(line[start:] if stop < 0 else line[start:stop])
            else:
                parts, begin = [], opening + 1
                while (close := _closing(line, begin)) < 0:
                    if after == len(self._text) or lines > _LONGEST_QUOTED:
                        return None
                    parts.append(line[begin:] + end)
                    line, end, after = self._line(after)
                    lines, begin = lines + 1, 0
                stop = line.find(self._delimiter, close + 1)
                rest = line[close + 1 :] if stop < 0 else line[close + 1 : stop]
                if rest.strip(" "):  # the mark belongs to another cell: this line's own was never closed
                    return None
                cells.append("".join([*parts, line[begin:close]]).replace('""', '"'))
            if stop < 0:
                return cells, lines, end, after
            start = stop + len(self._delimiter)


def _closing(line: str, begin: int) -> int:
    at = line.find('"', begin)
    while at >= 0 and line[at + 1 : at + 2] == '"':
        at = line.find('"', at + 2)
    return at


def _columns(text: str, delimiter: str) -> list[Any]:
    """Return the columns of lines; none if one is longer than the first, or all are blank."""
    try:
        table = pd.read_csv(StringIO(text), sep=delimiter, engine="c", low_memory=False, **_AS_TEXTS)
    except (pd.errors.ParserError, pd.errors.EmptyDataError):
        return []
    return [table[name].to_numpy() for name in table]
