"""Results of one material or several from many laboratories: cells, consistency, precision of the method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision.outlier_limits import mandel_h_limit, mandel_k_limit
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
        """Return the study, [unit of the results], with some cells empty.

        kept : Which cells stay, laboratories × levels.
        """
        return replace(
            self,
            counts=np.where(kept, self.counts, 0),
            means=np.where(kept, self.means, np.nan),
            deviations=np.where(kept, self.deviations, np.nan),
        )


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
    Raises ValueError : Lists of different length, no result, or one that isn't finite.
    """
    results = np.asarray(value, dtype=float)
    if not len(laboratory) == len(level) == results.size > 0 or results.ndim != 1:
        raise ValueError(
            f"{len(laboratory)} laboratories, {len(level)} levels and results of shape {results.shape}: "
            "three lists of one length were expected"
        )
    wrong = np.flatnonzero(~np.isfinite(results))
    if wrong.size:
        row = int(wrong[0])
        raise ValueError(
            f"result {row + 1}, laboratory {laboratory[row]}, level {level[row]}, is {results[row]}: "
            "a number was expected"
        )
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
    Raises ValueError : A significance that isn't between 0 and 1.
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
    k_limits[compared] = mandel_k_limit(
        degrees[compared], np.broadcast_to(pooled, degrees.shape)[compared], significance
    )
    return MandelStatistics(cells.laboratories, cells.levels, h, k, h_limits, k_limits, significance)


def _in_order(labels: Sequence[object] | NDArray[np.generic]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Return the different labels in the order in which they come, and the place of each among them."""
    names, first, inverse = np.unique(np.array([str(one) for one in labels]), return_index=True, return_inverse=True)
    order = np.argsort(first)
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return tuple(names[order].tolist()), place[inverse]
