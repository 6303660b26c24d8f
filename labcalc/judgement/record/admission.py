"""What of the exports enters the record: each row once, no contradicted version, no doubted time."""

import math
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

_DIGITS = 7  # decimals in which values are compared: units that were converted differ in the last binary place
_FILL = ["place", "replicate"]
_FEWEST_TO_TELL = 3  # values that tell a column's decimals: of fewer, all may end in a zero by chance, once in 100


class Doubt(NamedTuple):
    """Why a run of a file is kept out of the record until somebody decides."""

    run: str
    file: str
    line: int
    about: Literal["versions", "time"]
    finding: str
    measured_at: pd.Timestamp

    @property
    def sentence(self) -> str:
        """The doubt with its place."""
        return f"{self.file}, line {self.line}, run {self.run}: {self.finding}"


def first_of_files(doubts: Sequence[Doubt]) -> Iterator[Doubt]:
    """Yield the first doubt of a kind about each file, which says how many more runs of the file it is about."""
    runs = Counter((file, about) for file, about, _ in {(one.file, one.about, one.run) for one in doubts})
    first = {(one.file, one.about): one for one in reversed(doubts)}
    for one in reversed(first.values()):
        more = runs[one.file, one.about] - 1
        yield one._replace(finding=f"{one.finding}; and {counted(more, 'more run')} of the file") if more else one


class Admission(NamedTuple):
    """Exports at hand and earlier ones put together."""

    at_hand: pd.DataFrame  # rows whose runs can be judged, each once; doubted ones too
    record: pd.DataFrame  # rows that the record holds: earlier exports, then those at hand
    doubts: tuple[Doubt, ...]
    repeated: tuple[str, ...]  # which files hold rows of others, in sentences
    copies: Mapping[str, frozenset[str]]  # run to the names of further files that hold rows of it


def admit(readings: Sequence[Reading], lab: Laboratory, decisions: Sequence[Decision], now: datetime) -> Admission:
    """Put exports together: those at hand, then the record's.
    A decision to ``count`` takes one of several versions, or a time as it stands; ``exclude`` settles a doubt the other
    way."""
    rows = _Rows(readings, decisions)
    rows.keep_out_contradictions()
    rows.leave_out_repeats()
    rows.keep_out_times(doubtful_times(rows.table, rows.file, lab, now))
    return rows.admission(readings[0].table)


