"""How much of the sample before shows in a result: the high-low design of 21 runs, and shares as rows come in.

Take logarithms for viscosity, since a small residue mixes roughly in ln ν; densities as they are, since they are linear
in the volume fraction. For shares every material has a level of its own, and a row looks back only: what is said of a
moment uses nothing later.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array, finite_series

HIGH_LOW_ORDER = "LLLHHLHHLLLLHHLHHLHHL"
"""The published order of 21 runs, low and high: five lows after a low, five lows after a high, five highs after a
high; the first low only cleans."""


@dataclass(frozen=True)
class HighLowCarryOver:
    """What the high-low design found, [unit of the results]; shares in [-]."""

    low_after_low: float
    low_after_high: float
    high_after_high: float
    deviation: float
    """Standard deviation of the lows after a low. Carry-over that dies away over several of them inflates it, so a
    large carry-over hides a part of itself: look at the single lows too."""
    share: float  # k = (mean HL - mean LL) / (mean HH - mean LL)

    @property
    def difference(self) -> float:
        return self.low_after_high - self.low_after_low

    @property
    def limit(self) -> float:
        """Three standard deviations of the lows after a low."""
        return 3.0 * self.deviation

    @property
    def passes(self) -> bool:
        return abs(self.difference) <= self.limit


@dataclass(frozen=True)
class DesignStep:
    """One run of the design, as an analyst follows it."""

    number: int
    sample: str
    counts_as: str  # what its result is used for

    @property
    def sentence(self) -> str:
        return f"{self.number}. Measure {self.sample}, then clean as always, no more and no less: {self.counts_as}."


def high_low_steps(thick: str, thin: str) -> tuple[DesignStep, ...]:
    """Return the 21 runs, [-], of the high-low design in the order to measure them, all on one instrument.

    thick : Name of the thick oil.
    thin : Name of the thin oil; ten times thinner or more shows the most.
    """
    names = {"H": thick, "L": thin}
    return tuple(
        DesignStep(number, names[step], _USES.get(before + step, "cleans the cell, not used"))
        for number, (before, step) in enumerate(zip(" " + HIGH_LOW_ORDER[:-1], HIGH_LOW_ORDER, strict=True), 1)
    )


_USES = {
    "LL": "thin after thin, the level to compare with",
    "HL": "thin after thick",
    "HH": "thick after thick, the other level",
    "LH": "prepares the next, not used",
}


def high_low_carry_over(results: ArrayLike, *, order: str = HIGH_LOW_ORDER) -> HighLowCarryOver:
    r"""Return what a high-low design found: means and difference, [unit of the results], and the share, [-].

    .. math:: k = \frac{\bar y_{HL} - \bar y_{LL}}{\bar y_{HH} - \bar y_{LL}}

    results : Results in the order of measurement, [any unit]; of viscosities the logarithms.
    order : ``H`` and ``L`` in the order of measurement, one for each result.
    Raises ValueError : Also for fewer than two lows after a low, no low after a high, or no high after a high.
    Source : The 21 runs and the limit of 3 SD(LL): SMILE guideline Equ59-01 (seen); the formula for k from its means.

    >>> found = high_low_carry_over([10, 10.01, 10, 99.6, 100, 10.36, 10.02, 99.6, 100.0], order="LLLHHLLHH")
    >>> round(found.share, 4), found.passes
    (0.0039, False)
    """
    series = finite_series(results, 1, "a high-low design")
    if strange := set(order) - {"H", "L"}:
        raise ValueError(f"step {sorted(strange)[0]!r} in the order: 'H' or 'L' was expected")
    if series.size != len(order):
        raise ValueError(f"{series.size} results for {len(order)} steps: a result for each was expected")
    found = {pair: _after(series, order, pair) for pair in ("LL", "HL", "HH")}
    for pair, least in (("LL", 2), ("HL", 1), ("HH", 1)):
        if found[pair].size < least:
            raise ValueError(f"{found[pair].size} results of {pair[1]} after {pair[0]}: {least} or more were expected")
    low, after_high, high = (float(np.mean(found[pair])) for pair in ("LL", "HL", "HH"))
    if high == low:
        raise ValueError(f"high and low both give {low:g}: two levels were expected")
    deviation = float(np.std(found["LL"], ddof=1))
    return HighLowCarryOver(low, after_high, high, deviation, (after_high - low) / (high - low))


def _after(series: Array, order: str, pair: str) -> Array:
    follows = np.array([before + step == pair for before, step in pairwise(order)], dtype=bool)
    return np.asarray(series[1:][follows])


FEWEST_CHANGES = 6  # results after a sample of another level below which no share is estimated, [-]: our own choice
_NOTHING = 1e-12  # determinant of a correlation below which two shares can't be told apart
_ONE_BEFORE = "every material ran after one and the same sample: nothing to compare it with"


@dataclass(frozen=True)
class CarriedShare:
    """The share k of the sample before that shows in a result, [-], with its interval of 95 % and its t test."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: int
    interval: tuple[float, float]
    p_value: float  # of a share so far from 0, on either side, where nothing is carried over
    changes: int  # results after a sample of another level: what the share rests on
    why_not: str = ""  # why there is no number, where there is none

    @property
    def known(self) -> bool:
        return not self.why_not

    @property
    def half_width(self) -> float:
        return (self.interval[1] - self.interval[0]) / 2.0

    @property
    def shows(self) -> bool:
        """The whole interval lies above 0."""
        return self.interval[0] > 0.0

    def changes_needed(self, half_width: float) -> float:
        """Return how many results after another level, [-], give a wanted half width; NaN if k is unknown.

        half_width : Half width of the interval of k, [-], above 0.
        """
        if not self.known:
            return math.nan
        return float(max(math.ceil(self.changes * (self.half_width / half_width) ** 2), 1))


