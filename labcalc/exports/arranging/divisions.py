"""The lines beneath a header: its rows, lines that are none, and lines that say what those beneath them are."""

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain

from labcalc.exports.arranging.flat import NOT_TAKEN, Flat, key_and_value, meaning_at, measure
from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import FOOTER, meaning_of
from labcalc.exports.profile import Column
from labcalc.exports.source.text import Block, ContentError, Record, Text, shown

TOLD_OF_A_ROW = ("temperature", "measured_at", "date", "time", "run", "replicate")  # no sum or mean has all of them
_SUMS = re.compile(r"(sum|total|mean|average|std|standard dev|min|max|summe|mittelwert|moyenne|media|média)\D*", re.I)
_DRAWN = "-–—=_*+| "
_OPEN = "'{}' may be a sample, or said of the rows above; profile.set_aside in lab.toml says which lines are no rows"
_FROM_FIGURE = re.compile(r"[+\-−]?\d.*", re.DOTALL)
_Above = tuple[str, Unit | None]  # header and unit of a column


@dataclass(frozen=True)
class Beneath:
    """What tells rows from other lines, which go ``set_aside``; in a table of labcalc's own every line is a row."""

    repeated: Sequence[list[str]]  # the lines of the header and of its units, which may come again
    count: int  # cells of the header
    width: int  # cells up to the last that holds something
    measured: Sequence[int]  # columns of what is measured: a line with a figure there is a row, whatever it begins with
    told: Sequence[int]  # positions of the columns of ``TOLD_OF_A_ROW``
    is_tidy: bool
    set_aside: list[int]

    def rows(self, near: list[Record], records: Iterator[Record]) -> Iterator[Record | Block]:
        """Yield the rows, as blocks where nothing else stands among them."""
        near = near[::-1]
        notes: list[Record] | None = None
        any_row = False
        while True:
            if isinstance(records, Text) and not near and notes is None:
                while (block := records.block(self.count)) and self._are_rows(block):
                    any_row = True
                    yield records.take(block)
            record = near.pop() if near else next(records, None)
            if record is None:
                break
            first = next((cell.strip() for cell in record.cells if cell.strip()), "")
            if not first and record.flaw is None:
                yield from notes or ()
                notes = None if self.is_tidy else []
            elif first and not self.is_tidy and self._is_no_row(record, first):
                self.set_aside.append(record.line)
            elif notes is not None and any_row and self._is_note(record):
                notes.append(record)
            else:
                yield from notes or ()
                any_row, notes = True, None
                yield record
        self.set_aside.extend(record.line for record in notes or ())

    @cached_property
    def _firsts(self) -> set[str]:
        return {next(filter(None, cells), "") for cells in self.repeated}

    def _are_rows(self, block: Block) -> bool:
        """Tell whether all of the block are rows without more ado; if not, each is looked at for itself."""
        firsts = {cell.strip() for cell in set(block.columns[0])}
        beyond = chain(*block.columns[self.width :])
        if "" in firsts or not firsts.isdisjoint(self._firsts) or any(map(str.strip, beyond)):
            return False
        told = (set(block.columns[at]) for at in self.told)
        if self.is_tidy or (len(self.told) > 1 and all(all(map(str.strip, texts)) for texts in told)):
            return True
        return not any(first[0] in _DRAWN or _is_footer(first) for first in firsts)

    def _is_no_row(self, record: Record, first: str) -> bool:
        """Tell a rule, a footer, a repeated header or line of units; of what may be a mean, say that it is open."""
        if first in self._firsts and [cell.strip() for cell in record.cells] in self.repeated:
            return True
        if first[0] in _DRAWN and is_rule(record):
            return True
        if not _is_footer(first):
            return False
        cells = record.cells
        is_told = bool(self.told) and all(at < len(cells) and cells[at].strip() for at in self.told)
        is_sum = _SUMS.fullmatch(first) is not None and not is_told
        if any(_has_figure(cells[at]) for at in self.measured if at < len(cells)):
            record.flaw = record.flaw or (_OPEN.format(shown(first)) if is_sum else None)
            return False
        return is_sum or len(cells) < self.width or sum(bool(cell.strip()) for cell in cells) == 1

    def _is_note(self, record: Record) -> bool:
        """Tell what may stand at the end beneath the last blank line, if no line there is a row or begins one."""
        filled = [cell.strip() for cell in record.cells if cell.strip()]
        is_little = len(filled) == 1 or (len(filled) == 2 and len(record.cells) < self.width)
        if not (record.ended and record.flaw is None and is_little):
            return False
        return filled[0].endswith((":", "=")) or len(filled[0].split()) > 2 or not any(map(_has_digit, filled))


def is_rule(record: Record) -> bool:
    """Tell whether a line is drawn, not written."""
    filled = [cell.strip() for cell in record.cells if cell.strip()]
    return bool(filled) and len(filled[0]) > 2 and all(not cell.strip(_DRAWN) for cell in filled)


def _is_footer(first: str) -> bool:
    return FOOTER.fullmatch(" ".join(first.split())) is not None


def _has_digit(text: str) -> bool:
    return any(map(str.isdigit, text))


def _has_figure(cell: str) -> bool:
    return _has_digit(cell) and (not any(map(str.isalpha, cell)) or measure(cell) is not None)


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


def refuse_other_header(texts: Iterable[tuple[_Above, str]], place: str, words: str, line: int) -> None:
    """Raise ExportError where texts, none of them a figure, are names of columns, and others than those in a line."""
    known = others = 0
    for above, text in texts:
        if not text:
            continue
        if text.lower() == text.upper() or measure(text):
            return
        meaning = None if unit_of(text) else meaning_of(text)
        known += text == above[0] or (meaning is not None and meaning.holds not in NOT_TAKEN)
        others += not _is_as(above, text)
    if known > 1 and others > 0:
        raise ContentError(
            f"{place}: '{shown(words)}' is a header other than that in line {line}, and rows stand beneath it; "
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
