"""Limits of agreement: how far two results on one sample lie apart, and how many lie further apart than is allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array, finite_series


@dataclass(frozen=True)
class AgreementLimits:
    """Between which limits a difference lies in most pairs, with the intervals of mean and limits."""

    differences: Array
    mean: float
    deviation: float
    lower: float
    upper: float
    mean_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    coverage: float
    confidence: float

    def share_beyond(self, allowed: float) -> tuple[float, float, float]:
        """Return the share of differences beyond ±allowed, [-]: its estimate, lowest and highest.

        The ends are exact for one side (noncentral t); both sides together are at least as sure as stated.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        from scipy.special import nctdtrinc, ndtr

        number, tail = self.differences.size, (1.0 - self.confidence) / 2.0
        reach = np.array([allowed - self.mean, allowed + self.mean]) / self.deviation
        stretched = math.sqrt(number) * reach
        most, least = (nctdtrinc(number - 1, p, stretched) / math.sqrt(number) for p in (1.0 - tail, tail))
        return float(ndtr(-reach).sum()), float(ndtr(-least).max()), min(1.0, float(ndtr(-most).sum()))

    def counted_beyond(self, allowed: float) -> tuple[float, float, float]:
        """Return the share as counted, [-], with its interval (Clopper and Pearson): whatever the distribution is.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        from scipy.special import betaincinv

        number, tail = self.differences.size, (1.0 - self.confidence) / 2.0
        beyond = int(np.sum(np.abs(self.differences) > allowed))
        low = float(betaincinv(beyond, number - beyond + 1, tail)) if beyond else 0.0
        high = float(betaincinv(beyond + 1, number - beyond, 1.0 - tail)) if beyond < number else 1.0
        return beyond / number, low, high


def agreement_limits(differences: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95) -> AgreementLimits:
    r"""Return the limits of agreement, [unit of the results], of pairs of results.

    .. math:: \bar d \pm 1.96 \, s_d

    Their intervals are exact for normal differences whose spread is the same at every level (noncentral t).

    differences : Second minus first result of each pair, [any unit], three pairs or more, not all equal.
    coverage : Share of differences between the limits, [-].
    confidence : Confidence of the intervals, [-].
    Raises ValueError : Fewer than three pairs, one that isn't finite, or differences that are all equal.
    Source : J. M. Bland and D. G. Altman, Lancet 327 (1986) 307; A. Carkeet, Optometry and Vision Science 92 (2015) e71
        (exact intervals; memory).

    >>> found = agreement_limits([0.1, -0.2, 0.1, -0.2])
    >>> round(found.lower, 3), round(found.upper, 3)
    (-0.389, 0.289)
    """
    from scipy.special import nctdtrit, ndtri, stdtrit

    series = finite_series(differences, 3, "limits of agreement")
    number, mean, deviation = series.size, float(np.mean(series)), float(np.std(series, ddof=1))
    if np.ptp(series) == 0.0:
        raise ValueError(f"{number} differences that are all {mean:g}: differences that vary were expected")
    z = float(ndtri((1.0 + coverage) / 2.0))
    error, tail = deviation / math.sqrt(number), (1.0 - confidence) / 2.0
    reach = float(stdtrit(number - 1, 1.0 - tail)) * error
    near, far = (float(nctdtrit(number - 1, z * math.sqrt(number), p)) * error for p in (tail, 1.0 - tail))
    return AgreementLimits(
        differences=series,
        mean=mean,
        deviation=deviation,
        lower=mean - z * deviation,
        upper=mean + z * deviation,
        mean_interval=(mean - reach, mean + reach),
        lower_interval=(mean - far, mean - near),
        upper_interval=(mean + near, mean + far),
        coverage=coverage,
        confidence=confidence,
    )
