"""Lines over others that say what these are: one that stands alone, '40 °C', 'Sample: X', or another header."""

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from labcalc.exports.arranging.flat import NOT_TAKEN, Flat, meaning_at, measure
from labcalc.exports.arranging.footers import is_rule
from labcalc.exports.arranging.names import key_and_value
from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import meaning_of
from labcalc.exports.profile import Column
from labcalc.exports.source.records import Record
from labcalc.exports.source.text import shown

_FROM_FIGURE = re.compile(r"[+\-−]?\d.*", re.DOTALL)
_Above = tuple[str, Unit | None]  # header and unit of a column


class Sections:
    """Heads of sections as they come, each with its line; ``kinds``: what they say, the outer before the inner."""

    def __init__(self, kinds: tuple[str, ...], columns: Mapping[str, Column]) -> None:
        self.kinds, self._columns = kinds, columns
        self._lines: list[int] = [0]
        self._said: list[dict[str, str]] = [{}]

    def without_heads(self, records: Iterable[Record], may_be_bare: bool = True) -> Iterable[Record]:
        """Return the records that are no heads; ``may_be_bare``: whether a mere text is one."""
        return self._without(records, may_be_bare) if self.kinds else records

    def _without(self, records: Iterable[Record], may_be_bare: bool) -> Iterator[Record]:
        for record in records:
            kind, value = self.head(record, may_be_bare)
            if not kind:
                yield record
                continue
            outer = self.kinds[: self.kinds.index(kind)]
            self._lines.append(record.line)
            self._said.append({one: text for one, text in self._said[-1].items() if one in outer} | {kind: value})

    def over(self, record: Record) -> list[str]:
        """Return what the sections say of a record, a text for each kind."""
        said = self._said[bisect_right(self._lines, record.line) - 1]
        return [said.get(kind, "") for kind in self.kinds]

    def head(self, record: Record, may_be_bare: bool) -> tuple[str, str]:
        """Return what a line says that stands alone; nothing where it says nothing, or doesn't stand alone."""
        filled = [cell.strip() for cell in record.cells if cell.strip()]
        is_alone = len(filled) == 1 or (len(filled) == 2 and filled[0].endswith((":", "=")))
        if record.flaw or not is_alone or is_rule(record):
            return "", ""
        key, value = key_and_value(record.cells)
        meaning = meaning_at(key, self._columns.get(key)) if value else None
        if meaning is not None and meaning.holds in self.kinds and meaning.holds != "temperature":
            return meaning.holds, value
        figure = _FROM_FIGURE.search(filled[-1])
        found = measure(figure[0]) if figure else None
        unit = unit_of(found[1]) if found else None
        if figure and unit and unit.kind == "temperature" and "temperature" in self.kinds:
            return "temperature", figure[0]
        texts = [kind for kind in self.kinds if kind != "temperature"]
        is_bare = may_be_bare and len(filled) == len(texts) == 1 and not value
        return (texts[0], filled[0]) if is_bare else ("", "")


def is_other_header(texts: Iterable[tuple[_Above, str]]) -> bool:
    """Tell whether the texts of a line, none of them a figure, are names of columns, and others than those above."""
    known = others = 0
    for above, text in texts:
        if not text:
            continue
        if text.lower() == text.upper() or measure(text):
            return False
        meaning = None if unit_of(text) else meaning_of(text)
        known += text == above[0] or (meaning is not None and meaning.holds not in NOT_TAKEN)
        others += not _is_as(above, text)
    return known > 1 and others > 0


def other_header(words: str, line: int) -> str:
    """Return in words that a line is another header than that in a line."""
    return (
        f"'{shown(words)}' is a header other than that in line {line}, and rows stand beneath it; "
        "expected one table in the file: the other can come as a file of its own"
    )


def headed(table: Flat) -> list[_Above]:
    """Return header and unit of each column."""
    meanings = [table.meaning(at) for at in range(len(table.header.cells))]
    units = [unit_of(one.unit) if one and one.unit else None for one in meanings]
    return list(zip(table.header.cells, units, strict=True))


def _is_as(above: _Above, text: str) -> bool:
    own, meaning = meaning_of(above[0]), meaning_of(text)
    if text == above[0] or own is None or meaning is None:
        return text == above[0]
    is_unit = meaning.unit is None or unit_of(meaning.unit) == above[1]
    return is_unit and replace(own, unit=None, method=None) == replace(meaning, unit=None, method=None)
