"""Which lines between the rows are none, and what a blank cell may repeat: guesses, for a proposal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from labcalc.exports.arranging.flat import MEASURED, Flat
from labcalc.exports.grammar.vocabulary import is_invalid, meaning_of
from labcalc.exports.guessing.columns_seen import Guess
from labcalc.exports.profile import FOR_ALL_ROWS, Arrangement
from labcalc.exports.values.numbers import figure

_OF_A_ROW = ("measured_at", "date", "time", "temperature", "set temperature")  # what a statistic of results has not
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
    """Return what is blank in the rows beneath that of a sample, where results stand beside the blank.

    Nothing, where a row without a sample has no temperature either, or is the mean of two or more rows above it.
    """
    rows = [[cell.strip() for cell in row.cells] for row in table.near() if row.flaw is None and not row.is_blank]
    columns = {one.holds: ["".join(row[one.place : one.place + 1]) for row in rows] for one in guesses}
    blank = {holds: [not cell for cell in column] for holds, column in columns.items()}
    wanted = blank.get("sample", [])
    lacks_more = any(map(all, zip(wanted, blank.get("temperature", [False] * len(wanted)), strict=True)))
    measured = [column for holds, column in columns.items() if holds.split(" at ")[0] in MEASURED]
    if how.layout != "rows" or not any(wanted) or wanted[0] or lacks_more or _has_means(wanted, measured):
        return ()
    return tuple(holds for holds in FOR_ALL_ROWS if holds != "remark" and blank.get(holds) == wanted)


def _has_means(are_beneath: Sequence[bool], measured: Sequence[Sequence[str]]) -> bool:
    """Tell whether all last rows beneath a sample, of three or more, are the mean of those above them."""
    starts = [*(at for at, is_beneath in enumerate(are_beneath) if not is_beneath), len(are_beneath)]
    groups = [range(*ends) for ends in pairwise(starts) if ends[1] - ends[0] > 2]
    return bool(groups) and all(_is_mean([column[at] for at in group]) for group in groups for column in measured)


def _is_mean(cells: Sequence[str]) -> bool:
    values = [figure(cell, "," if "," in cell else ".") for cell in cells]
    *others, last = [np.nan if value is None else value for value in values]
    return bool(abs(np.mean(others) - last) <= 1e-3 * abs(last)) and len({*others}) > 1
