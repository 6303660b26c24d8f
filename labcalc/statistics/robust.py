"""Mean and standard deviation that a few wild results don't carry away."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from labcalc.statistics.series import Array

_MEDIAN_FACTOR = 1.482602218505602  # 1/Φ⁻¹(3/4), from a median absolute to a standard deviation; printed as 1.483
_PULLED_IN = 1.5  # results further than this many s* from x* are pulled in to there
_SPREAD_FACTOR = 1.1333926554624871
"""What a standard deviation of normal results so pulled in lacks, 1/√(1 − 2Q − 2·1.5 φ(1.5) + 2·1.5² Q) with Q the tail
beyond 1.5; printed as 1.134."""
_HAMPEL_JOINTS = np.array([-4.5, -3.0, -1.5, 1.5, 3.0, 4.5])
_HAMPEL_HEIGHTS = np.array([0.0, -1.5, -1.5, 1.5, 1.5, 0.0])  # ψ at its joints; straight between them, 0 outside
_TOLERANCE = 1e-12
_ROUNDS = 1000
_VANISHED = 1e-9  # below this share of its start a standard deviation is on its way to 0


@dataclass(frozen=True)
class RobustEstimate:
    """Robust mean x* and standard deviation s* of a series, or of each column, and how many rounds they took."""

    mean: Array
    deviation: Array
    number: NDArray[np.int64]
    rounds: int


def algorithm_a(results: ArrayLike) -> RobustEstimate:
    """Return the robust mean x* and standard deviation s*, [unit of the results], of each level by Algorithm A.

    Start from the median and the scaled median deviation; pull results further than 1.5 s* from x* in to there; x* is
    the mean of what results, s* 1.1334 times its standard deviation; again, until neither moves by more than 1e-12 s*.
    Levels are independent of each other. Where more than half of the results are equal, the start is the plain standard
    deviation (memory), and s* may shrink to 0: the results are too coarse for it.

    results : Results, [any unit], one series or laboratories × levels; NaN where one is missing. 3 or more a level; 12
        or more for s* to serve as a spread for scores.
    Source : ISO 13528:2022, C.3.1; ISO 5725-5:1998, algorithm A (constants printed as 1.483 and 1.134, here exact).
    """
    table = _table(results)
    number = np.sum(np.isfinite(table), axis=0)
    median = np.nanmedian(table, axis=0)
    table = table - median  # centred before anything is squared or compared
    mean, deviation = np.zeros_like(median), np.asarray(_MEDIAN_FACTOR * np.nanmedian(np.abs(table), axis=0))
    deviation = np.where(deviation > 0.0, deviation, np.nanstd(table, axis=0, ddof=1))
    start = deviation
    for rounds in range(1, _ROUNDS + 1):
        reach = _PULLED_IN * deviation
        pulled = np.clip(table - mean, -reach, reach)
        shift = np.nanmean(pulled, axis=0)
        spread = _SPREAD_FACTOR * np.sqrt(np.nansum((pulled - shift) ** 2, axis=0) / (number - 1))
        still = np.maximum(np.abs(shift), np.abs(spread - deviation)) <= _TOLERANCE * np.maximum(spread, start)
        mean, deviation = mean + shift, spread
        if np.all(still):
            settled = np.where(deviation > _VANISHED * start, deviation, 0.0)
            return RobustEstimate(np.asarray(median + mean), settled, np.asarray(number), rounds)
    raise ArithmeticError(f"Algorithm A didn't settle in {_ROUNDS} rounds: {np.asarray(results).tolist()}")


def q_hampel(results: ArrayLike) -> RobustEstimate:
    r"""Return Hampel's mean x* and the Q standard deviation s*, [unit of the results], of each level.

    s* goes by the distances of all pairs, so that neither a mean nor a start is needed, and it is 0 only where all
    results are equal; x* gives results within 1.5 s* full weight and results beyond 4.5 s* none.
    Of normal results s* is as sure as a plain standard deviation of seven tenths as many (four fifths, of very many).

    .. math:: s^* = \frac{G_1^{-1}(0.25 + 0.75 H_1(0))}{\sqrt 2 \, \Phi^{-1}(0.625 + 0.375 H_1(0))}

    results : Results, or means of laboratories, [any unit], one series or laboratories × levels; NaN where one is
        missing. 3 or more a level.
    Returns : x* and s*, [unit of the results], without rounds: both are found in one pass.
    Source : ISO 13528:2022, C.5.2.2 (Q) and C.5.3.2 (Hampel, in finitely many steps), both from memory, held against
        the example of its Annex E.3; C. H. Müller and S. Uhlig, J. Stat. Plan. Inference 97 (2001) 207.
    """
    table = _table(results)
    levels = [level[np.isfinite(level)] for level in np.atleast_2d(table.T)]
    spreads = [_q_deviation(level) for level in levels]
    means = [_hampel_mean(*one) for one in zip(levels, spreads, strict=True)]
    mean, deviation = (np.reshape(one, table.shape[1:]) for one in (means, spreads))
    return RobustEstimate(mean, deviation, np.sum(np.isfinite(table), axis=0), 0)


def _q_deviation(series: Array) -> float:
    first, second = np.triu_indices(series.size, 1)
    apart = np.sort(np.abs(series[first] - series[second]))
    alike = _TOLERANCE * (apart[-1] + np.abs(series).max())  # 12.3 - 12.2 is no larger than 5.1 - 5.0
    starts = np.flatnonzero(np.diff(apart, prepend=-np.inf) > alike)
    steps, counts = np.where(apart[starts] > alike, apart[starts], 0.0), np.diff(starts, append=apart.size)
    height = np.cumsum(counts) / first.size  # H1, the share of pairs no further apart
    equal = height[0] if steps[0] == 0.0 else 0.0
    if equal == 1.0:
        return 0.0
    unequal = steps > 0.0
    middle = (height - counts / first.size / 2.0)[unequal]  # G1, halfway up each step of H1
    quantile = np.interp(0.25 + 0.75 * equal, np.append(0.0, middle), np.append(0.0, steps[unequal]))
    return float(quantile / (np.sqrt(2.0) * ndtri(0.625 + 0.375 * equal)))


def _hampel_mean(series: Array, deviation: float) -> float:
    """Return the root of Σψ((y − x)/s*) next to the median: Σψ is straight between the joints of its terms."""
    median = float(np.median(series))
    if deviation == 0.0:
        return median
    joints = np.unique(series[:, None] + deviation * _HAMPEL_JOINTS)
    sums = np.interp((series[:, None] - joints) / deviation, _HAMPEL_JOINTS, _HAMPEL_HEIGHTS).sum(axis=0)
    sums[np.abs(sums) < _TOLERANCE * series.size] = 0.0
    crossed = np.flatnonzero(sums[:-1] * sums[1:] < 0.0)
    share = sums[crossed] / (sums[crossed] - sums[crossed + 1])
    roots = np.append(joints[sums == 0.0], joints[crossed] + share * np.diff(joints)[crossed])
    return float(roots[np.argmin(np.abs(roots - median))])


def _table(results: ArrayLike) -> Array:
    table = np.asarray(results, dtype=float)
    if table.ndim not in (1, 2) or np.any(np.isinf(table)):
        raise ValueError("results: a series of numbers, or laboratories × levels with NaN where one is missing")
    fewest = int(np.min(np.sum(np.isfinite(table), axis=0), initial=table.shape[0]))
    if fewest < 3:
        raise ValueError(f"{fewest} results at a level: 3 or more were expected")
    return table
