"""Which lines between the rows are none, and what a blank cell may repeat: guesses, for a proposal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from labcalc.exports.arranging.flat import Flat
from labcalc.exports.grammar.vocabulary import is_invalid, meaning_of
from labcalc.exports.guessing.columns_seen import Guess
from labcalc.exports.profile import FOR_ALL_ROWS, Arrangement

_OF_A_ROW = ("measured_at", "date", "time", "temperature", "set temperature")
"""What a statistic of results has not."""
_DEVIATIONS = ("s", "s %", "s%", "σ")


def statistics_among(table: Flat, sections: Sequence[str]) -> tuple[str, ...]:
    """Return the first cells of lines that are said of results: 'Mean', 's'; never of one with a date or temperature.

    What has a figure, or stands in a row with them too, is left alone: a sample may be named so, as 'Max 5' is.
    """
    own = (at for at, header in enumerate(table.header.cells) if header not in sections)
    told = [at for at in own if (one := table.meaning(at)) and one.holds in _OF_A_ROW]
    rows = [[cell.strip() for cell in row.cells] for row in table.near()]
    are_told = [any(row[at : at + 1] > [""] and any(row[:at]) for at in told) for row in rows]
    kept = {
        cell.casefold()
        for row, is_told in zip(rows, are_told, strict=True)
        for cell in row[not is_told :]
        if is_told or not told
    }
    firsts = (next(filter(None, row), "") for row, is_told in zip(rows, are_told, strict=True) if not is_told)
    return tuple(one for one in dict.fromkeys(firsts) if one.casefold() not in kept and _is_statistic(one))


def _is_statistic(text: str) -> bool:
    meaning = None if re.search(r"\d", text) else meaning_of(text)
    return text.casefold() in _DEVIATIONS or (meaning is not None and meaning.holds == "statistic")


def invalid_among(table: Flat) -> tuple[str, ...]:
    """Return what cells say of rows that don't count."""
    places = [at for at in range(len(table.header.cells)) if (one := table.meaning(at)) and one.holds == "status"]
    texts = (row.cells[at].strip() for row in table.near() for at in places if at < len(row.cells))
    return tuple(filter(is_invalid, dict.fromkeys(texts)))


def repeated_above(guesses: Iterable[Guess], table: Flat, how: Arrangement) -> tuple[str, ...]:
    """Return what is blank in the rows beneath that of a sample, where results stand beside the blank."""
    rows = [row for row in table.near() if row.flaw is None and not row.is_blank]
    blank = {one.holds: [not "".join(row.cells[one.place : one.place + 1]).strip() for row in rows] for one in guesses}
    wanted = blank.get("sample", [])
    if how.layout != "rows" or not any(wanted) or wanted[0]:
        return ()
    return tuple(holds for holds in FOR_ALL_ROWS if holds != "remark" and blank.get(holds) == wanted)
