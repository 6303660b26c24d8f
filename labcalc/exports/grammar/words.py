"""The words of headers, labcalc/data/header_words.csv: whole, abbreviated, or glued together."""

from __future__ import annotations

import unicodedata
from bisect import bisect_left
from functools import cache, lru_cache
from importlib.resources import files

Word = tuple[str, str]  # part of a header, and what the word says in it: ``("quantity", "density")``

LANGUAGES = ("en", "de", "fr", "es", "it", "pt", "nl", "sv", "pl")
LONGEST_PHRASE = 4
_LONGEST_WORD = 40
_SHORTEST_STEM = 3
_LINKS = ("", "s", "n", "en", "e")
"""What stands between the parts of a compound: Probennummer, Chargennummer, Viskositätswert."""
_LOOSE = ("filler", "format", "symbol", "unknown")  # parts that are in no compound: 'Runde' is no run
_MARKS = dict.fromkeys(range(0x300, 0x370)) | str.maketrans({"ł": "l", "ø": "o", "đ": "d", "æ": "ae"})


def folded(text: str) -> str:
    """Return the text without case and accents."""
    return unicodedata.normalize("NFKD", text.casefold()).translate(_MARKS)


@cache
def _words() -> dict[str, Word]:
    rows = [line.split(",", 3) for line in _lines()[1:]]
    said = {word: (part, meaning) for part, meaning, _, words in rows for word in folded(words).split("|")}
    umlauts = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
    german = [(part, meaning, words.casefold().translate(umlauts)) for part, meaning, of, words in rows if of == "de"]
    return said | {word: (part, meaning) for part, meaning, words in german for word in folded(words).split("|")}


def _lines() -> list[str]:
    text = files("labcalc.data").joinpath("header_words.csv").read_text("utf-8")
    return [line for line in text.splitlines() if not line.startswith("#")]


@cache
def _sorted() -> list[str]:
    return sorted(_words())


@lru_cache(maxsize=4096)
def word_of(word: str, is_abbreviated: bool = False) -> tuple[Word, ...]:
    """Return what a folded word or phrase says, more than one part where it is a compound; nothing if it is unknown."""
    if word in _words():
        return (_words()[word],)
    if len(word) > _LONGEST_WORD or " " in word:
        return ()
    return _compound(word) or (_abbreviated(word) if is_abbreviated else ())


def _compound(word: str, parts: int = 3) -> tuple[Word, ...]:
    """Return the parts of a compound, the longest first one that leaves words only."""
    if _in_compound(word):
        return (_words()[word],)
    for cut in range(len(word) - 2, 1, -1) if parts > 1 else ():
        if not _in_compound(word[:cut]):
            continue
        for link in _LINKS:
            rest = word[cut + len(link) :] if word.startswith(link, cut) else ""
            if found := _compound(rest, parts - 1):
                return (_words()[word[:cut]], *found)
    return ()


def _in_compound(word: str) -> bool:
    return len(word) > 1 and word in _words() and _words()[word][0] not in _LOOSE


def _abbreviated(stem: str) -> tuple[Word, ...]:
    """Return what all words with the stem say, if they say the same."""
    first = bisect_left(_sorted(), stem)
    said = set()
    for word in _sorted()[first:]:
        if not word.startswith(stem):
            break
        said |= {_words()[word]} if " " not in word else set()
    return tuple(said) if len(said) == 1 and len(stem) >= _SHORTEST_STEM else ()
