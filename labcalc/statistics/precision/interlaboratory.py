"""Results of many laboratories as cells: consistency, and stragglers and outliers in the order of the standard."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision import outliers
from labcalc.statistics.precision.outliers import mandel_h_limit, mandel_k_limit
from labcalc.statistics.series import Array


@dataclass(frozen=True)
class InterlaboratoryCells:
    """A study as cells, laboratories × levels: number of results, mean, standard deviation.

    A mean is NaN where a laboratory has no result, a standard deviation where it has fewer than two.
    """

    laboratories: tuple[str, ...]
    levels: tuple[str, ...]
    counts: NDArray[np.int64]
    means: Array
    deviations: Array

    @property
    def usual_count(self) -> NDArray[np.int64]:
        """Number of results in most of the cells with repeats, level by level; the larger of two equally frequent."""
        numbers = np.arange(int(self.counts.max()), 1, -1)
        frequency = [np.sum(self.counts == number, axis=0) for number in numbers]
        return numbers[np.argmax(frequency, axis=0)] if numbers.size else np.ones(len(self.levels), dtype=np.int64)

    def only(self, kept: NDArray[np.bool_]) -> InterlaboratoryCells:
        """Return the study with the cells that aren't kept empty."""
        values = (np.where(kept, one, np.nan) for one in (self.means, self.deviations))
        return InterlaboratoryCells(self.laboratories, self.levels, np.where(kept, self.counts, 0), *values)


@dataclass(frozen=True)
class MandelStatistics:
    """Mandel's h and k of every cell, with the limits of each level (h) and of each cell (k) at a significance.

    NaN where a cell has no mean (h) or no standard deviation (k), and limits where fewer than three laboratories (h) or
    two (k) are left.
    """

    laboratories: tuple[str, ...]
    levels: tuple[str, ...]
    h: Array
    k: Array
    h_limits: Array
    k_limits: Array
    significance: float

    @property
    def beyond_h(self) -> NDArray[np.bool_]:
        """Cells whose mean is inconsistent with the others'."""
        return np.asarray(np.abs(self.h) > self.h_limits)

    @property
    def beyond_k(self) -> NDArray[np.bool_]:
        """Cells whose repeats scatter more than the others' do."""
        return np.asarray(self.k > self.k_limits)


def interlaboratory_cells(
    laboratory: Sequence[object] | NDArray[np.generic], level: Sequence[object] | NDArray[np.generic], value: ArrayLike
) -> InterlaboratoryCells:
    """Return a list of results, [any unit], one a line, as cells; laboratories and levels keep their order.

    laboratory, level : Laboratory and level (material) of each result, [-].
    value : Results, [any unit], finite; missing ones are left out of the list, not given as NaN.
    """
    results = np.asarray(value, dtype=float)
    if not len(laboratory) == len(level) == results.size > 0 or results.ndim != 1:
        given = f"{len(laboratory)} laboratories, {len(level)} levels and results of shape {results.shape}"
        raise ValueError(f"{given}: three lists of one length were expected")
    wrong = np.flatnonzero(~np.isfinite(results))
    if wrong.size:
        row = int(wrong[0])
        which = f"result {row + 1}, laboratory {laboratory[row]}, level {level[row]}"
        raise ValueError(f"{which}, is {results[row]}: a number was expected")
    laboratories, rows = _in_order(laboratory)
    levels, columns = _in_order(level)
    shape = (len(laboratories), len(levels))
    cell = rows * shape[1] + columns
    counts = np.bincount(cell, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore", divide="ignore"):  # an empty cell has no mean, a single result no deviation
        # A first mean, then the mean of what it leaves: the sum of large results loses digits.
        means = np.bincount(cell, results, counts.size) / counts
        means += np.bincount(cell, results - means[cell], counts.size) / counts
        squares = np.bincount(cell, (results - means[cell]) ** 2, counts.size)
        deviations = np.sqrt(squares / np.where(counts > 1, counts - 1.0, np.nan))
    return InterlaboratoryCells(
        laboratories, levels, counts.reshape(shape), means.reshape(shape), deviations.reshape(shape)
    )


def mandel_statistics(cells: InterlaboratoryCells, significance: float = 0.005) -> MandelStatistics:
    """Return Mandel's h and k, which show at a glance which laboratory differs where.

    cells : The study, [any unit].
    significance : Chance that a given cell of a good study is beyond its limit, [-]: 0.005 in ASTM E691, 0.01 and 0.05
        in ISO 5725-2.
    Returns : h and k, [-]; the mean of a level is that of its cell means, and limits of k go by each cell's own number.
    Source : ASTM E691-23, h and k; ISO 5725-2:2019, Mandel's h and k statistics.
    """
    present, repeated = cells.counts > 0, cells.counts > 1
    degrees = np.where(repeated, cells.counts - 1.0, 0.0)
    laboratories, pooled = np.sum(present, axis=0), np.sum(degrees, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):  # a level without scatter, or with one laboratory, has none
        centred = cells.means - np.nansum(cells.means, axis=0) / laboratories
        h = centred / np.sqrt(np.nansum(centred**2, axis=0) / (laboratories - 1))
        k = cells.deviations / np.sqrt(np.nansum(degrees * cells.deviations**2, axis=0) / pooled)
    h_limits = np.full(laboratories.size, np.nan)
    h_limits[laboratories >= 3] = mandel_h_limit(laboratories[laboratories >= 3], significance)
    k_limits, compared = np.full(degrees.shape, np.nan), repeated & (degrees < pooled)
    of_level = np.broadcast_to(pooled, degrees.shape)[compared]
    k_limits[compared] = mandel_k_limit(degrees[compared], of_level, significance)
    return MandelStatistics(cells.laboratories, cells.levels, h, k, h_limits, k_limits, significance)


def _in_order(labels: Sequence[object] | NDArray[np.generic]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Return the different labels in the order in which they come, and the place of each among them."""
    names, first, inverse = np.unique(np.array([str(one) for one in labels]), return_index=True, return_inverse=True)
    order = np.argsort(first)
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return tuple(names[order].tolist()), place[inverse]


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
        limit, share = (self.limit_1_percent, "1 %") if self.standing == "outlier" else (self.limit_5_percent, "5 %")
        side = "below" if self.limit_1_percent < self.limit_5_percent else "above"
        whose = f"laboratory {' and '.join(self.laboratories)}, level {self.level}"
        found = f"{self.statistic:.3f} {side} {limit:.3f} ({share}), {'left out' if self.left_out else 'kept'}"
        return f"{whose}: {self.standing} by {self.test}, {found}"


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
