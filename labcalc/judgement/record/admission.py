"""What of the exports enters the record: each row once, no contradicted version, no doubted time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS, Reading, is_derived
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.record.clocks import doubtful_times
from labcalc.lab import Decision, Laboratory
from labcalc.wording import at_celsius, counted, plain

_DIGITS = 7
"""Decimals in which values are compared: units that were converted differ in the last binary place."""
_FILL = ["place", "replicate"]


class Doubt(NamedTuple):
    """Why a run of a file is kept out of the record until somebody decides."""

    run: str
    file: str
    line: int
    about: Literal["versions", "time"]
    finding: str

    @property
    def sentence(self) -> str:
        """The doubt with its place."""
        return f"{self.file}, line {self.line}, run {self.run}: {self.finding}"


class Admission(NamedTuple):
    """Exports at hand and earlier ones put together."""

    at_hand: pd.DataFrame
    """Rows whose runs can be judged, each once; doubted ones too."""
    record: pd.DataFrame
    """Rows that the record holds: earlier exports, then those at hand."""
    doubts: tuple[Doubt, ...]
    repeated: tuple[str, ...]
    """Which files hold rows of others, in sentences."""
    copies: Mapping[str, frozenset[str]]
    """Run to the names of further files that hold rows of it."""


def admit(
    readings: Sequence[Reading], laboratory: Laboratory, decisions: Sequence[Decision], now: datetime
) -> Admission:
    """Put exports together: those at hand, then the record's.

    A decision to ``count`` takes one of several versions, or a time as it stands; ``exclude`` settles a doubt the other
    way.
    """
    rows = _Rows(readings, decisions)
    rows.keep_out_contradictions()
    rows.leave_out_repeats()
    rows.keep_out_times(doubtful_times(rows.table, rows.file, laboratory, now))
    return rows.admission(readings[0].table)


class _Rows:
    """All rows, and which of them are ``out`` of the record and which are ``gone``: not judged either."""

    def __init__(self, readings: Sequence[Reading], decisions: Sequence[Decision]) -> None:
        tables = [one.table for one in readings]
        self.table = tables[0] if len(tables) == 1 else pd.concat(tables, ignore_index=True)
        self.sources = [source for one in readings for source in one.sources]
        self.file = np.repeat(np.arange(len(self.sources)), [one.determinations for one in self.sources])
        self.names, self.runs = (self.table[name].to_numpy(object) for name in ("source_file", "run"))
        run = pd.factorize(self.table["run"])[0]
        self.side = self.file * (int(run.max(initial=0)) + 1) + run  # a run in a file
        self.counting = {(one.file, one.run) for one in decisions if one.what == "count"}
        self.excluded = {one.run for one in decisions if one.what == "exclude" and not one.quantity}
        self.out, self.gone = np.zeros((2, len(self.table)), bool)
        self.doubts: dict[tuple[int, str], Doubt] = {}
        self.told: list[str] = []
        self.copies: dict[str, set[str]] = defaultdict(set)
        self.shared = _shared_rows(self.table, self.file)

    def admission(self, own: pd.DataFrame) -> Admission:
        of_record = np.arange(len(self.table)) >= len(own)
        if self.gone[~of_record].any():
            own = self.table[~self.gone & ~of_record].reset_index(drop=True)
        record = self.table
        if of_record.any() or (self.out | self.gone).any():
            inside = ~self.gone & ~self.out
            earlier = inside & of_record & ~self.table["run"].isin(set(own["run"])).to_numpy()
            record = pd.concat([self.table[earlier], self.table[inside & ~of_record]], ignore_index=True)
        copies = {run: frozenset(names) for run, names in self.copies.items()}
        return Admission(own, record, tuple(self.doubts.values()), tuple(self.told), copies)

    def _counts(self, row: int) -> bool:
        """Tell whether somebody decided that the row's run of its file counts."""
        file, run = self.names[row], self.runs[row]
        return not self.counting.isdisjoint({(file, run), (file, ""), ("", run)})

    def _doubt(self, row: int, about: Literal["versions", "time"], finding: str) -> None:
        line = int(self.table["source_line"].iloc[row])
        self.doubts.setdefault(
            (int(self.side[row]), about), Doubt(self.runs[row], self.names[row], line, about, finding)
        )

    def keep_out_times(self, doubtful: Mapping[int, str]) -> None:
        """Keep the runs of a doubted time out; what was excluded by somebody needs no telling."""
        rows = [row for row in sorted(doubtful) if not self.gone[row] and not self._counts(row)]
        self.out |= np.isin(self.side, self.side[rows])
        for row in (row for row in rows if self.runs[row] not in self.excluded):
            moment = self.table["measured_at"].iloc[row]
            self._doubt(row, "time", f"its time, {moment:%Y-%m-%d %H:%M}, {doubtful[row]}")

    def leave_out_repeats(self) -> None:
        first = _first_rows(self.shared[~(self.out | self.gone)[self.shared["row"]]])
        self.gone[[*first]] = True
        pairs: Counter[tuple[str, str]] = Counter()
        for row, origin in first.items():
            copy, source = self.sources[self.file[row]], self.sources[self.file[origin]]
            if copy != source:  # else it is a file of the record that is at hand too
                pairs[copy.name, source.name] += 1
                self.copies[self.runs[origin]].add(copy.name)
        for (name, other), number in pairs.items():
            self.told.append(f"{name}: {counted(number, 'determination')} of {other}, counted once")

    def keep_out_contradictions(self) -> None:
        """Keep out the runs that two files give otherwise; of which somebody said which counts, the other goes."""
        dropped, rivals, seen = dict[int, int](), set[int](), set[tuple[int, ...]]()
        for pair, quantity, values in _clashes(self.shared):
            if (sides := tuple(self.side[[*pair]])) in seen:
                continue
            seen.add(sides)
            counts = [self._counts(row) for row in pair]
            if counts[0] != counts[1]:
                row = pair[counts.index(False)]
                dropped[int(self.side[row])] = row
                continue
            rivals |= {*pair}
            for row in pair if self.excluded.isdisjoint(self.runs[[*pair]]) else ():
                self._doubt(row, "versions", _in_words(self.table.iloc[[*pair]], quantity, values))
        self.told += [f"{self.names[row]}: run {self.runs[row]} gives way, as decided" for row in dropped.values()]
        first: dict[str, int] = {}  # a page shows one version of a run: that of the first file
        later = [row for row in sorted(rivals) if first.setdefault(self.runs[row], self.side[row]) != self.side[row]]
        self.out |= np.isin(self.side, [side for side, _ in self.doubts])
        self.gone |= np.isin(self.side, [*dropped, *self.side[later]])


