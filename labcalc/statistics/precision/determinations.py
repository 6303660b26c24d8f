"""What the order of repeated determinations tells: a first one that differs, a trend, a single one, a wide spread.

A pattern raises a suspicion, no more: no determination is left out here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.charts.normality import serial_dependence
from labcalc.statistics.precision.outlier_limits import grubbs_limit
from labcalc.statistics.series import finite_series

_Array = NDArray[np.float64]

_VON_NEUMANN_5_PERCENT = {5: 0.820, 6: 0.889, 7: 0.935}
"""Lower limits of the von Neumann ratio, [-]; by simulation (2 million series), since the beta is fit from 8 on."""

_CAUSES = {
    "first differs": "residue of the sample before or of solvent, or not yet at temperature",
    "first towards": "residue of the sample before",
    "first away": "residue of solvent, or not yet at temperature: not the sample before, which lies on the other side",
    "falls steadily": "the sample is still warming",
    "rises steadily": "evaporation, a cooling bath, or dirt that builds up",
    "single low": "a bubble that displaces volume",
    "single high": "a particle or a film",
    "wide spread": "control of the bath, timing or noise",
}


@dataclass(frozen=True)
class Pattern:
    """One pattern looked for: its statistic against the limit, and what it would be a sign of."""

    name: str
    statistic: float
    limit: float
    found: bool
    place: int = 0
    """Number of the determination that stands out, from 1; 0 where the pattern is one of all."""
    suspicion: str = ""
    """The likely cause in the practice of viscometry; empty where the pattern was not found."""
    why_not: str = ""
    """Why it could not be looked for."""


@dataclass(frozen=True)
class DeterminationPatterns:
    """Determinations of one sample in their order, all of them kept, and the patterns looked for."""

    determinations: tuple[float, ...]
    mean: float
    median: float
    deviation: float
    slope: float
    """Theil-Sen slope, a determination."""
    patterns: tuple[Pattern, ...]

    @property
    def found(self) -> tuple[Pattern, ...]:
        """The patterns that were found."""
        return tuple(one for one in self.patterns if one.found)


def determination_patterns(
    determinations: ArrayLike,
    deviation: float,
    *,
    degrees_of_freedom: float = math.inf,
    previous: float | None = None,
    significance: float = 0.05,
) -> DeterminationPatterns:
    """Look for the patterns of repeated determinations of one sample.

    The first differs where it is further from the mean of the rest than chance allows and the rest agree; a trend shows
    where Kendall's rank correlation with the order and the von Neumann ratio both say so; a single one by Grubbs' test,
    from four on; a wide spread by chi-square against the pooled standard deviation, by F where that is uncertain.

    Parameters
    ----------
    determinations : array_like of float
        Determinations in the order of measurement, [any unit], 2 or more.
    deviation : float
        Pooled standard deviation of determinations of one sample, [unit of the determinations], above 0.
    degrees_of_freedom : float
        Behind it, [-]; infinite where it is taken as known.
    previous : float, optional
        What the sample before gave, [unit of the determinations]: a residue moves the first one towards it.
    significance : float
        Chance of each pattern where nothing is wrong, [-]: 0.05 or 0.01. Any of the four then shows in about 13 (3) of
        100 good sets of five, since a wide spread goes with a first or a single one that is far off.

    Returns
    -------
    DeterminationPatterns
        All determinations, mean, median, standard deviation and slope, [unit of the determinations]; patterns, [-].

    Raises
    ------
    ValueError
        Fewer than two determinations, one that is not finite, a deviation that is not above 0, or a significance that
        is neither 0.05 nor 0.01.

    References
    ----------
    .. [1] Theil, H.: Proc. Kon. Ned. Akad. Wet. 53 (1950) 386; Kendall, M. G.: Biometrika 30 (1938) 81; von Neumann,
       J.: Ann. Math. Stat. 12 (1941) 367; Grubbs, F. E.: Technometrics 11 (1969) 1. Causes: practice of viscometry.

    Examples
    --------
    >>> told = determination_patterns([30.51, 30.86, 30.87, 30.85, 30.88], 0.03)
    >>> [(one.name, one.place, one.suspicion[:7]) for one in told.found if one.name == "first differs"]
    [('first differs', 1, 'residue')]
    """
    series = finite_series(determinations, 2, "a look at the order of determinations")
    if not 0.0 < deviation < math.inf:
        raise ValueError(f"standard deviation {deviation:g}: more than 0 was expected")
    if significance not in (0.05, 0.01):
        raise ValueError(f"significance {significance:g}: 0.05 or 0.01 was expected")
    slope = theil_sen_slope(series)
    trend = _trend(series, slope, significance)
    return DeterminationPatterns(
        tuple(series.tolist()),
        float(np.mean(series)),
        float(np.median(series)),
        float(np.std(series, ddof=1)),
        slope,
        (
            _first(series, deviation, degrees_of_freedom, significance, previous),
            trend,
            _single(series, significance),
            _spread(series, deviation, degrees_of_freedom, significance, trended=trend.found),
        ),
    )


def theil_sen_slope(results: ArrayLike) -> float:
    """Return the median of the slopes between all pairs of results over their order.

    Parameters
    ----------
    results : array_like of float
        Results in the order of measurement, [any unit], 2 or more.

    Returns
    -------
    float
        Slope, [unit of the results a step].

    Raises
    ------
    ValueError
        Fewer than two results, or one that is not finite.

    Examples
    --------
    >>> round(theil_sen_slope([10.0, 10.2, 10.3, 14.0]), 2)
    0.77
    """
    series = finite_series(results, 2, "a slope")
    low, high = np.triu_indices(series.size, 1)
    return float(np.median((series[high] - series[low]) / (high - low)))


def kendall_trend(results: ArrayLike) -> tuple[float, float]:
    """Return Kendall's rank correlation of results with their order, and its exact p-value.

    Parameters
    ----------
    results : array_like of float
        Results in the order of measurement, [any unit], 2 or more; ties count as half a pair each way, and the p-value
        is then somewhat too large.

    Returns
    -------
    tuple of float
        Tau, [-], and the two-sided chance of so large a one among results in random order, [-].

    Raises
    ------
    ValueError
        Fewer than two results, or one that is not finite.

    Examples
    --------
    >>> tau, p = kendall_trend([1.0, 2.0, 3.0, 4.0, 5.0])
    >>> tau, round(p, 6)
    (1.0, 0.016667)
    """
    series = finite_series(results, 2, "a rank correlation")
    low, high = np.triu_indices(series.size, 1)
    score = float(np.sum(np.sign(series[high] - series[low])))
    ways = np.array([1.0])
    for step in range(2, series.size + 1):  # permutations by their number of inversions
        ways = np.convolve(ways, np.full(step, 1.0 / step))
    scores = low.size - 2.0 * np.arange(ways.size)
    return score / low.size, min(1.0, float(np.sum(ways[np.abs(scores) >= abs(score)])))


def _first(series: _Array, deviation: float, degrees: float, significance: float, previous: float | None) -> Pattern:
    from scipy.special import stdtrit

    name, n = "first differs", series.size
    if n < 3:
        return Pattern(name, math.nan, math.nan, False, why_not="two determinations: neither is the one that differs")
    others = np.mean(series[1:])
    statistic = float(abs(series[0] - others)) / (deviation * math.sqrt(1.0 + 1.0 / (n - 1)))
    limit = float(stdtrit(min(degrees, 1e9), 1.0 - significance / 2.0))
    rest = float(np.var(series[1:], ddof=1)) / deviation**2
    agrees = rest <= _variance_limit(n - 2, degrees, significance)
    cause = name
    if previous is not None:
        towards = (previous - others) * (series[0] - others) > 0.0
        cause = "first towards" if towards else "first away"
    return _pattern(name, statistic, limit, statistic > limit and agrees, place=1, cause=cause)


def _pattern(name: str, statistic: float, limit: float, found: bool, *, place: int = 0, cause: str = "") -> Pattern:
    return Pattern(name, statistic, limit, found, place, _CAUSES[cause or name] if found else "")


def _trend(series: _Array, slope: float, significance: float) -> Pattern:
    name, n = "rises steadily" if slope > 0.0 else "falls steadily", series.size
    if n < 5:
        why_not = f"{n} determinations: in random order even a straight run of them is no rarity; 5 are needed"
        return Pattern(name, math.nan, math.nan, False, why_not=why_not)
    if np.ptp(series) == 0.0:
        return Pattern(name, 1.0, significance, False)
    _, p_value = kendall_trend(series)
    return _pattern(name, p_value, significance, p_value <= significance and _neighbours_alike(series))


def _neighbours_alike(series: _Array) -> bool:
    if series.size >= 8:
        return serial_dependence(series).dependent
    ratio = float(np.sum(np.diff(series) ** 2) / np.sum((series - np.mean(series)) ** 2))
    return ratio < _VON_NEUMANN_5_PERCENT[series.size]


def _single(series: _Array, significance: float) -> Pattern:
    place = int(np.argmax(np.abs(series - np.mean(series))))
    name, n = "single high" if series[place] > np.mean(series) else "single low", series.size
    if n < 4:
        why_not = f"{n} determinations: two close ones and one far off come by chance; keep all, and measure again"
        return Pattern(name, math.nan, math.nan, False, why_not=why_not)
    limit = float(grubbs_limit(n, significance))
    spread = float(np.std(series, ddof=1))
    if np.ptp(series) == 0.0:
        return Pattern(name, 0.0, limit, False)
    statistic = float(abs(series[place] - np.mean(series))) / spread
    return _pattern(name, statistic, limit, statistic > limit, place=place + 1)


def _spread(series: _Array, deviation: float, degrees: float, significance: float, *, trended: bool) -> Pattern:
    statistic = float(np.var(series, ddof=1)) / deviation**2
    limit = _variance_limit(series.size - 1, degrees, significance)
    return _pattern("wide spread", statistic, limit, statistic > limit and not trended)


def _variance_limit(number: int, degrees: float, significance: float) -> float:
    """Return the limit of a variance over the pooled one: chi-square over its degrees, or F."""
    from scipy.special import chdtri, fdtri

    if math.isinf(degrees):
        return float(chdtri(number, significance)) / number
    return float(fdtri(number, degrees, 1.0 - significance))
