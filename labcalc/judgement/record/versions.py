"""Rows that stand in several files: the same rows are one, and of two versions of a row none counts until decided."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS, is_derived
from labcalc.judgement.certificates import UNITS
from labcalc.wording import at_celsius, plain

_DIGITS = 7
"""Decimals in which values are compared: units that were converted differ in the last binary place."""
_FILL = ["place", "replicate"]


@dataclass(frozen=True)
class Clash:
    """Two rows, by position, that give other values for one instrument, time, sample, fill and temperature."""

    rows: tuple[int, int]
    finding: str


def shared_rows(table: pd.DataFrame, file: NDArray[np.int64]) -> pd.DataFrame:
    """Return the rows whose instrument, time, sample and temperature stand in more than one file.

    Parameters
    ----------
    table : pandas.DataFrame
        Tidy rows of several files.
    file : numpy.ndarray of int
        Number of each row's file, [-].

    Returns
    -------
    pandas.DataFrame
        ``row`` (position), ``file``, ``place`` (number of what is the same), ``replicate``, whether the instrument and
        the time of the day are known, and the measured values, NaN where one follows from others.
    """
    moments = table["measured_at"]
    near = np.flatnonzero((moments.notna() & moments.duplicated(keep=False)).to_numpy())
    rows = table.iloc[near]
    names = {name: rows[name].astype(object).where(rows[name].notna(), "") for name in ("instrument", "sample")}
    same = pd.DataFrame({**names, "at": rows["measured_at"], "temperature": rows["temperature_C"].round(1)})
    place = same.groupby([*same.columns], sort=False, dropna=False).ngroup().to_numpy()
    found = pd.DataFrame({"row": near, "file": file[near], "place": place})
    shared = (found.groupby("place")["file"].transform("nunique") > 1).to_numpy()
    found, rows = found[shared].reset_index(drop=True), rows[shared]
    clock = rows["measured_at"] != rows["measured_at"].dt.normalize()
    found["replicate"] = rows["replicate"].to_numpy()
    found["is_certain"] = (clock & (names["instrument"][shared] != "")).to_numpy()
    for quantity, column in QUANTITY_COLUMNS.items():
        measured = rows[column].where(~is_derived(rows["remark"], quantity)) if len(rows) else rows[column]
        found[quantity] = measured.to_numpy(float).round(_DIGITS)
    return found


def clashes(shared: pd.DataFrame, table: pd.DataFrame) -> Iterator[Clash]:
    """Yield the rows of two files that contradict each other; a day without a time of day proves nothing."""
    rows = shared[shared["is_certain"].to_numpy(bool)]
    rows = rows[(rows.groupby([*_FILL, "file"])["row"].transform("size") == 1).to_numpy()]
    for quantity in QUANTITY_COLUMNS:
        differing = rows[(rows.groupby(_FILL)[quantity].transform("nunique") > 1).to_numpy()].dropna(subset=[quantity])
        for _, versions in differing.groupby(_FILL, sort=False):
            for one, other in combinations(versions[["row", quantity]].itertuples(index=False, name=None), 2):
                if one[1] != other[1]:
                    pair = int(one[0]), int(other[0])
                    yield Clash(pair, _in_words(table.iloc[list(pair)], quantity, (one[1], other[1])))


def _in_words(rows: pd.DataFrame, quantity: str, values: tuple[float, float]) -> str:
    places = " and ".join(
        f"{file} line {line}" for file, line in zip(rows["source_file"], rows["source_line"], strict=True)
    )
    both = " and ".join(plain(value, 10) for value in values)
    at = at_celsius(quantity, float(rows["temperature_C"].iloc[0]))
    return f"{places} give {both} {UNITS[quantity]} ({at}) for the same instrument, time, sample and fill"


def first_rows(shared: pd.DataFrame, rows: int) -> NDArray[np.int64]:
    """Return for each of ``rows`` rows the position of the row of an earlier file that it repeats, -1 for none.

    Rows of two files are the same where their values are, whatever number their fill has: a file that begins in the
    midst of a run counts anew. A row also repeats one with its fill's number that holds all that it holds.
    """
    found = np.full(rows, -1)
    quantities = [*QUANTITY_COLUMNS]
    alike = shared.groupby(["place", *quantities], dropna=False, sort=False).ngroup()
    nth = shared.groupby([alike, shared["file"]]).cumcount()  # equal values of one file are repeats of their own
    first = shared.groupby([alike, nth])["row"].transform("first")
    copies = (first != shared["row"]).to_numpy()
    found[shared["row"][copies]] = first[copies]
    left = shared[~copies]
    head = left.groupby(_FILL)["row"].transform("first")
    beside = (left.groupby(_FILL)["file"].transform("first") != left["file"]).to_numpy()
    known = left[quantities].notna()
    told = known.groupby([left[name] for name in _FILL]).cumsum() > 1
    less = beside & (told | ~known).all(axis=1).to_numpy()
    found[left["row"][less]] = head[less]
    return found
