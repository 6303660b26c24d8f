"""Limits of agreement: how far apart first and second results lie, with what so few pairs can tell of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import paired_series


@dataclass(frozen=True)
class AgreementLimits:
    """Between which limits first minus second lies in most pairs."""

    number: int
    mean: float
    deviation: float
    lower: float
    upper: float
    mean_error: float  # standard error of the mean
    limit_error: float  # standard error of each limit
    mean_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    coverage: float
    confidence: float


def agreement_limits(
    first: ArrayLike, second: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95
) -> AgreementLimits:
    r"""Return the limits of agreement, [unit of the results], of first and second results.

    .. math:: \bar d \pm 1.96 \, s_d, \quad s(limit) = s_d \sqrt{1 / n + 1.96^2 / 2 (n - 1)}

    The limits' intervals are the exact ones, by the noncentral t distribution.

    first : First result of each pair, [any unit], two pairs or more.
    second : Second results, [unit of the first].
    coverage : Share of differences between the limits, [-].
    confidence : Confidence of the intervals of mean and limits, [-].
    Raises ValueError : Fewer than two pairs, two numbers of results, or one that is not finite.
    Source : J. M. Bland and D. G. Altman, Lancet 327 (1986) 307.
    Source : A. Carkeet, Optometry and Vision Science 92 (2015) e71 (exact intervals; memory).

    >>> found = agreement_limits([10.0, 10.2, 9.9, 10.4], [10.1, 10.0, 10.0, 10.2])
    >>> round(found.lower, 3), round(found.upper, 3)
    (-0.289, 0.389)
    """
    from scipy.special import nctdtrit, ndtri, stdtrit

    one, other = paired_series(first, second, 2, "limits of agreement")
    difference, number = one - other, one.size
    mean, deviation = float(np.mean(difference)), float(np.std(difference, ddof=1))
    z = float(ndtri((1.0 + coverage) / 2.0))
    error, tail = deviation / math.sqrt(number), (1.0 - confidence) / 2.0
    reach = float(stdtrit(number - 1, 1.0 - tail)) * error
    near, far = (float(nctdtrit(number - 1, z * math.sqrt(number), p)) * error for p in (tail, 1.0 - tail))
    return AgreementLimits(
        number=number,
        mean=mean,
        deviation=deviation,
        lower=mean - z * deviation,
        upper=mean + z * deviation,
        mean_error=error,
        limit_error=deviation * math.sqrt(1.0 / number + z**2 / (2.0 * (number - 1))),
        mean_interval=(mean - reach, mean + reach),
        lower_interval=(mean - far, mean - near),
        upper_interval=(mean + near, mean + far),
        coverage=coverage,
        confidence=confidence,
    )
