"""A page in another language: each of its texts is taken apart into the sentences of the catalogue it was made of.

A text is found again as it was put together: as a whole sentence, as a sentence with other texts in its places, or as
several of them one after another. Of the ways to take it apart the one that leaves the fewest letters English counts;
what no sentence explains, as names and what people wrote, stays as it is.
"""

import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from html import escape, unescape
from itertools import islice
from operator import itemgetter
from typing import Any, NamedTuple

from labcalc.lab.translation import PLACE, catalogue_of
from labcalc.workbooks.page import css_text, inert_json, keep_units
from labcalc.workbooks.sentences import MARKUP, WORD

_JOINTS = (". ", "; ", ": ", ", ", " (", ")", " · ", "? ", " and ", "\n")
_AROUND, _WITHIN = 0.5, 3.0
"""How many letters may stay English around a sentence and in its places, for each of its own: words that people wrote
hold words of ours too, and are no sentences of ours."""
_TOUCHED = re.compile(r"\w*\{\d+\}\w*")  # a place with the rest of its word
_FEW = re.compile(r"(?=.*\d)\S+(?: \S+){1,3}")  # few words, and a number among them
_NUMBERS = re.compile(r"[+−±]?\d[\d.]*(?:, [+−±]?\d[\d.]*)*")
_SHORT = 9  # letters of a sentence, such as {0} at {1}, that fits where it wasn't said
_SPACE = " \n\t"
_TRIES = 200  # ways to find the pieces of one sentence in a text
_CANDIDATES = 6  # sentences that one text is held against, those with the most letters first
_LONGEST, _DEEPEST = 4000, 10  # letters of a text that is taken apart, and how often its parts are
_PAGE = re.compile(
    r'(?P<before><script id="[^"]*" type="application/json">)(?P<figure>.*?)(?=</script>)'
    r"|<(?P<inert>script|style|code|pre)\b.*?</(?P=inert)>"
    r'|(?<=\s)(?P<name>title|alt|aria-label|data-label)="(?P<value>[^"]*)"'
    r"|(?<=>)(?P<text>[^<>]+)(?=<)",
    re.S,
)
_RUNNING = re.compile(r'(?<=@top-left { content: ")[^"]*')  # the head of each printed page, as ``css_text`` wrote it
_READ = {"text", "title", "name", "hovertemplate", "hovertext", "ticktext"}
"""Keys of a figure under which stands what people read."""


class _Sentence(NamedTuple):
    letters: int
    pieces: tuple[str, ...]  # text, place, text, place, …, text
    translation: str  # empty: it stays English, whatever stands in its places
    strict: bool  # whether no place may hold several things: its places are put in another order, or it is short

    def found_in(self, text: str) -> dict[str, str] | None:
        """Return what stands before it, in its places, and after it; None where the text doesn't hold it."""
        first, *others = self.pieces
        tries = iter(range(_TRIES))
        for at in _places_of(first, text, 0):
            starts = at == 0 or not (first[:1].isalnum() and text[at - 1].isalnum())
            if starts and not _in_a_number(text, at) and not _in_a_number(text, at + len(first)):
                found = self._rest(others, text, at + len(first), {"before": text[:at]}, tries)
                if found is not None:
                    return found
        return None

    def _rest(
        self, pieces: Sequence[str], text: str, end: int, parts: dict[str, str], tries: Iterator[int]
    ) -> dict[str, str] | None:
        """Return what is left to find, the nearest first; the same place holds the same wherever it is named."""
        if not pieces:
            inside_a_word = self.pieces[-1][-1:].isalnum() and text[end : end + 1].isalnum()
            return None if inside_a_word else {**parts, "after": text[end:]}
        place, piece, *others = pieces
        for at in _places_of(piece, text, end) if piece or others else (len(text),):
            held = text[end:at]
            if next(tries, None) is None:
                return None
            cut = _in_a_number(text, at) or _in_a_number(text, at + len(piece))
            if parts.get(place, held) == held and not cut:
                found = self._rest(others, text, at + len(piece), {**parts, place: held}, tries)
                if found is not None:
                    return found
        return None


def _places_of(piece: str, text: str, start: int) -> Iterator[int]:
    at = text.find(piece, start)
    while at >= 0:
        yield at
        at = text.find(piece, at + 1) if piece else -1


def _in_a_number(text: str, at: int) -> bool:
    """Tell whether a number goes on here: 0|.44, 0.|44, 4|4."""
    before, after = text[max(at - 2, 0) : at], text[at : at + 2]
    if before[-1:].isdigit():
        return after[:1].isdigit() or (after[:1] in tuple(".,") and after[1:].isdigit())
    return before[:1].isdigit() and before[1:] in tuple(".,") and after[:1].isdigit()


def translated(page: str, catalogue: str, names: Iterable[str] = ()) -> str:
    """Return a page of HTML in the language of a catalogue.

    page : The page, in English.
    catalogue : Text of a PO file.
    names : Names of people, things and places, which stay as they are.
    """
    found = catalogue_of(catalogue)
    kept = {name: name for name in names if WORD.search(name) and len(name) <= _LONGEST and not PLACE.search(name)}
    translator = _Translator({**kept, **found.sentences})

    def told(found: re.Match[str]) -> str:
        if figure := found["figure"]:
            return str(found["before"]) + inert_json(translator.figure(json.loads(figure)))
        if found["name"]:
            return f'{found["name"]}="{escape(translator.say(unescape(found["value"])))}"'
        return escape(translator.say(unescape(found["text"])), quote=False) if found["text"] else found[0]

    def headed(found: re.Match[str]) -> str:
        head = re.sub(r"\\([0-9a-f]+) ", lambda one: chr(int(one[1], 16)), found[0])
        return css_text(translator.say(head))

    turned = ' dir="rtl"' if catalogue_of(catalogue).direction == "rtl" else ""
    page = page.replace('<html lang="en">', f'<html lang="{catalogue_of(catalogue).language}"{turned}>', 1)
    return keep_units(_PAGE.sub(told, _RUNNING.sub(headed, page, count=1)))


