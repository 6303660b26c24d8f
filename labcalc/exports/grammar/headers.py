"""A header → its parts, in their order: unit, temperatures, method, words of labcalc/data/header_words.csv."""

import re
import unicodedata
from bisect import bisect_left
from collections.abc import Iterator
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any

from labcalc.exports.grammar.units import SIXTY_F, Unit, begins_unit, plain, unit_of

Word = tuple[str, str]  # part of a header, and what the word says in it: ``("quantity", "density")``
LANGUAGES = ("en", "de", "fr", "es", "it", "pt", "nl", "sv", "pl")
LONGEST_PHRASE = 4
_LONGEST_WORD = 40
_SHORTEST_STEM = 3
_LINKS = ("", "s", "n", "en", "e")  # between the parts of a compound: Probennummer, Chargennummer, Viskositätswert
_LOOSE = ("filler", "format", "symbol", "unknown")  # parts that are in no compound: 'Runde' is no run
_MARKS = dict.fromkeys(range(0x300, 0x370)) | str.maketrans({"ł": "l", "ø": "o", "đ": "d", "æ": "ae"})
Part = tuple[str, Any]  # kind of part, and what it says: ``("at", 40.0)``, ``("quantity", "density")``
LONGEST_HEADER = 200
_LONGEST_UNIT = 8  # in tokens: 'kg', 'm', '3' are three
_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)?|[%#°]")
_SPELLINGS = (
    (re.compile(r"\b(?:d|l|dell|all|dall|nell)['’´]", re.IGNORECASE), " "),  # d'essai
    (re.compile(r"\bn\s?\.?\s?°", re.IGNORECASE), "no "),  # n°
    (re.compile(r"(?<=\d)\s?o(?=[CF]\b)"), "°"),  # 40oC
    (re.compile(r"(?<=\b[1-9])(?:st|nd|rd|th)\b"), " "),  # 2nd
    (re.compile(r"\bk\s?=\s?\d(?:[.,]\d)?"), " "),  # (k=2)
)
_METHOD = re.compile(
    r"(?:(?P<d>ASTM[ -]?D?|D)[ -]?|(?P<ip>IP)[ -]?|(?:(?:DIN|EN|ISO|NF|BS|UNE|UNI|PN|NEN|SS|GOST|JIS)[ /-]?){1,4}"
    r"(?:T[ -]?)?(?=\d{3}))(?P<number>\d{2,6})(?:-\d|:\d{4})?(?![\w-])",
    re.IGNORECASE,
)
_PAIR = re.compile(r"(\d\d?)(?:[.,]0)?\s?°?\s?([CF]?)\s?/\s?(\d\d?)(?:[.,]0)?\s?°?\s?([CF]?)(?!\w)")
_GOES_ON = re.compile(r"[^\W_]|[\^·⋅*]|/[^\W\d]")  # what makes another unit of one: mm²/s², kg/m³/K
_Tokens = list[re.Match[str]]
_Found = tuple[list[Part], int] | None  # parts that were read, and the next token


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
            if found := _compound(word[cut + len(link) :] if word.startswith(link, cut) else "", parts - 1):
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


def parts_of(header: str) -> Iterator[Part]:
    """Yield the parts of the first 200 characters of a header."""
    text = plain(header[:LONGEST_HEADER])
    for pattern, instead in _SPELLINGS:
        text = pattern.sub(instead, text)
    tokens = list(_TOKEN.finditer(text))
    at = 0
    while at < len(tokens):
        found = _method(text, tokens, at) or _figure(text, tokens, at) or _unit(text, tokens, at) or _word(tokens, at)
        parts, at = found or ([("unknown", tokens[at][0])], at + 1)
        yield from parts


def _next(tokens: _Tokens, at: int, end: int) -> int:
    return next((later for later in range(at + 1, len(tokens)) if tokens[later].start() >= end), len(tokens))


def _method(text: str, tokens: _Tokens, at: int) -> _Found:
    found = _METHOD.match(text, tokens[at].start())
    if found is None:
        return None
    known = word_of(f"{'d' if found['d'] else 'ip' if found['ip'] else ''}{found['number']}")
    if (found["d"] or "").upper() == "D" and not known:  # D100: a density
        return None
    return [("method", found[0]), *known], _next(tokens, at, found.end())


def _figure(text: str, tokens: _Tokens, at: int) -> _Found:
    """Read a temperature, a pair of them, or a bare figure."""
    start, end = tokens[at].span()
    if not text[start].isdecimal():
        return None
    if pair := _PAIR.match(text, start):
        return [_pair(pair)], _next(tokens, at, pair.end())
    is_signed = text[start - 1 : start] == "-"
    if is_signed and text[start - 2 : start - 1].isalnum():  # KV-40 °C: a dash or a sign?
        return [("unknown", text[start:end])], at + 1
    value = float(tokens[at][0].replace(",", ".")) * (-1.0 if is_signed else 1.0)
    if at + 1 < len(tokens) and not text[end : tokens[at + 1].start()].strip():
        written, after = _longest_unit(text, tokens, at + 1)
        unit = unit_of(written)
        if unit is not None and unit.kind == "temperature":
            return [("at", _celsius(value, unit))], after
        if tokens[at + 1][0] == "°":
            return [("at", value)], at + 2
    return [("figure", value)], at + 1


def _celsius(value: float, unit: Unit) -> float:
    return round(value * unit.factor + unit.offset, 9)


def _pair(found: re.Match[str]) -> Part:
    """Return the temperatures of a relative density and of its water; there is no water at 4 °F or 20 °F."""
    one, other = int(found[1]), int(found[3])
    letters = {found[2], found[4]} - {""}
    if not letters and one == other == 60:  # in °F in all standards of the trade: ASTM D1298, API MPMS 11.1
        return "pair", (SIXTY_F, SIXTY_F)
    if not letters and max(one, other) < 32:
        letters = {"C"}
    unit = unit_of(letters.pop()) if len(letters) == 1 else None
    return ("unknown", found[0]) if unit is None else ("pair", (_celsius(one, unit), _celsius(other, unit)))


def _longest_unit(text: str, tokens: _Tokens, at: int) -> tuple[str, int]:
    for after in range(min(at + _LONGEST_UNIT, len(tokens)) if begins_unit(tokens[at][0]) else at, at, -1):
        start, end = tokens[at].start(), tokens[after - 1].end()
        opened = text.count("(", start, end) - text.count(")", start, end)
        end += opened == 1 and text[end : end + 1] == ")"
        written = text[start:end]
        balanced = written.count("(") == written.count(")") and not set("[]{}<>") & set(written)
        if balanced and unit_of(written) and not _GOES_ON.match(text, end):
            return written, after
    return "", at


def _unit(text: str, tokens: _Tokens, at: int) -> _Found:
    written, after = _longest_unit(text, tokens, at)
    is_unit = len(written) > 1 or (written and _stands_alone(text, tokens, at))
    return ([("unit", written)], after) if is_unit else None


def _stands_alone(text: str, tokens: _Tokens, at: int) -> bool:
    """Tell whether a letter is set off as a unit is, as in 'T / K', 'temp_C' and 'Temp C', not in '1/K'."""
    before, after = text[: tokens[at].start()].rstrip()[-1:], text[tokens[at].end() :].lstrip()[:1]
    last = tokens[at - 1][0] if at else ""
    is_set_off = before in tuple("/,;([{<|_") or word_of(folded(last)) == (("quantity", "temperature"),)
    return is_set_off and after in ("", *")]}>,;|/") and (last, before) != ("1", "/")


def _word(tokens: _Tokens, at: int) -> _Found:
    """Read the longest phrase of words."""
    for count in range(min(LONGEST_PHRASE, len(tokens) - at), 0, -1):
        words = [folded(token[0]) for token in tokens[at : at + count]]
        last = tokens[at + count - 1]
        found = word_of(" ".join(words), count == 1 and last.string[last.end() : last.end() + 1] == ".")
        if not found and count > 1 and all(len(word) == 1 for word in words):  # S.G.
            found = word_of("".join(words))
        if found:
            return [part for word in found for part in _split(*word)], at + count
    return None


def _split(part: str, what: str) -> list[Part]:
    nature, _, quantity = what.rpartition(" ")
    return [("nature", nature), (part, quantity)] if part == "quantity" and nature else [(part, what)]
