"""Times that can't be right: in the future, far from the file's others, before a lot was valid, running backwards.

What is doubted depends on its own file and lab.toml alone, never on what other files hold: what is added later can't
change it. Only what lay in the future ceases to, once that time has come.
"""

from bisect import bisect_right
from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.lab import Laboratory, reference_of

_DAY = 24 * 60 * 60 * 1_000_000
_FAR = 90 * _DAY  # gap to most of a file's times from which a few are doubted, [µs]: our own choice, as those below
_APART = 365 * _DAY  # gap between groups of a file's times from which all are doubted, [µs]
_AHEAD = pd.Timedelta(minutes=2)  # how far the instrument's clock may go before the machine's
_FEWEST_STEPS, _BACKWARD_SHARE = 10, 0.1  # from run to run by which a file is in order; share that may run back
_SURE_SHARE = 0.75  # share of a file's rows that must lie together for the others alone to be doubted


def doubtful_times(table: pd.DataFrame, file: NDArray[np.int64], lab: Laboratory, now: datetime) -> dict[int, str]:
    """Return the rows whose time is doubted, by position, each with its reason; ``file``: number of each row's file."""
    moments = pd.DatetimeIndex(table["measured_at"])
    run, instrument = (pd.factorize(table[name])[0] for name in ("run", "instrument"))
    known = np.flatnonzero(moments.notna())
    at = moments[known].tz_convert(None).as_unit("us").asi8
    found = dict(_before_valid(table, lab))
    for start, end in pairwise([0, *(np.flatnonzero(np.diff(file[known])) + 1).tolist(), len(known)]):
        rows, times = known[start:end], at[start:end]
        far, words = _far(times, moments.tz)
        heads = np.sort(np.unique(run[rows], return_index=True)[1])
        heads = heads[~far[heads]]  # what is doubted anyhow says nothing of the order
        for one in np.unique(instrument[rows[heads]]):
            own = heads[instrument[rows[heads]] == one]
            backward = np.isin(run[rows], run[rows[own[_backwards(times[own])]]])
            found |= dict.fromkeys(rows[backward].tolist(), "runs back in the file")
        found |= dict.fromkeys(rows[far].tolist(), words)
    return found | dict.fromkeys(np.flatnonzero(moments > pd.Timestamp(now) + _AHEAD).tolist(), "lies in the future")


def _before_valid(table: pd.DataFrame, laboratory: Laboratory) -> Iterator[tuple[int, str]]:
    """Yield the reference-oil rows that are older than the lot which the export names."""
    is_named = (table["role"] == "reference") & table["lot"].notna() & table["measured_at"].notna()
    rows = table[["sample", "lot"]].assign(row=np.arange(len(table)), day=table["measured_at"].dt.date)[is_named]
    for (sample, lot), some in rows.groupby(["sample", "lot"], sort=False):
        oil = reference_of(laboratory, str(sample))
        for one in (one for one in (oil.lots if oil else ()) if one.lot.casefold() == str(lot).strip().casefold()):
            words = f"lies before lot {one.lot} was valid ({one.valid_from})"
            yield from ((row, words) for row in some.loc[some["day"] < one.valid_from, "row"])


def _far(times: NDArray[np.int64], zone: tzinfo | None) -> tuple[NDArray[np.bool_], str]:
    """Return which times of a file lie far from most; all of them where no group of them is nearly all."""
    ordered = np.sort(times)
    most = max(np.split(ordered, np.flatnonzero(np.diff(ordered) > _FAR) + 1), key=len)
    if 2 * len(most) <= len(times):
        return np.zeros(len(times), bool), ""
    first, last = int(most[0]), int(most[-1])
    away = np.maximum(first - times, times - last)
    far = away > max(_FAR, last - first)
    days = " to ".join(f"{pd.Timestamp(end, unit='us', tz=UTC).tz_convert(zone):%Y-%m-%d}" for end in (first, last))
    if far.mean() > 1.0 - _SURE_SHARE:
        far[:] = (away > max(_APART, last - first)).any()
        return far, f"is of a file whose times lie in groups far apart (most of them {days})"
    return far, f"lies far from the file's others ({days})"


def _backwards(times: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the places of the runs that stand against the order of a file; none of a file that has no order."""
    steps = np.diff(times)
    backward = np.count_nonzero(steps < 0)
    if np.count_nonzero(steps > 0) < backward:  # the newest first
        return len(times) - 1 - _backwards(times[::-1])
    if not backward or len(steps) < _FEWEST_STEPS or backward > _BACKWARD_SHARE * len(steps):
        return np.zeros(0, np.int64)
    return np.setdiff1d(np.arange(len(times)), _longest_rise(times.tolist()))


def _longest_rise(values: list[int]) -> list[int]:
    """Return the places of a longest part of a sequence that never falls, the last first."""
    ends, at, before = list[int](), list[int](), list[int]()
    for place, value in enumerate(values):
        length = bisect_right(ends, value)
        before.append(at[length - 1] if length else -1)
        ends[length : length + 1], at[length : length + 1] = [value], [place]
    found = [at[-1]]
    while before[found[-1]] >= 0:
        found.append(before[found[-1]])
    return found
