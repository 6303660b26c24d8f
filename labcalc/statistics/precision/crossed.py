"""Crossed studies: every operator measures every oil on every instrument, and what each adds to the spread."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc

from labcalc.statistics.precision.analysis_of_variance import AnalysisLine
from labcalc.statistics.precision.nested_components import combination_interval
from labcalc.statistics.series import Array, finite_series

_JOINT, _REPEAT = " × ", "repeat"


@dataclass(frozen=True)
class CrossedEffect:
    """One line of the analysis, with what it adds to the variance; F goes against the mean square without the effect.

    ``unbiased`` is below 0 where chance made it so; ``variance`` then is 0. F and p are NaN for the repeats, and where
    no positive mean square to compare with could be put together.
    """

    line: AnalysisLine
    unbiased: float
    interval: tuple[float, float]
    f: float
    p_value: float

    @property
    def variance(self) -> float:
        """Component of variance, 0 where the estimate was negative."""
        return max(self.unbiased, 0.0)


@dataclass(frozen=True)
class CrossedStudy:
    """Components of a crossed study; ``gauge`` is all variance but that of the parts themselves.

    ``p_spread`` asks whether the repeats scatter alike at every part (Bartlett); NaN without repeats, or where those
    of a part are all equal.
    """

    part: str
    levels: Mapping[str, tuple[str, ...]]
    table: Array  # cell means, an axis a factor
    repeats: int
    effects: tuple[CrossedEffect, ...]
    gauge: float
    gauge_interval: tuple[float, float]
    p_spread: float

    @property
    def categories(self) -> float:
        """How many classes of parts the gauge tells apart, 1.41 s_part / s_gauge."""
        of_part = next(one.variance for one in self.effects if one.line.name == self.part)
        return 1.41 * math.sqrt(of_part / self.gauge) if self.gauge > 0.0 else math.inf

    def precision_to_tolerance(self, tolerance: float) -> tuple[float, float, float]:
        """Return six standard deviations of the gauge as a share of the tolerance, [-], with the interval.

        tolerance : Upper less lower limit of the specification, [unit of the results], above 0.
        """
        share, low, high = (6.0 * math.sqrt(one) / tolerance for one in (self.gauge, *self.gauge_interval))
        return share, low, high


def crossed_study(factors: Mapping[str, Sequence[object]], results: ArrayLike, part: str) -> CrossedStudy:
    r"""Split the spread of a balanced crossed study, [unit of the results squared], all factors random.

    .. math:: E(M_S) = \sigma^2 + \sum_{T \supseteq S} n_T \sigma_T^2, \quad n_T = N / \prod_{t \in T} l_t

    Intervals of 95 % are by modified large samples; with three operators that of the gauge's standard deviation ends
    four times as high as the estimate.

    factors : Names of two factors or more, with the level of each result.
    results : Results, [any unit].
    part : The factor that is measured (oils, samples); all others are the gauge.
    Raises ValueError : A cell without as many results as the others, fewer than two levels of a factor, or no factor of
        that name.
    Source : D. C. Montgomery, Design and Analysis of Experiments (memory), two-factor random effects; R. K. Burdick, C.
        M. Borror and D. C. Montgomery, Design and Analysis of Gauge R&R Studies (2005; memory).
    """
    values = finite_series(results, 4, "a crossed study")
    levels, cells = _cells(factors, values)
    if part not in levels:
        raise ValueError(f"no factor '{part}': the study has {', '.join(factors)}")
    lines = _lines(cells, tuple(factors))
    squares = np.array([one.mean_square for one in lines.values()])
    degrees = np.array([one.degrees_of_freedom for one in lines.values()], dtype=float)
    weights = {effect: _weights(effect, tuple(lines), cells) for effect in lines}
    sums = (*weights.values(), sum(weight for one, weight in weights.items() if one != frozenset([part])))
    ends = [combination_interval(one, squares, degrees) for one in sums]
    intervals = [(float(low), float(high)) for low, high in ends]
    found = [
        CrossedEffect(line, float(weight @ squares), intervals[i], *_tested(i, weight, squares, degrees))
        for i, (line, weight) in enumerate(zip(lines.values(), weights.values(), strict=True))
    ]
    gauge = sum(one.variance for one in found if one.line.name != part)
    p_spread = _p_alike(np.moveaxis(cells, [*factors].index(part), 0))
    shown = cells.mean(axis=-1), cells.shape[-1], tuple(found)
    return CrossedStudy(part, levels, *shown, gauge, intervals[-1], p_spread)


def _p_alike(cells: Array) -> float:
    """Return p of Bartlett's test of the repeats at each place of the first axis; NaN without a spread everywhere."""
    k, repeats = cells.shape[0], cells.shape[-1]
    if repeats < 2 or not np.all(variances := cells.var(axis=-1, ddof=1).reshape(k, -1).mean(axis=1)):
        return math.nan
    degrees = cells.size / k / repeats * (repeats - 1)
    deviance = degrees * float(k * np.log(variances.mean()) - np.log(variances).sum())
    return float(chdtrc(k - 1, deviance / (1.0 + (k + 1.0) / (3.0 * k * degrees))))