class _Translator:
    """Says texts in the language of a catalogue; each is taken apart once."""

    def __init__(self, sentences: dict[str, str]) -> None:
        labels = {one[:-4]: said[:-4] for one, said in sentences.items() if one[-5:] == said[-5:] == ": {0}"}
        self._whole = {**labels, **sentences}
        self._known: dict[str, tuple[int, str]] = {}
        self._by_word: dict[str, list[_Sentence]] = defaultdict(list)
        apart = {one: set(WORD.findall(_TOUCHED.sub(" ", one))) for one in sentences}
        common = Counter(word for words in apart.values() for word in words)
        for sentence, translation in sentences.items():
            words = WORD.findall(PLACE.sub(" ", sentence))
            if len(words) > 1 or (words and PLACE.search(sentence)):
                letters, kept = sum(map(len, words)), PLACE.findall(translation) == PLACE.findall(sentence)
                one = _Sentence(letters, tuple(PLACE.split(sentence)), translation, letters < _SHORT or not kept)
                self._by_word[min(apart[sentence], key=common.__getitem__, default="")].append(one)

    def say(self, text: str) -> str:
        return self._best(text.replace("\u00a0", " "))[1] if WORD.search(text) else text

    def figure(self, value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {name: self.figure(one, name) for name, one in value.items()}
        if isinstance(value, list):
            return [self.figure(one, key) for one in value]
        if not isinstance(value, str) or key not in _READ:
            return value
        parts = MARKUP.split(value)
        return "".join(one if n % 2 else self.say(one) for n, one in enumerate(parts))

    def _best(self, text: str, depth: int = 0) -> tuple[int, str]:
        """Return how many letters were explained, and what is said for them."""
        if text in self._known:
            return self._known[text]
        found = self._taken_apart(text, depth)
        if depth < _DEEPEST:
            self._known[text] = found
        return found

    def _taken_apart(self, text: str, depth: int) -> tuple[int, str]:
        letters = _letters(text)
        for marks in (_SPACE, f"{_SPACE}.,;:()·"):
            inner = text.strip(marks)
            before, _, after = text.partition(inner) if inner else (text, "", "")
            turned = inner[:1].swapcase() + inner[1:]  # what begins a sentence here, and none there
            if inner in self._whole:
                return letters, before + (self._whole[inner] or inner) + after
            if turned in self._whole:
                said = self._whole[turned] or inner
                return letters, before + (said[:1].upper() + said[1:] if inner[:1].isupper() else said) + after
        best = (0, text)
        if letters and len(text) <= _LONGEST and depth < _DEEPEST:
            inner = text.strip(_SPACE)
            before, _, after = text.partition(inner)
            for number, said in self._ways(inner, depth):
                best = max(best, (number, before + said + after), key=itemgetter(0))
                if number >= letters:
                    break
        return best

    def _is_several(self, part: str) -> bool:
        """Tell whether what stands in a place may be more than one thing: no sentence, but with joints in it."""
        inner = part.strip()
        if inner in self._whole or _NUMBERS.fullmatch(inner):
            return False
        return not inner or any(joint in f"{part} " for joint in _JOINTS)

    def _ways(self, text: str, depth: int) -> Iterator[tuple[int, str]]:
        """Yield the ways to take a text apart: by sentences in it, with what stands around them, and at its joints."""
        near = [one for word in {"", *WORD.findall(text)} for one in self._by_word.get(word, ())]
        fitting = ((one, found) for one in sorted(near, key=_most_letters) if (found := one.found_in(text)))
        for one, found in islice(fitting, _CANDIDATES):
            parts = {name: self._best(part, depth + 1) for name, part in found.items()}
            left = {name: _letters(part) - parts[name][0] for name, part in found.items()}
            around = left.pop("before") + left.pop("after")
            if around > _AROUND * one.letters or sum(left.values()) > _WITHIN * one.letters:
                continue
            if one.strict and any(map(self._is_several, (found[place] for place in one.pieces[1::2]))):
                continue
            end = len(text) - len(found["after"])
            inside = PLACE.sub(lambda place, parts=parts: parts[place[1]][1], one.translation)  # type: ignore[misc]
            said = parts["before"][1] + (inside or text[len(found["before"]) : end]) + parts["after"][1]
            yield one.letters + sum(part[0] for part in parts.values()), said
        few = _FEW.fullmatch(text)  # such as 10 met, or limit ±0.16
        for joint in (one for one in (*_JOINTS, " ") if one in text and one != text and (few or one != " ")):
            pieces = [self._best(piece, depth + 1) for piece in text.split(joint)]
            yield sum(piece[0] for piece in pieces), joint.join(piece[1] for piece in pieces)


def _letters(text: str) -> int:
    return sum(map(len, WORD.findall(text)))


def _most_letters(one: _Sentence) -> tuple[int, tuple[str, ...]]:
    """Put the longest first, and those that are as long in one order, so that a page is the same every time."""
    return -one.letters, one.pieces
