"""The lines beneath a header → its rows; footers, rules, repeated headers and notes at the end are set aside."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain

from labcalc.exports.arranging.flat import measure
from labcalc.exports.grammar.vocabulary import FOOTER
from labcalc.exports.source.records import Block, Record, Text
from labcalc.exports.source.text import shown

TOLD_OF_A_ROW = ("temperature", "measured_at", "date", "time", "run", "replicate")
"""What a sum or a mean has not: a line that begins as one, but has all of these, is of a sample with that name."""
_SUMS = re.compile(r"(sum|total|mean|average|std|standard dev|min|max|summe|mittelwert|moyenne|media|média)\D*", re.I)
_DRAWN = "-–—=_*+| "
_OPEN = "'{}' may be a sample, or said of the rows above; profile.set_aside in lab.toml says which lines are no rows"


@dataclass(frozen=True)
class Beneath:
    """What tells rows from other lines, which go ``set_aside``; in a table of labcalc's own every line is a row."""

    repeated: Sequence[list[str]]  # the lines of the header and of its units, which may come again
    count: int  # cells of the header
    width: int  # cells up to the last that holds something
    measured: Sequence[int]
    """Positions of the columns of what is measured: a line with a figure there is a row, whatever its first cell."""
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
        is_told = filled[0].endswith((":", "=")) or len(filled[0].split()) > 2
        return is_told or not any(map(_has_digit, filled))


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