class _Rows:
    """All rows, and which of them are ``out`` of the record and which are ``gone``: not judged either."""

    def __init__(self, readings: Sequence[Reading], decisions: Sequence[Decision]) -> None:
        tables = [one.table for one in readings]
        self.table = tables[0] if len(tables) == 1 else pd.concat(tables, ignore_index=True)
        self.sources = [source for one in readings for source in one.sources]
        self.file = np.repeat(np.arange(len(self.sources)), [one.determinations for one in self.sources])
        self.names, self.runs = (self.table[name].to_numpy(object) for name in ("source_file", "run"))
        held = Counter(name for name, _ in {(one.name, one.sha256) for one in self.sources})
        self.labels = [one.label if held[one.name] > 1 else one.name for one in self.sources]
        run = pd.factorize(self.table["run"])[0]
        self.side = self.file * (int(run.max(initial=0)) + 1) + run  # a run in a file
        self.counting = {(one.file, one.run) for one in decisions if one.what == "count"}
        self.excluded = {one.run for one in decisions if one.what == "exclude" and not one.quantity}
        self.out, self.gone = np.zeros((2, len(self.table)), bool)
        self.doubts: dict[tuple[int, str], Doubt] = {}
        self.told: list[str] = []
        self.copies: dict[str, set[str]] = defaultdict(set)
        self.shared = _shared_rows(self.table, self.file)
        self.finer = _finer_rows(self.shared, self.table, self.file)

    def admission(self, own: pd.DataFrame) -> Admission:
        of_record = np.arange(len(self.table)) >= len(own)
        at_hand = np.arange(len(own))
        for row, finer in self.finer.items():  # what the record holds in more digits stands in its place
            at_hand[row : row + 1] = finer if finer >= len(own) else row
        if self.gone[~of_record].any():
            own = self.table.take(at_hand[~self.gone[at_hand]]).reset_index(drop=True)
        record = self.table
        if of_record.any() or (self.out | self.gone).any():
            inside = ~self.gone & ~self.out
            earlier = inside & of_record & ~self.table["run"].isin(set(own["run"])).to_numpy()
            held = np.append(np.flatnonzero(earlier), at_hand[inside[at_hand]])
            record = self.table.take(held).reset_index(drop=True)
        copies = {run: frozenset(names) for run, names in self.copies.items()}
        return Admission(own, record, tuple(self.doubts.values()), tuple(self.told), copies)

    def _counts(self, row: int) -> bool:
        """Tell whether somebody decided that the row's run of its file counts."""
        name, label, run = self.names[row], self.sources[self.file[row]].label, self.runs[row]
        return not self.counting.isdisjoint({(name, run), (name, ""), (label, run), (label, ""), ("", run)})

    def _doubt(self, row: int, about: Literal["versions", "time"], finding: str) -> None:
        line, moment = int(self.table["source_line"].iloc[row]), self.table["measured_at"].iloc[row]
        doubt = Doubt(self.runs[row], self.names[row], line, about, finding, moment)
        self.doubts.setdefault((int(self.side[row]), about), doubt)

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
        pairs: Counter[tuple[str, str, str]] = Counter()
        known: dict[tuple[str, str], int] = {}
        for row, origin in (self.finer | first).items():
            copy, source = self.sources[self.file[row]], self.sources[self.file[origin]]
            first_time = known.setdefault((copy.name, copy.sha256), self.file[row]) == self.file[row]
            if copy != source and first_time:  # else it is a file of the record that is at hand too
                pairs[copy.name, self.labels[self.file[origin]], "" if row in first else " in fewer digits"] += 1
                self.copies[self.runs[origin]].add(copy.name)
        for (name, other, digits), number in pairs.items():
            self.told.append(f"{name}: {counted(number, 'determination')} of {other}{digits}, counted once")

    def keep_out_contradictions(self) -> None:
        """Keep out the runs that two files give otherwise; of which somebody said which counts, the other goes.
        Rows that another file gives in more digits go too, unless somebody said that they count."""
        self.finer = {row: of for row, of in self.finer.items() if self._counts(of) or not self._counts(row)}
        self.gone[[*self.finer]] = True
        self.shared = self.shared[~self.gone[self.shared["row"]]]
        clashes = {tuple(self.side[[*one[0]]]): one for one in reversed([*_clashes(self.shared)])}  # the first of sides
        dropped, rivals = dict[int, int](), set[int]()
        for pair, *_ in clashes.values():
            counts = [self._counts(row) for row in pair]
            if counts[0] != counts[1]:
                row = pair[counts.index(False)]
                dropped[int(self.side[row])] = row
        for sides, (pair, quantity, values) in reversed(clashes.items()):
            if dropped.keys().isdisjoint(sides):  # else it is decided which gives way
                rivals |= {*pair}
                for row in pair if self.excluded.isdisjoint(self.runs[[*pair]]) else ():
                    self._doubt(row, "versions", self._in_words(pair, quantity, values))
        self.told += [f"{self.names[row]}: run {self.runs[row]} gives way, as decided" for row in dropped.values()]
        first: dict[str, int] = {}  # a page shows one version of a run: that of the first file
        later = [row for row in sorted(rivals) if first.setdefault(self.runs[row], self.side[row]) != self.side[row]]
        self.out |= np.isin(self.side, [side for side, _ in self.doubts])
        self.gone |= np.isin(self.side, [*dropped, *self.side[later]])

    def _in_words(self, pair: tuple[int, int], quantity: str, values: tuple[float, float]) -> str:
        rows = self.table.iloc[[*pair]]
        places = zip(self.file[[*pair]], rows["source_line"], strict=True)
        lines = " and ".join(f"{self.labels[file]} line {line}" for file, line in places)
        both = f"{plain(values[0], 10)} and {plain(values[1], 10)} {UNITS[quantity]}"
        at = at_celsius(quantity, float(rows["temperature_C"].iloc[0]))
        return f"{lines} give {both} ({at}) for the same instrument, time, sample and fill"


def _shared_rows(table: pd.DataFrame, file: NDArray[np.int64]) -> pd.DataFrame:
    """Return the rows, by position, whose ``place`` stands in several files: instrument, time, sample, temperature."""
    near = _at_times_of_several(table["measured_at"], file)
    rows = table.iloc[near]
    same = rows[["instrument", "measured_at", "sample"]].assign(temperature=rows["temperature_C"].round(1))
    place = same.groupby([*same.columns], sort=False, dropna=False).ngroup().to_numpy()
    found = rows[["replicate"]].assign(row=near, file=file[near], place=place)
    clock = rows["measured_at"] != rows["measured_at"].dt.normalize()
    found["is_certain"] = clock & rows["instrument"].notna()  # a day without a time of day proves nothing
    for quantity in QUANTITY_COLUMNS:
        found[quantity] = _measured(rows, quantity)
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


