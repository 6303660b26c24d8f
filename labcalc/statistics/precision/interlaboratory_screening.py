"""Which cells of an interlaboratory study are stragglers and outliers, in the order of the standard."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.statistics.precision import outliers
from labcalc.statistics.precision.interlaboratory import InterlaboratoryCells


@dataclass(frozen=True)
class OutlierFlag:
    """A straggler or an outlier: which laboratory (two for a pair) at which level, by which test and limits."""

    laboratories: tuple[str, ...]
    level: str
    test: str
    statistic: float
    limit_5_percent: float
    limit_1_percent: float
    standing: outliers.Standing
    left_out: bool

    def __str__(self) -> str:
        """Return the flag as a sentence."""
        limit, share = (self.limit_1_percent, "1 %") if self.standing == "outlier" else (self.limit_5_percent, "5 %")
        side = "below" if self.limit_1_percent < self.limit_5_percent else "above"
        return (
            f"laboratory {' and '.join(self.laboratories)}, level {self.level}: {self.standing} by {self.test}, "
            f"{self.statistic:.3f} {side} {limit:.3f} ({share}), {'left out' if self.left_out else 'kept'}"
        )


@dataclass(frozen=True)
class ScreenedCells:
    """A study after screening: the cells kept, and every flag in the order in which it was raised."""

    cells: InterlaboratoryCells
    kept: NDArray[np.bool_]
    flags: tuple[OutlierFlag, ...]


def screen_cells(cells: InterlaboratoryCells, *, keep: Collection[tuple[str, str]] = ()) -> ScreenedCells:
    """Screen a study, [unit of the results], level by level: Cochran on the deviations, then Grubbs on the means.

    Cochran's test asks about the largest standard deviation, and again without it where that was an outlier; each
    repetition is less well founded, so look at the flags before you believe the third. Grubbs' test then asks about
    the mean further from the rest; where it is an outlier, about the other end without it. Only where neither end has
    an outlier are the two highest and the two lowest asked about. Stragglers (5 %) stay and are flagged; outliers
    (1 %) are left out, cell by cell, unless ``keep`` holds them: leave a result in or out for its cause, and tell.

    cells : The study, [any unit].
    keep : (Laboratory, level) of outliers that stay, for a reason that the study's report gives; a pair stays whole
        where one of the two is named.
    Raises ValueError : ``keep`` names a laboratory or level that the study doesn't have.
    Source : ISO 5725-2:2019, scrutiny of results for consistency and outliers (order from memory). Cochran's limits are
        those of the number of results in most cells.

    >>> from labcalc.statistics.precision.interlaboratory import interlaboratory_cells
    >>> values = [10.0, 10.2, 10.1, 10.1, 10.0, 10.1, 10.2, 10.1, 14.0, 14.1]
    >>> found = screen_cells(interlaboratory_cells([*"AABBCCDDEE"], ["1"] * 10, values))
    >>> print(found.flags[0])
    laboratory E, level 1: outlier by Grubbs, highest, 1.788 above 1.764 (1 %), left out
    """
    for laboratory, level in keep:
        if laboratory not in cells.laboratories or level not in cells.levels:
            raise ValueError(f"keep holds laboratory {laboratory!r}, level {level!r}, which the study doesn't have")
    kept = cells.counts > 0
    flags: list[OutlierFlag] = []
    for column in range(len(cells.levels)):
        one = _Level(cells, column, kept[:, column], frozenset(keep))
        flags += [*one.scatter(), *one.means()]
    return ScreenedCells(cells.only(kept), kept, tuple(flags))


class _Level:
    """One level under screening; ``kept`` is a view of its column, which loses what is left out."""

    def __init__(
        self, cells: InterlaboratoryCells, column: int, kept: NDArray[np.bool_], keep: frozenset[tuple[str, str]]
    ) -> None:
        self.laboratories, self.name, self.kept, self.keep = cells.laboratories, cells.levels[column], kept, keep
        self.averages, self.deviations = cells.means[:, column], cells.deviations[:, column]
        self.usual = int(cells.usual_count[column])

    def scatter(self) -> Iterator[OutlierFlag]:
        while True:
            rows = np.flatnonzero(self.kept & np.isfinite(self.deviations))
            if self.usual < 2 or rows.size < 2 or not np.any(self.deviations[rows] > 0.0):
                return
            flag = self._flag(outliers.cochran_test(self.deviations[rows], self.usual), rows)
            if flag.standing != "within":
                yield flag
            if not flag.left_out:
                return

    def means(self) -> Iterator[OutlierFlag]:
        single = [*self._single()]
        yield from single
        rows = np.flatnonzero(self.kept)
        if any(flag.standing == "outlier" for flag in single) or rows.size < 4 or self._equal(rows):
            return
        ends: tuple[outliers.End, ...] = ("highest", "lowest")
        tests = [outliers.grubbs_pair_test(self.averages[rows], end) for end in ends]
        for test in sorted(tests, key=lambda one: one.statistic):
            flag = self._flag(test, rows)
            if flag.standing != "within":
                yield flag
            if flag.standing == "outlier":  # of two groups far apart, each pair is odd to the other: one is enough
                return

    def _single(self) -> Iterator[OutlierFlag]:
        rows = np.flatnonzero(self.kept)
        if rows.size < 3 or self._equal(rows):
            return
        ends: tuple[outliers.End, ...] = ("highest", "lowest")
        for end in sorted(ends, key=lambda one: -outliers.grubbs_test(self.averages[rows], one).statistic):
            left = np.flatnonzero(self.kept)
            if left.size < 3 or self._equal(left):
                return
            flag = self._flag(outliers.grubbs_test(self.averages[left], end), left)
            if flag.standing != "within":
                yield flag

    def _equal(self, rows: NDArray[np.intp]) -> bool:
        return bool(np.ptp(self.averages[rows]) == 0.0)

    def _flag(self, test: outliers.OutlierTest, rows: NDArray[np.intp]) -> OutlierFlag:
        """Return the test as a flag; where it is an outlier, leave its cells out unless they are to stay."""
        found = rows[list(test.places)]
        names = tuple(self.laboratories[row] for row in found)
        left_out = test.standing == "outlier" and not any((name, self.name) in self.keep for name in names)
        if left_out:
            self.kept[found] = False
        limits = test.limit_5_percent, test.limit_1_percent
        return OutlierFlag(names, self.name, test.test, test.statistic, *limits, test.standing, left_out)
