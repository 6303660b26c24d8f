"""The sentences of pages in another language: a catalogue of the PO format, as translators' tools write it."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from io import StringIO
from pathlib import Path

from labcalc.wording import STEERING

PLACE = re.compile(r"\{(\d+)\}")
"""A place in a sentence where a number, a name or another sentence stands: {0}, {1}, …"""


@dataclass(frozen=True)
class Catalogue:
    """What a translator wrote: the language as HTML names it, and each translation by the English sentence."""

    language: str
    direction: str  # ``ltr`` or ``rtl``
    sentences: Mapping[str, str]  # empty where a sentence stays English


_LINE = re.compile(r'|#.*|(?:(?:msgid|msgid_plural|msgctxt|msgstr(?:\[\d\])?)\s*)?"(?:[^"\\]|\\[ntr"\\])*"')
_ENDING = re.compile(r"(?<=[^\W\d_])\{\d+\}(?!\w)")
FIXED = re.compile(r"\d+|[°%]|mm²/s|kg/m³|mPa·s|g/cm³|\b(?:API|ASTM|EN|GUM|ISO|JCGM|SAE)\b")
_LARGEST = 5_000_000  # bytes of a catalogue, [B]: five times those that there are sentences for


def read_translation(file: Path) -> str:
    """Return the text of a catalogue that can be used. ValueError: what is wrong with it, and where."""
    try:
        content = file.read_bytes()
        text = content.decode("utf-8-sig") if len(content) <= _LARGEST else ""
    except OSError as failure:
        raise ValueError(f"can't be read: {failure.strerror}") from failure
    except UnicodeDecodeError as failure:
        raise ValueError(f"line {content.count(bytes([10]), 0, failure.start) + 1}: not UTF-8") from failure
    if not text:
        raise ValueError(f"has {len(content)} bytes; a catalogue of 1 to {_LARGEST} is expected")
    catalogue_of(text)
    return text


@lru_cache(maxsize=2)
def catalogue_of(text: str) -> Catalogue:
    """Return what a PO file says; what is not translated yet, or marked as fuzzy, stays English.

    Raises ValueError : It is no PO file, names no language, or a translation hasn't the places, numbers, units and
        standards of its sentence: with the line.
    """
    from babel.messages.pofile import PoFileError, read_po

    for number, line in enumerate(text.splitlines(), start=1):
        if not _LINE.fullmatch(line.strip()):
            raise ValueError(f"line {number}: '{line.strip()[:60]}': msgid or msgstr with a quoted text was expected")
    try:
        found = read_po(StringIO(text), abort_invalid=True)  # whatever charset its head names
    except PoFileError as failure:
        raise ValueError(f"line {failure.lineno + 1}: {failure.args[0]}") from failure
    except ValueError as failure:  # a head that names no language of this world
        raise ValueError(f"its head: {failure}") from failure
    if found.locale is None:
        raise ValueError('its head names no language; a line such as "Language: de\\n" was expected')
    sentences: dict[str, str] = {}
    for one in (one for one in found if one.id):
        if not isinstance(one.id, str) or not isinstance(one.string, str):
            raise ValueError(f"line {one.lineno}: plural forms; sentences of pages have none")
        sentences[one.id] = "" if one.fuzzy else one.string.strip()
        if sentences[one.id] and (missing := _missing(one.id, one.string)):
            raise ValueError(f"line {one.lineno}: '{one.string}' was expected to hold {missing}")
    language = str(found.locale).replace("_", "-")
    return Catalogue(language, found.locale.text_direction, sentences)


def _missing(sentence: str, translation: str) -> str:
    """Return what a translation has to hold, and holds otherwise; an ending, as in run{1}, may go."""
    places, kept = set(PLACE.findall(_ENDING.sub("", sentence))), set(PLACE.findall(translation))
    if not places <= kept <= set(PLACE.findall(sentence)):
        return f"the places {', '.join(sorted(places)) or 'none'}"
    fixed = [sorted(FIXED.findall(PLACE.sub(" ", one))) for one in (sentence, translation)]
    if fixed[0] != fixed[1]:
        return f"its numbers, units and standards: {', '.join(fixed[0]) or 'none'}"
    return "no marks that steer a page" if STEERING.search(translation) else ""