def _shared_rows(table: pd.DataFrame, file: NDArray[np.int64]) -> pd.DataFrame:
    """Return the rows, by position, whose ``place`` stands in several files: instrument, time, sample, temperature."""
    near = _at_times_of_several(table["measured_at"], file)
    rows = table.iloc[near]
    same = rows[["instrument", "measured_at", "sample"]].assign(temperature=rows["temperature_C"].round(1))
    place = same.groupby([*same.columns], sort=False, dropna=False).ngroup().to_numpy()
    found = rows[["replicate"]].assign(row=near, file=file[near], place=place)
    clock = rows["measured_at"] != rows["measured_at"].dt.normalize()
    found["is_certain"] = clock & rows["instrument"].notna()  # a day without a time of day proves nothing
    for quantity, column in QUANTITY_COLUMNS.items():
        found[quantity] = rows[column].where(~is_derived(rows["remark"].astype("string"), quantity)).round(_DIGITS)
    return found[found.groupby("place")["file"].transform("nunique") > 1]


def _at_times_of_several(moments: pd.Series, file: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the rows whose time stands in several files."""
    known = np.flatnonzero(moments.notna().to_numpy())
    at = moments.to_numpy("datetime64[us]")[known].view(np.int64)
    order = np.argsort(at, kind="stable")  # the files of one time stay in their order
    starts = np.flatnonzero(np.diff(at[order], prepend=at.min(initial=0) - 1))
    ends = np.append(starts[1:], len(order)) - 1
    files = file[known[order]]
    several = np.repeat(files[starts] != files[ends], ends - starts + 1) if len(order) else np.zeros(0, bool)
    return np.sort(known[order[several]])


def _clashes(shared: pd.DataFrame) -> Iterator[tuple[tuple[int, int], str, tuple[float, float]]]:
    """Yield the rows of two files that give other values for one instrument, time, sample, fill and temperature."""
    rows = shared[shared["is_certain"].to_numpy(bool)]
    rows = rows[(rows.groupby([*_FILL, "file"])["row"].transform("size") == 1).to_numpy()]
    for quantity in QUANTITY_COLUMNS:
        differing = rows[(rows.groupby(_FILL)[quantity].transform("nunique") > 1).to_numpy()].dropna(subset=[quantity])
        for _, versions in differing.groupby(_FILL, sort=False):
            for one, other in combinations(versions[["row", quantity]].itertuples(index=False, name=None), 2):
                if one[1] != other[1]:
                    yield (one[0], other[0]), quantity, (one[1], other[1])


def _in_words(rows: pd.DataFrame, quantity: str, values: tuple[float, float]) -> str:
    places = zip(rows["source_file"], rows["source_line"], strict=True)
    lines = " and ".join(f"{file} line {line}" for file, line in places)
    both = f"{plain(values[0], 10)} and {plain(values[1], 10)} {UNITS[quantity]}"
    at = at_celsius(quantity, float(rows["temperature_C"].iloc[0]))
    return f"{lines} give {both} ({at}) for the same instrument, time, sample and fill"


def _first_rows(shared: pd.DataFrame) -> dict[int, int]:
    """Return the rows all of whose values an earlier file holds, and the row there.

    The number of a fill says nothing: a file that begins in the midst of a run counts anew. Equal values of one file
    are repeats of their own.
    """
    is_repeat, first = pd.Series(True, shared.index), shared["row"].copy()
    for quantity in QUANTITY_COLUMNS:
        known = shared.dropna(subset=[quantity])
        nth = known.groupby(["place", quantity, "file"]).cumcount()
        head = known.groupby(["place", quantity, nth])["row"].transform("first")
        is_repeat[head.index] &= head != known["row"]
        first[head.index] = head
    is_repeat &= first != shared["row"]
    return dict(zip(shared["row"][is_repeat].tolist(), first[is_repeat].tolist(), strict=True))
