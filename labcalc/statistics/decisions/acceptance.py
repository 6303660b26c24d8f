"""Use of r and R: do results agree, and where does the true value lie (ISO 4259).

The limits are derived from the definitions r = 1.96 √2 s_r and R = 1.96 √2 s_R. What is procedure (how many more to
measure) is the 2006 edition's, from memory; the texts of 2017 and 2026 were not seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision.repeats import lie_within
from labcalc.statistics.series import finite_series

_TWO_SIDED, _ONE_SIDED = 1.9599639845400545, 1.6448536269514722
"""Normal quantiles of 97.5 % and of 95 %."""

ONE_SIDED_FACTOR = _ONE_SIDED / (_TWO_SIDED * math.sqrt(2.0))
"""From the reproducibility to what one result must be inside a limit for 95 %: 0.5934; ISO 4259 prints 0.59."""


def deviation_limit(precision: ArrayLike, results: ArrayLike) -> NDArray[np.float64]:
    r"""Return how far one result may be from the mean of the others, 95 %.

    .. math:: r_1 = r \sqrt{\frac{k}{2(k-1)}}

    It holds for a result chosen beforehand. The **most divergent** of k is chosen by looking: held against r₁ it is
    beyond in 17 % of good sets of 4 and in 21 % of good sets of 5. To ask whether k results agree, compare their range
    with ``critical_range``, which errs in 5 %.

    Parameters
    ----------
    precision : array_like of float
        Repeatability r, or the reproducibility for averages of several laboratories, [unit of the result].
    results : array_like of int
        Number of results k, the one included, [-], 2 or more.

    Returns
    -------
    numpy.ndarray of float
        Limit r₁, [unit of the result].

    Raises
    ------
    ValueError
        Fewer than 2 results.

    References
    ----------
    .. [1] ISO 4259:2006 (memory); derivation: variance of x - mean of k-1 others = s² k/(k-1).

    Examples
    --------
    >>> [float(limit) for limit in deviation_limit(0.1, [2, 3, 4, 5]).round(5)]
    [0.1, 0.0866, 0.08165, 0.07906]
    """
    k = _counts(results, 2)
    return np.asarray(np.asarray(precision, dtype=float) * np.sqrt(k / (2.0 * (k - 1.0))))


def between_laboratories_limit(
    repeatability: ArrayLike, reproducibility: ArrayLike, first_results: ArrayLike, second_results: ArrayLike
) -> NDArray[np.float64]:
    r"""Return how far the averages of two laboratories may be apart, 95 %.

    .. math:: R_1 = \sqrt{R^2 - r^2 \left(1 - \frac{1}{2 k_1} - \frac{1}{2 k_2}\right)}

    Parameters
    ----------
    repeatability : array_like of float
        Repeatability r, [unit of the result].
    reproducibility : array_like of float
        Reproducibility R, [unit of the result], not below r.
    first_results : array_like of int
        Number of results k₁ behind the first laboratory's average, [-], 1 or more.
    second_results : array_like of int
        Number of results k₂ behind the second's, [-], 1 or more.

    Returns
    -------
    numpy.ndarray of float
        Limit R₁, [unit of the result].

    Raises
    ------
    ValueError
        R is below r, or a number of results below 1.

    References
    ----------
    .. [1] ISO 4259:2006 and ISO 5725-6:1994 (memory, the same in both); derivation.

    Examples
    --------
    >>> [float(limit) for limit in between_laboratories_limit(0.1, 0.3, [1, 2, 3], [1, 2, 3]).round(4)]
    [0.3, 0.2915, 0.2887]
    """
    r, big_r = _precision(repeatability, reproducibility)
    k1, k2 = _counts(first_results, 1), _counts(second_results, 1)
    return np.asarray(np.sqrt(big_r**2 - r**2 * (1.0 - 0.5 / k1 - 0.5 / k2)))


@dataclass(frozen=True)
class TrueValue:
    """Best estimate of the true value with its two-sided 95 % limits, in the unit of the results."""

    value: NDArray[np.float64]
    half_width: NDArray[np.float64]

    @property
    def interval(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper limit."""
        return np.asarray(self.value - self.half_width), np.asarray(self.value + self.half_width)


def best_estimate(
    averages: ArrayLike, repeatability: ArrayLike, reproducibility: ArrayLike, *, results: ArrayLike = 1
) -> TrueValue:
    r"""Estimate the true value from the average of each of N laboratories, 95 % two-sided.

    .. math:: \bar X \pm \frac{1}{N\sqrt 2} \sqrt{\sum_i \left[R^2 - r^2 (1 - 1/k_i)\right]}

    One result of one laboratory: X ± R/√2 = X ± 0.707 R.

    Parameters
    ----------
    averages : array_like of float
        Averages, the laboratories along the last axis, [any unit]; a single number is one laboratory.
    repeatability : array_like of float
        Repeatability r, [unit of the result].
    reproducibility : array_like of float
        Reproducibility R, [unit of the result], not below r.
    results : array_like of int
        Number of results k behind each average, [-], 1 or more.

    Returns
    -------
    TrueValue
        Estimate and half width, [unit of the result], without the last axis.

    Raises
    ------
    ValueError
        R is below r, or a number of results below 1.

    References
    ----------
    .. [1] ISO 4259:2006 (memory); derivation.

    Examples
    --------
    >>> float(best_estimate(10.0, 0.1, 0.3).half_width.round(4))
    0.2121
    >>> float(best_estimate([10.0, 10.2], 0.1, 0.3, results=3).half_width.round(4))
    0.1443
    """
    means = np.atleast_1d(np.asarray(averages, dtype=float))
    k = np.broadcast_to(_counts(results, 1), means.shape)
    r, big_r = (one[..., np.newaxis] for one in _precision(repeatability, reproducibility))
    squares = np.sum(np.broadcast_to(big_r**2 - r**2 * (1.0 - 1.0 / k), np.broadcast_shapes(big_r.shape, k.shape)), -1)
    return TrueValue(np.mean(means, axis=-1), np.asarray(np.sqrt(squares / 2.0) / means.shape[-1]))