def _cells(factors: Mapping[str, Sequence[object]], values: Array) -> tuple[dict[str, tuple[str, ...]], Array]:
    """Return the levels of each factor, and the results with an axis a factor and one for the repeats."""
    levels, codes = {}, []
    for name, given in factors.items():
        if len(given) != values.size:
            raise ValueError(f"{name}: {len(given)} levels for {values.size} results: one each was expected")
        levels[name] = tuple(dict.fromkeys(map(str, given)))
        if len(levels[name]) < 2:
            raise ValueError(f"{name}: only {levels[name][0]}; two or more were expected")
        codes.append([levels[name].index(str(one)) for one in given])
    shape = tuple(map(len, levels.values()))
    place = np.ravel_multi_index(tuple(map(np.array, codes)), shape)
    counts = np.bincount(place, minlength=math.prod(shape))
    if np.ptp(counts):
        odd = int(np.flatnonzero(counts != (usual := np.bincount(counts).argmax()))[0])
        cell = zip(levels.items(), np.unravel_index(odd, shape), strict=True)
        where = ", ".join(f"{name} {of[i]}" for (name, of), i in cell)
        expected = f"where the other cells have {usual}: as many everywhere were expected"
        raise ValueError(f"{where}: {counts[odd]} results {expected}")
    return levels, values[np.argsort(place, kind="stable")].reshape(*shape, -1)


def _lines(cells: Array, names: tuple[str, ...]) -> dict[frozenset[str], AnalysisLine]:
    """Return the line of each set of factors; repeats, which are nested in all of them, stand last."""
    left, lines = cells - cells.mean(), {}
    sets = (some for size in range(1, len(names) + 1) for some in combinations(range(len(names)), size))
    for some in sets:
        effect = left.mean(axis=tuple(i for i in range(cells.ndim) if i not in some), keepdims=True)
        left = left - effect  # larger sets are left with what smaller ones don't explain
        degrees, groups = (math.prod(cells.shape[i] - less for i in some) for less in (1, 0))
        name, square = _JOINT.join(names[i] for i in some), cells.size / groups * float(np.sum(effect**2))
        lines[frozenset(names[i] for i in some)] = AnalysisLine(name, groups, square, degrees)
    if cells.shape[-1] > 1:
        freedom = cells.size - cells.size // cells.shape[-1]
        lines[frozenset([*names, _REPEAT])] = AnalysisLine(_REPEAT, cells.size, float(np.sum(left**2)), freedom)
    return lines


def _weights(effect: frozenset[str], effects: tuple[frozenset[str], ...], cells: Array) -> Array:
    """Return how the mean squares add up to a component: each set that holds the effect, with alternating sign."""
    lowest = max(effects, key=len)
    if effect == lowest:
        return np.array([float(one == lowest) for one in effects])
    names = [next(iter(one)) for one in effects if len(one) == 1]
    times = cells.size / math.prod(cells.shape[names.index(name)] for name in effect)
    # Repeats are nested in all factors together: only the highest interaction is measured against them.
    above = [one for one in effects if effect <= one and (one <= set(names) or len(effect) == len(names))]
    signs = {one: (-1.0) ** (len(one) - len(effect)) for one in above}
    return np.asarray(np.array([signs.get(one, 0.0) for one in effects]) / times)


def _tested(place: int, weight: Array, squares: Array, degrees: Array) -> tuple[float, float]:
    """Return F and its p: the mean square against those that are expected to equal it without the effect."""
    others = np.delete(-weight / weight[place] * squares, place)
    below = float(others.sum())
    if below <= 0.0:
        return math.nan, math.nan
    freedom = below**2 / float(np.sum(others**2 / np.delete(degrees, place)))  # Welch and Satterthwaite
    f = float(squares[place]) / below
    return f, float(fdtrc(degrees[place], freedom, f))
