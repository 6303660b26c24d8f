"""Lines among the rows that say what the rows beneath them are: another header, or a key and its value.

By what stands above such a line the rows beneath it would be read wrongly: the export is refused.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from labcalc.errors import ExportError
from labcalc.exports.arranging.layout import NOT_TAKEN, Flat, measure
from labcalc.exports.arranging.sections import Sections
from labcalc.exports.cells import Cells
from labcalc.exports.grammar.units import Unit, unit_of
from labcalc.exports.grammar.vocabulary import LIMITS, meaning_of
from labcalc.exports.profile import FOR_ALL_ROWS
from labcalc.exports.source.records import Record
from labcalc.exports.source.text import shown

_SAID_OF_ROWS = tuple(holds for holds in FOR_ALL_ROWS if holds != "remark")
_Above = tuple[str, Unit | None]
"""Header and unit of a column."""


def refuse_dividing_lines(cells: Cells) -> None:
    """Raise ExportError where a line that is no row, and so is refused, stands above rows that are read."""
    if not cells.problems.found:
        return
    last = int(np.flatnonzero(cells.good).max(initial=-1))
    own = [one for one in cells.layout.fields if one.position >= 0 and one.header not in cells.profile.sections]
    fields = sorted(own, key=lambda one: one.holds not in LIMITS)
    heads = Sections(_SAID_OF_ROWS, cells.profile.columns)
    for row in sorted(row for row in cells.problems.found if row < last):
        texts = [(one.position, (one.header, one.unit), cells.cell(one, row)) for one in fields]
        place = f"line {cells.lines[row]}"
        if is_other_header((above, text) for _, above, text in texts):
            words = ", ".join(text for _, _, text in sorted(texts) if text)
            raise ExportError(cells.file, f"{place}: {other_header(words, cells.layout.header_line)}")
        written = {0: cells.first(row)} | {position: text for position, _, text in texts}
        kind, value = heads.head(Record(0, [written[at] for at in sorted(written)]), False)
        if kind and cells.layout.of(kind) is None and value != cells.layout.preamble.get(kind, ("", ""))[1]:
            raise ExportError(
                cells.file,
                f"{place} says '{shown(value)}' ({kind}) of the lines beneath it, and isn't understood so; "
                f'profile.sections = ["{kind}"] in lab.toml reads it',
            )


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