@dataclass(frozen=True, eq=False)
class SharesOverTime:
    """Sums of a regression as it grew, row by row, so that it can be had for any stretch of time."""

    information: Array  # Σ x xᵀ up to each row, shape (n + 1, p, p); the first is 0
    moment: Array  # Σ x y, shape (n + 1, p)
    squares: Array  # Σ y², shape (n + 1,)
    numbers: NDArray[np.int64]  # rows that tell something, shape (n + 1,)
    changes: NDArray[np.int64]  # results after a sample of another level, by share, shape (n + 1, p)

    def slopes(self) -> Array:
        """Return the shares, [-], by the rows before each row, shape (n, p); 0 where they tell nothing."""
        return _solved(self.information[:-1], self.moment[:-1])[0]

    def of_stretches(self, first: ArrayLike, last: ArrayLike) -> list[tuple[CarriedShare, ...]]:
        """Return the shares, [-], one for each column of contrasts, from each of some stretches of rows.

        first : First row of each, [-], from 0, shape (m,).
        last : The row after its last, [-], shape (m,).
        """
        from scipy.special import stdtr, stdtrit

        begin, end = np.asarray(first, dtype=np.int64), np.asarray(last, dtype=np.int64)
        information, moment, squares = (s[end] - s[begin] for s in (self.information, self.moment, self.squares))
        numbers, changes = (s[end] - s[begin] for s in (self.numbers, self.changes))
        share, inverse = _solved(information, moment)
        variance = np.einsum("...ii->...i", inverse)
        degrees = (numbers - np.count_nonzero(variance, axis=-1))[:, np.newaxis]
        rest = np.maximum(squares - np.sum(moment * share, axis=-1), 0.0)[:, np.newaxis]
        uncertainty = np.sqrt(np.where(degrees > 0, rest / np.maximum(degrees, 1), np.nan) * variance)
        half = stdtrit(np.maximum(degrees, 1), 0.975) * uncertainty
        score = np.where(uncertainty > 0.0, np.abs(share) / np.where(uncertainty > 0.0, uncertainty, 1.0), np.inf)
        numbers_of = (share, uncertainty, np.broadcast_to(degrees, share.shape), half, 2.0 * stdtr(degrees, -score))
        each = zip(*(one.tolist() for one in (*numbers_of, changes, variance > 0.0)), strict=True)
        return [tuple(_share(*one) for one in zip(*columns, strict=True)) for columns in each]


def within_materials(columns: ArrayLike, materials: ArrayLike, *, weights: ArrayLike | None = None) -> Array:
    r"""Free columns of the level of each material, row by row, looking back only.

    .. math:: u_i = \sqrt{\frac{w_i W_{i-1}}{W_i}} \, (z_i - \bar z_{i-1})

    with W the sum of weights and z̄ the mean of the material's rows before. A regression on such rows is the one with
    a level for each material, and a head of the rows is the regression as it was then.

    columns : Columns, [any unit], shape (n, p), in the order of measurement.
    materials : Material of each row, [-].
    weights : Weights, [-]; 0 leaves a row out; none: all alike.
    Returns : Columns, [unit of the column times the root of a weight], shape (n, p); NaN in a material's first row and
        in those left out.
    Source : Helmert's transformation; its use for updating sums of squares: Welford, B. P.: Technometrics 4 (1962) 419.

    >>> within_materials([[1.0], [3.0], [5.0]], ["a", "a", "a"]).round(4).ravel()
    array([   nan, 1.4142, 2.4495])
    """
    z, code = np.asarray(columns, dtype=float), np.unique(np.asarray(materials), return_inverse=True)[1]
    w = np.ones(len(z)) if weights is None else np.asarray(weights, dtype=float)
    found = np.full(z.shape, np.nan)
    for rows, filled in _alike_long(code):
        weight = np.where(filled, w[rows], 0.0)
        value = np.where((weight > 0.0)[..., np.newaxis], z[rows] - np.nan_to_num(z[rows[:, :1]]), 0.0)
        after, sums = np.cumsum(weight, axis=1), np.cumsum(weight[..., np.newaxis] * value, axis=1)
        before, summed = after[:, :-1], sums[:, :-1]  # of every row but the first
        told = (before > 0.0) & (weight[:, 1:] > 0.0)
        mean = summed / np.where(before > 0.0, before, 1.0)[..., np.newaxis]
        factor = np.sqrt(weight[:, 1:] * before / np.where(told, after[:, 1:], 1.0))
        found[rows[:, 1:][told]] = (factor[..., np.newaxis] * (value[:, 1:] - mean))[told]
    return found


