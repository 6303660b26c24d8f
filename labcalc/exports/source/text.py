"""Bytes → text. Marks at the start win, valid UTF-8 is UTF-8, a pattern of NULs means UTF-16, the rest is cp1252."""

import codecs
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

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