def _measured(rows: pd.DataFrame, quantity: str) -> pd.Series:
    """Return the values of a quantity as they are compared; NaN where they were derived."""
    return rows[QUANTITY_COLUMNS[quantity]].mask(is_derived(rows["remark"].astype("string"), quantity)).round(_DIGITS)


def _of_one_fill(shared: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that are sure to be of one fill with those of their place and replicate in other files."""
    rows = shared[shared["is_certain"].to_numpy(bool)]
    return rows[(rows.groupby([*_FILL, "file"])["row"].transform("size") == 1).to_numpy()]


def _finer_rows(shared: pd.DataFrame, table: pd.DataFrame, file: NDArray[np.int64]) -> dict[int, int]:
    """Return the rows that are a row of another file rounded to their own file's digits, and that row."""
    rows = _of_one_fill(shared)
    pairs = rows.merge(rows, on=_FILL, suffixes=("", " finer"))
    pairs = pairs[pairs["file"] != pairs["file finer"]]
    is_copy, is_coarser = np.ones(len(pairs), bool), np.zeros(len(pairs), bool)
    for quantity in QUANTITY_COLUMNS:
        value, finer = pairs[quantity], pairs[f"{quantity} finer"]
        away, half = (value - finer).abs(), pd.Series(0.0, pairs.index)
        for one, some in finer[away > 0.0].groupby(pairs["file"]):
            half[some.index] = _half_steps(_measured(table[file == one], quantity), some)
        is_coarser |= (away > 0.0).to_numpy()
        is_copy &= (value.isna() | (away <= half + 0.1**_DIGITS)).to_numpy()
    found = pairs[is_copy & is_coarser]
    found = found[~found["row finer"].isin(found["row"])]  # of three, the coarsest too is a copy of the finest
    return dict(zip(found["row"].tolist(), found["row finer"].tolist(), strict=True))


def _half_steps(column: pd.Series, finer: pd.Series) -> NDArray[np.float64]:
    """Return half a step of a column's decimals, or else significant figures, for each value; 0 of too few values."""
    known, asked = column.dropna().to_numpy(float), finer.to_numpy(float)
    if known.size < _FEWEST_TO_TELL:
        return np.zeros(asked.size)
    whole, of_asked = (np.floor(np.log10(values)) + 1.0 for values in (known, asked))
    decimals = next((at for at in range(_DIGITS) if _are_multiples(known, 0.1**at)), math.inf)
    figures = next((at for at in range(1, _DIGITS) if _are_multiples(known, 10.0 ** (whole - at))), math.inf)
    return np.asarray(0.5 * np.maximum(0.1**decimals, 10.0 ** (of_asked - figures)), float)


def _are_multiples(values: NDArray[np.float64], steps: NDArray[np.float64] | float) -> bool:
    return bool(np.allclose(np.rint(values / steps) * steps, values, rtol=0.0, atol=0.1**_DIGITS))


def _clashes(shared: pd.DataFrame) -> Iterator[tuple[tuple[int, int], str, tuple[float, float]]]:
    """Yield the rows of two files that give other values for one instrument, time, sample, fill and temperature."""
    rows = _of_one_fill(shared)
    for quantity in QUANTITY_COLUMNS:
        differing = rows[(rows.groupby(_FILL)[quantity].transform("nunique") > 1).to_numpy()].dropna(subset=[quantity])
        for _, versions in differing.groupby(_FILL, sort=False):
            for one, other in combinations(versions[["row", quantity]].itertuples(index=False, name=None), 2):
                if one[1] != other[1]:
                    yield (one[0], other[0]), quantity, (one[1], other[1])


def _first_rows(shared: pd.DataFrame) -> dict[int, int]:
    """Return the rows all of whose values an earlier file holds in whatever fill, and the row there, each once."""
    is_repeat, first = pd.Series(True, shared.index), shared["row"].copy()
    for quantity in QUANTITY_COLUMNS:
        known = shared.dropna(subset=[quantity])
        nth = known.groupby(["place", quantity, "file"]).cumcount()
        head = known.groupby(["place", quantity, nth])["row"].transform("first")
        is_repeat[head.index] &= head != known["row"]
        first[head.index] = head
    is_repeat &= first != shared["row"]
    return dict(zip(shared["row"][is_repeat].tolist(), first[is_repeat].tolist(), strict=True))