def _alike_long(code: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.int64], NDArray[np.bool_]]]:
    """Yield the rows of groups of about the same length, a line a group, filled up to a power of two.

    Sums along a line are the same whatever other groups there are and whatever comes later in it.
    """
    order = np.argsort(code, kind="stable")
    heads = np.flatnonzero(np.diff(code[order], prepend=-1))
    lengths = np.diff(heads, append=code.size)
    powers = np.ceil(np.log2(lengths)).astype(int)
    for power in np.unique(powers):
        which = powers == power
        place = np.arange(2**power)
        filled = place < lengths[which, np.newaxis]
        yield order[np.where(filled, heads[which, np.newaxis] + place, heads[which, np.newaxis])], filled


def shares_over_time(contrasts: ArrayLike, results: ArrayLike, changed: ArrayLike) -> SharesOverTime:
    """Return the sums of the regression of results on contrasts, [unit of the results squared], as they grew.

    contrasts : What each share is multiplied by, [unit of the results], shape (n, p), freed of levels
        (``within_materials``); a row with NaN tells nothing.
    results : Results, freed of levels in the same way, [any unit], shape (n,).
    changed : Whether the result came after a sample of another level, for each share, [-], shape (n, p).
    """
    x, y = np.asarray(contrasts, dtype=float), np.asarray(results, dtype=float)
    tells = np.isfinite(y) & np.all(np.isfinite(x), axis=1)
    x, y = np.where(tells[:, np.newaxis], x, 0.0), np.where(tells, y, 0.0)
    counted = np.asarray(changed, dtype=bool) & tells[:, np.newaxis]
    products = x[:, :, np.newaxis] * x[:, np.newaxis, :], x * y[:, np.newaxis], y * y
    return SharesOverTime(*map(_grown, (*products, tells.astype(np.int64), counted.astype(np.int64))))


def _grown(values: NDArray[Any]) -> NDArray[Any]:
    return np.concatenate([np.zeros((1, *values.shape[1:]), values.dtype), np.cumsum(values, axis=0)])


def _solved(information: Array, moment: Array) -> tuple[Array, Array]:
    """Return shares and the inverse of the information; 0 for a share that nothing tells of."""
    diagonal = np.einsum("...ii->...i", information)
    told = diagonal > 0.0
    scale = np.sqrt(np.where(told, diagonal, 1.0))
    correlation = information / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    np.einsum("...ii->...i", correlation)[...] = 1.0
    clear = np.linalg.det(correlation) > _NOTHING
    inverse = np.linalg.inv(np.where(clear[..., np.newaxis, np.newaxis], correlation, np.eye(diagonal.shape[-1])))
    both = told[..., :, np.newaxis] & told[..., np.newaxis, :] & clear[..., np.newaxis, np.newaxis]
    inverse = np.where(both, inverse / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :]), 0.0)
    return np.asarray(np.einsum("...ij,...j->...i", inverse, moment)), inverse


def _share(
    value: float, uncertainty: float, degrees: int, half: float, p_value: float, changes: int, told: bool
) -> CarriedShare:
    if why_not := _untold(changes, degrees) or ("" if told else _ONE_BEFORE):
        return CarriedShare(math.nan, math.nan, degrees, (math.nan, math.nan), math.nan, changes, why_not)
    return CarriedShare(value, uncertainty, degrees, (value - half, value + half), p_value, changes)


def _untold(changes: int, degrees: int) -> str:
    told = f"{changes} result{'' if changes == 1 else 's'} after a sample of another level"
    if changes < FEWEST_CHANGES:
        return f"{told}; {FEWEST_CHANGES} are needed"
    return f"{told}, but no material that was measured often enough" if degrees < 1 else ""
