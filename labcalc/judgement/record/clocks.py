"""Times that can't be right: in the future, far from the file's others, before a lot was valid, running backwards.

What is doubted depends on its own file and lab.toml alone, never on what other files hold: what is added later can't
change it. Only what lay in the future ceases to, once that time has come.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.lab import Laboratory, reference_of

_Moments = NDArray[np.int64]
_DAY = 24 * 60 * 60 * 1_000_000
"""[µs]."""
_FAR, _APART = 90 * _DAY, 365 * _DAY
"""Gap to nearly all of a file's times from which a few are doubted, and between groups from which all are, [µs]: our
own choice, as are those below."""
_AHEAD = pd.Timedelta(minutes=2)
"""How far the instrument's clock may go before the machine's."""
_FEWEST_STEPS, _BACKWARD_SHARE = 10, 0.1
"""Steps from run to run by which a file is in order, and the share of them that may run backwards."""
_SURE_SHARE = 0.75
"""Share of a file's rows that must lie together for the others alone to be doubted."""


def doubtful_times(
    table: pd.DataFrame, file: NDArray[np.int64], laboratory: Laboratory, now: datetime
) -> dict[int, str]:
    """Return the rows whose time is doubted, by position, each with its reason in words.

    Parameters
    ----------
    table : pandas.DataFrame
        Tidy, labelled rows of several files, each file's together and in its order.
    file : numpy.ndarray of int
        Number of each row's file, [-].
    laboratory : Laboratory
        The certificates of its reference oils.
    now : datetime.datetime
        The present moment.
    """
    moments = pd.DatetimeIndex(table["measured_at"])
    run, instrument = (pd.factorize(table[name])[0] for name in ("run", "instrument"))
    known = np.flatnonzero(moments.notna())
    at: _Moments = moments[known].tz_convert(None).as_unit("us").asi8
    found = dict(_before_valid(table, laboratory))
    for start, end in _parts(file[known]):
        rows, times = known[start:end], at[start:end]
        heads = np.sort(np.unique(run[rows], return_index=True)[1])
        for one in np.unique(instrument[rows[heads]]):
            own = heads[instrument[rows[heads]] == one]
            backward = set(run[rows[own[_backwards(times[own])]]])
            found |= {int(row): "runs back in the file" for row in rows if run[row] in backward} if backward else {}
        far, words = _far(times, moments)
        found |= {int(row): words for row in rows[far]}
    ahead = np.flatnonzero(moments > pd.Timestamp(now) + _AHEAD)
    return found | {int(row): "lies in the future" for row in ahead}


def _parts(file: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    cuts = [0, *(np.flatnonzero(np.diff(file)) + 1).tolist(), len(file)]
    return ((start, end) for start, end in pairwise(cuts) if end > start)


def _before_valid(table: pd.DataFrame, laboratory: Laboratory) -> Iterator[tuple[int, str]]:
    """Yield the reference-oil rows that are older than the lot which the export names."""
    rows = np.flatnonzero(
        ((table["role"] == "reference") & table["lot"].notna() & table["measured_at"].notna()).to_numpy()
    )
    some = table.iloc[rows]
    for names, places in some.groupby(["sample", "lot"], sort=False).indices.items():
        sample, lot = map(str, cast("tuple[str, str]", names))
        oil = reference_of(laboratory, sample)
        named = [one for one in oil.lots if one.lot.casefold() == lot.strip().casefold()] if oil else []
        if named:
            early = (some["measured_at"].iloc[places].dt.date < named[0].valid_from).to_numpy()
            words = f"lies before lot {named[0].lot} was valid ({named[0].valid_from})"
            yield from ((int(row), words) for row in rows[places[early]])


def _far(times: _Moments, moments: pd.DatetimeIndex) -> tuple[NDArray[np.bool_], str]:
    """Return which times of a file lie far from most; all of them where no group of them is nearly all."""
    ordered = np.sort(times)
    cuts = np.flatnonzero(np.diff(ordered) > _FAR) + 1
    groups = np.split(ordered, cuts)
    most = max(groups, key=len)
    if not cuts.size or 2 * len(most) <= len(times):
        return np.zeros(len(times), bool), ""
    first, last = int(most[0]), int(most[-1])
    away = np.maximum(first - times, times - last)
    far = away > max(_FAR, last - first)
    days = " to ".join(
        f"{pd.Timestamp(end, unit='us', tz='UTC').tz_convert(moments.tz):%Y-%m-%d}" for end in (first, last)
    )
    if far.mean() > 1.0 - _SURE_SHARE:
        apart = np.full(len(times), bool((away > max(_APART, last - first)).any()))
        return apart, f"is of a file whose times lie in groups far apart (most of them {days})"
    return far, f"lies far from the file's others ({days})"


def _backwards(times: _Moments) -> NDArray[np.int64]:
    """Return the places of the runs that stand against the order of a file; none of a file that has no order."""
    steps = np.diff(times)
    if np.count_nonzero(steps > 0) < np.count_nonzero(steps < 0):  # the newest first
        return len(times) - 1 - _backwards(times[::-1])
    backward = np.count_nonzero(steps < 0)
    if not backward or len(steps) < _FEWEST_STEPS or backward > _BACKWARD_SHARE * len(steps):
        return np.zeros(0, np.int64)
    return np.setdiff1d(np.arange(len(times)), _longest_rise(times.tolist()))


def _longest_rise(values: list[int]) -> list[int]:
    """Return the places of a longest part of a sequence that never falls."""
    ends: list[int] = []
    at: list[int] = []
    before: list[int] = []
    for place, value in enumerate(values):
        length = bisect_right(ends, value)
        before.append(at[length - 1] if length else -1)
        ends[length : length + 1] = [value]
        at[length : length + 1] = [place]
    found, place = [], at[-1]
    while place >= 0:
        found.append(place)
        place = before[place]
    return found
