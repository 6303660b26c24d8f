"""Which rows make a run, and the run's name: from the export's own column, or from what stands together."""

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePath
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports.tidying.cells import Cells
from labcalc.exports.values.columns import Column, joined
from labcalc.exports.values.dates import NO_MOMENT
from labcalc.wording import celsius

_Numbers = NDArray[np.int64]
Measured = Sequence[tuple[_Numbers, _Numbers]]  # at each temperature: the rows, and their temperatures in tenths
LONGEST_STEP_US = 60 * 60 * 1_000_000  # longest time between two determinations of a run, 60 min, [µs]
_MERE_NUMBER = re.compile(r"\d{1,4}")
_ONE_OF_A_RUN = ("sample", "instrument", "operator", "lot")
_AT_ONCE = 1 << 16  # rows for which more than their names is held in memory
_COLDEST = 1000  # tenths of a degree below zero, further down than any temperature: what is joined counts from 0


def name_runs(cells: Cells, measured: Measured) -> Column:
    """Return the name of each row's run, by its file alone; that of refused rows means nothing.

    Without a column for it, rows that follow each other are a run until sample, instrument, operator or lot changes,
    a step in time is over 60 min, or a numbered repeat comes again.
    """
    good = np.flatnonzero(cells.good)
    given = cells.text("run")
    own = np.array([bool(name) for name in given.distinct])[given.at[good]]
    owned = np.flatnonzero(own)
    key = joined(given.at[good[owned]], cells.texts["sample"].at[good[owned]])
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    opens = ~own
    opens[owned[first]] = True
    heads = np.flatnonzero(opens)
    starts = _starts(cells, good[heads], own[heads], _repeats(cells, measured, good[heads], own[heads]))
    group = np.zeros(len(good), np.int32)
    group[heads] = np.cumsum(starts) - 1
    group[owned] = group[owned[first[which]]]
    names = _names(cells, good[heads[starts]], given)
    at = np.zeros(len(cells), np.int32)
    at[good] = names.at[group]
    runs = Column(names.distinct, at)
    _refuse_repeated(cells, good[own], runs, measured)
    return runs


def _starts(cells: Cells, rows: _Numbers, own: NDArray[np.bool_], repeats: _Numbers) -> NDArray[np.bool_]:
    """Return which rows begin a run; ``own``: those that are the first of their name."""
    starts = own.copy()
    starts[:1] = True
    starts[1:] |= own[:-1]
    for name in _ONE_OF_A_RUN:
        codes = cells.texts[name].at[rows]
        starts[1:] |= codes[1:] != codes[:-1]
    times = cells.moments[rows]
    known = times != NO_MOMENT
    starts[1:] |= known[1:] & known[:-1] & (np.abs(np.diff(np.where(known, times, 0))) > LONGEST_STEP_US)
    begin = np.maximum.accumulate(np.where(starts, np.arange(len(rows)), 0))
    last = 0
    for row in np.flatnonzero(repeats >= begin).tolist():
        if repeats[row] >= max(begin[row], last):
            starts[row], last = True, row
    return starts


def _repeats(cells: Cells, measured: Measured, rows: _Numbers, own: NDArray[np.bool_]) -> _Numbers:
    """Return for each row the place of the last one before it with the same numbered repeat, -1 for none."""
    places = np.full(len(cells), -1)
    places[rows[~own]] = np.flatnonzero(~own)
    which, tenths, numbers = _numbered(cells, measured, places >= 0)
    both = np.unique(joined(tenths + _COLDEST, numbers, places[which]))
    found = np.full(len(rows), -1)
    if len(both):
        repeat, place = np.divmod(both, int(places[which].max()) + 1)
        same = repeat[1:] == repeat[:-1]
        np.maximum.at(found, place[1:][same], place[:-1][same])
    return found


