"""What of the exports enters the record: each row once, no contradicted version, no doubted time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
import pandas as pd

from labcalc.exports import Reading, SourceFile
from labcalc.judgement.record.clocks import doubtful_times
from labcalc.judgement.record.versions import clashes, first_rows, shared_rows
from labcalc.lab import Decision, Laboratory
from labcalc.wording import counted

_Side = tuple[str, str]
"""A run in a file."""


@dataclass(frozen=True)
class Doubt:
    """Why a run of a file is kept out of the record until somebody decides."""

    run: str
    file: str
    line: int
    about: Literal["versions", "time"]
    finding: str
    measured_at: pd.Timestamp

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}, run {self.run}: {self.finding}"


@dataclass(frozen=True)
class Admission:
    """Exports at hand and earlier ones put together."""

    at_hand: pd.DataFrame
    """The rows whose runs can be judged, each once; doubted ones too."""
    record: pd.DataFrame
    """The rows that the record holds: earlier exports, then those at hand."""
    doubts: tuple[Doubt, ...] = ()
    repeated: tuple[str, ...] = ()
    """Which files hold rows of others, in sentences."""
    copies: Mapping[str, frozenset[str]] = field(default_factory=dict)
    """Run to the names of further files that hold rows of it."""


def admit(
    reading: Reading, past: Reading | None, laboratory: Laboratory, decisions: Sequence[Decision], now: datetime
) -> Admission:
    """Put exports together.

    Parameters
    ----------
    reading, past : Reading
        The exports at hand, and the earlier ones of the record: labelled.
    laboratory : Laboratory
        Its certificates.
    decisions : sequence of Decision
        ``count`` takes one of several versions, or a time as it stands; ``exclude`` settles a doubt the other way.
    now : datetime.datetime
        The present moment.
    """
    readings = [reading] if past is None else [reading, past]
    table = reading.table if past is None else pd.concat([one.table for one in readings], ignore_index=True)
    sources = [source for one in readings for source in one.sources]
    rows = _Rows(table, sources, len(reading.table), decisions)
    return rows.admission(doubtful_times(table, rows.file, laboratory, now))


class _Rows:
    def __init__(
        self, table: pd.DataFrame, sources: Sequence[SourceFile], at_hand: int, decisions: Sequence[Decision]
    ) -> None:
        self.table, self.sources = table, sources
        self.is_at_hand = np.arange(len(table)) < at_hand
        self.counting = {(one.file, one.run) for one in decisions if one.what == "count"}
        self.excluded = {one.run for one in decisions if one.what == "exclude" and not one.quantity}
        self.file = np.repeat(np.arange(len(sources)), [one.determinations for one in sources])
        run = pd.factorize(table["run"])[0]
        self.side = self.file * (int(run.max(initial=0)) + 1) + run
        self.names, self.runs = (table[name].to_numpy(object) for name in ("source_file", "run"))
        self.out, self.gone = np.zeros((2, len(table)), bool)  # of the record; of the runs that are judged, too
        self.doubts: dict[tuple[int, str], Doubt] = {}
        self.told: list[str] = []
        self.copies: dict[str, set[str]] = defaultdict(set)

    def admission(self, doubtful: Mapping[int, str]) -> Admission:
        self._versions()
        self._times(doubtful)
        doubts, told = tuple(self.doubts.values()), tuple(self.told)
        copies = {run: frozenset(names) for run, names in self.copies.items()}
        if self.is_at_hand.all() and not (self.gone | self.out).any():
            return Admission(self.table, self.table)
        at_hand = self.table[self.is_at_hand & ~self.gone].reset_index(drop=True)
        inside = ~self.gone & ~self.out
        named = self.table["run"].isin(set(at_hand["run"])).to_numpy()
        parts = [self.table[inside & ~self.is_at_hand & ~named], self.table[inside & self.is_at_hand]]
        return Admission(at_hand, pd.concat(parts, ignore_index=True), doubts, told, copies)

    def _counts(self, row: int) -> bool:
        """Tell whether somebody decided that the row's run of its file counts."""
        file, run = self.names[row], self.runs[row]
        return not self.counting.isdisjoint({(file, run), (file, ""), ("", run)})

    def _doubt(self, row: int, about: Literal["versions", "time"], finding: str) -> None:
        one = self.table.iloc[row]
        doubt = Doubt(one["run"], one["source_file"], int(one["source_line"]), about, finding, one["measured_at"])
        self.doubts.setdefault((int(self.side[row]), about), doubt)

    def _times(self, doubtful: Mapping[int, str]) -> None:
        """Keep the runs of a doubted time out; what was excluded by somebody needs no telling."""
        rows = [row for row in sorted(doubtful) if not self.gone[row] and not self._counts(row)]
        self.out |= np.isin(self.side, self.side[rows])
        for row in (row for row in rows if self.runs[row] not in self.excluded):
            moment = self.table["measured_at"].iloc[row]
            self._doubt(row, "time", f"its time, {moment:%Y-%m-%d %H:%M}, {doubtful[row]}")

    def _versions(self) -> None:
        shared = shared_rows(self.table, self.file)
        if shared.empty:
            return
        self._contradictions(shared)
        shared = shared[~(self.out | self.gone)[shared["row"]]]
        first = first_rows(shared, len(self.table))
        copied = np.flatnonzero(first >= 0)
        self.gone[copied] = True
        pairs: Counter[tuple[int, int]] = Counter()
        for row, origin in zip(copied.tolist(), first[copied].tolist(), strict=True):
            pair = int(self.file[row]), int(self.file[origin])
            if self.sources[pair[0]] != self.sources[pair[1]]:  # a file of the record that is at hand too
                pairs[pair] += 1
                self.copies[self.runs[origin]].add(self.names[row])
        for (copy, origin), number in pairs.items():
            rows = counted(number, "determination")
            self.told.append(f"{self.sources[copy].name}: {rows} of {self.sources[origin].name}, counted once")

    def _contradictions(self, shared: pd.DataFrame) -> None:
        """Keep out the runs that two files give otherwise; of which somebody said which counts, the other goes."""
        dropped, rivals = dict[int, int](), list[int]()
        for clash in clashes(shared, self.table):
            counts = [self._counts(row) for row in clash.rows]
            if counts[0] != counts[1]:
                row = clash.rows[counts.index(False)]
                dropped[int(self.side[row])] = row
                continue
            rivals += clash.rows
            if self.excluded.isdisjoint(self.runs[row] for row in clash.rows):
                for row in clash.rows:
                    self._doubt(row, "versions", clash.finding)
        self.told += [f"{self.names[row]}: run {self.runs[row]} gives way, as decided" for row in dropped.values()]
        self.out |= np.isin(self.side, [side for side, about in self.doubts if about == "versions"])
        self.gone |= np.isin(self.side, [*dropped, *self._second_versions(rivals)])

    def _second_versions(self, rows: Sequence[int]) -> list[int]:
        """Return the sides of a run's name behind the first: a page shows one version."""
        first: dict[str, int] = {}
        return [side for row in sorted(rows) if (side := int(self.side[row])) != first.setdefault(self.runs[row], side)]