def one_sided_margin(
    reproducibility: ArrayLike, *, repeatability: ArrayLike = 0.0, results: ArrayLike = 1
) -> NDArray[np.float64]:
    r"""Return how far inside a limit a result must be for 95 % certainty that the true value is inside.

    .. math:: \frac{1.645}{1.96\sqrt 2} \sqrt{R^2 - r^2 (1 - 1/k)}

    Parameters
    ----------
    reproducibility : array_like of float
        Reproducibility R, [unit of the result].
    repeatability : array_like of float
        Repeatability r, [unit of the result]; of no effect with one result.
    results : array_like of int
        Number of results k behind the laboratory's average, [-], 1 or more.

    Returns
    -------
    numpy.ndarray of float
        Margin, [unit of the result]: 0.5934 R for one result. The standard prints 0.59, which is 0.6 % less.

    Raises
    ------
    ValueError
        R is below r, or a number of results below 1.

    References
    ----------
    .. [1] ISO 4259:2006 (0.59 R seen in a public document that quotes it; k results: derivation).

    Examples
    --------
    >>> float(one_sided_margin(0.3).round(4))
    0.178
    """
    return np.asarray(ONE_SIDED_FACTOR * between_laboratories_limit(repeatability, reproducibility, results, results))


@dataclass(frozen=True)
class AcceptedResults:
    """What is left of repeats: their mean, or NaN while ``more`` are still to be measured."""

    value: float
    accepted: tuple[bool, ...]
    """In the order of the results."""
    more: int


def accepted_results(results: ArrayLike, repeatability: float, *, more: int = 3) -> AcceptedResults:
    """Reject the most divergent results of one laboratory one by one, until the rest agrees.

    Two results within r give their mean. Beyond r more are measured; then the most divergent of all is held against
    the mean of the others at r₁ = ``deviation_limit``, rejected where it is beyond, and so on. Of good sets this
    rejects a result in 17 % (4 results) to 21 % (5): ``acceptable_result`` by ISO 5725-6 errs in 5 % only.

    Parameters
    ----------
    results : array_like of float
        All results so far, [any unit], 2 or more.
    repeatability : float
        Repeatability r, [unit of the results], above 0.
    more : int
        How many further results the edition in use asks for when two don't agree, [-]; 3 in 2006 (memory).

    Returns
    -------
    AcceptedResults
        Mean of the accepted results, [unit of the results], which they are, and the number still to be measured, [-].

    Raises
    ------
    ValueError
        Fewer than 2 results, one that is not finite, or a repeatability that is not above 0.

    References
    ----------
    .. [1] ISO 4259:2006 (memory).

    Examples
    --------
    >>> accepted_results([10.00, 10.30, 10.02, 9.98, 10.01], 0.1).accepted
    (True, False, True, True, True)
    """
    series = finite_series(results, 2, "acceptance")
    if not 0.0 < repeatability < np.inf:
        raise ValueError(f"repeatability {repeatability:g}: more than 0 was expected")
    kept = np.ones(series.size, dtype=bool)
    while (worst := _beyond(series, kept, repeatability)) is not None:
        if series.size == 2:
            return AcceptedResults(math.nan, (True, True), more)
        kept[worst] = False
        if kept.sum() < 2:  # the last two don't agree: nothing to go by
            return AcceptedResults(math.nan, tuple(kept.tolist()), more)
    return AcceptedResults(float(np.mean(series[kept])), tuple(kept.tolist()), 0)


def _beyond(series: NDArray[np.float64], kept: NDArray[np.bool_], repeatability: float) -> int | None:
    """Return the place of the most divergent result if it is beyond its limit."""
    places = np.flatnonzero(kept)
    rest = (np.sum(series[places]) - series[places]) / (places.size - 1)
    first = int(np.argmax(np.abs(series[places] - rest)))
    pair = [series[places[first]], rest[first]]
    return None if lie_within(pair, float(deviation_limit(repeatability, places.size))) else int(places[first])


def _counts(results: ArrayLike, least: int) -> NDArray[np.float64]:
    counts = np.asarray(results, dtype=float)
    if np.any(counts < least):
        raise ValueError(f"{float(counts[counts < least].flat[0]):g} results: {least} or more are needed")
    return counts


def _precision(repeatability: ArrayLike, reproducibility: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r, big_r = np.asarray(repeatability, dtype=float), np.asarray(reproducibility, dtype=float)
    if np.any(r > big_r):
        raise ValueError("a repeatability above the reproducibility: r is at most R")
    return r, big_r