def _numbered(cells: Cells, measured: Measured, wanted: NDArray[np.bool_]) -> tuple[_Numbers, _Numbers, _Numbers]:
    """Return row, temperature and number of every repeat of the wanted rows that has one, in the order of the rows."""
    wanted = wanted & ~np.isnan(cells.replicates)
    rows, tenths = (np.concatenate(part) for part in zip(*measured, strict=True))
    order = np.argsort(rows, kind="stable")
    order = order[wanted[rows[order]]]
    return rows[order], tenths[order], cells.replicates[rows[order]].astype(np.int64)


def _names(cells: Cells, heads: _Numbers, given: Column) -> Column:
    """Return the names of the runs that begin with these rows: the export's own where it tells them apart."""
    times, is_tidy = np.bincount(given.at[heads], minlength=len(given.distinct)).tolist(), cells.layout.is_tidy
    is_mere = [_MERE_NUMBER.fullmatch(own) and not is_tidy for own in given.distinct]
    counted = zip(given.distinct, is_mere, times, strict=True)
    tells = [bool(own) and (is_tidy or (count < 2 and not mere)) for own, mere, count in counted]
    if np.array(tells)[given.at[heads]].all():
        return given.of_rows(heads)
    labels, sample = _labels(cells, heads), cells.texts["sample"]
    if not any(given.distinct):
        return labels
    names = []
    for label, at, of in zip(labels.each(), given.at[heads].tolist(), sample.at[heads].tolist(), strict=True):
        own = given.distinct[at]
        name = f"{label} run {own}" if is_mere[at] else own if tells[at] else f"{own} {sample.distinct[of]}"
        names.append(name if own else label)
    return Column.of(names)


def _labels(cells: Cells, heads: _Numbers) -> Column:
    """Return time, instrument and sample of each of these rows as a label; what comes again is numbered."""
    stem = PurePath(cells.file).stem
    labels = list[str]()
    for some in np.array_split(heads, len(heads) // _AT_ONCE + 1):
        times, lines = _to_the_minute(cells.moments[some], cells.zone), cells.lines[some].tolist()
        devices, names = (cells.texts[holds].each(some) for holds in ("instrument", "sample"))
        for when, line, device, name in zip(times, lines, devices, names, strict=True):
            labels.append(f"{when or f'{stem} line {line}'}{device and ' '}{device} {name}")
    column = Column.of(labels)
    if len(column.distinct) == len(labels):
        return column
    count: Counter[str] = Counter()
    for place, label in enumerate(labels):
        count[label] += 1
        labels[place] = label if count[label] == 1 else f"{label} ({count[label]})"
    return Column.of(labels)


def _to_the_minute(moments: _Numbers, zone: ZoneInfo) -> list[str]:
    """Return the moments by the clock of a time zone; an empty text where there is none."""
    if (moments == NO_MOMENT).all():
        return [""] * len(moments)
    local = pd.DatetimeIndex(moments.view("datetime64[us]"), tz="UTC").tz_convert(zone).tz_localize(None)
    texts = np.datetime_as_string(local.to_numpy().astype("datetime64[m]")).tolist()
    return [text.replace("T", " ") if text != "NaT" else "" for text in texts]


def _refuse_repeated(cells: Cells, named: _Numbers, runs: Column, measured: Measured) -> None:
    """Refuse a row whose numbered repeat a row before it has, where the export names the runs."""
    place = cells.where("replicate")
    if place is None:
        return
    wanted = np.zeros(len(cells), bool)
    wanted[named] = True
    rows, tenths, numbers = _numbered(cells, measured, wanted)
    repeats = joined(runs.at[rows], tenths + _COLDEST, numbers)
    _, first, which = np.unique(repeats, return_index=True, return_inverse=True)
    for at in np.flatnonzero(rows[first[which]] != rows).tolist():
        line, number = cells.lines[rows[first[which[at]]]], str(numbers[at])
        expected = f"line {line} has this repeat at {celsius(tenths[at] / 10)}; expected another number"
        cells.note(int(rows[at]), place, number, expected)
