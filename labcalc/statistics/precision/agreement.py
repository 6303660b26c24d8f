"""Limits of agreement: how far two results on one sample lie apart, and how many lie further apart than is allowed."""

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array, finite_series

Reach: TypeAlias = tuple[float, float, float]
"""A value and the ends of its 95 % interval."""
_TAIL = 0.025


@dataclass(frozen=True)
class AgreementLimits:
    """Mean difference, and the limits between which 95 % of differences lie, each with its interval."""

    differences: Array
    mean: Reach
    lower: Reach
    upper: Reach

    def share_beyond(self, allowed: float) -> Reach:
        """Return the share of normal differences beyond ±allowed, [-]: its estimate, lowest and highest.

        The ends are exact for one side (noncentral t); both sides together are at least as sure as stated.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        from scipy.special import nctdtrinc, ndtr

        number, mean = self.differences.size, self.mean[0]
        beyond = np.array([allowed - mean, allowed + mean]) / np.std(self.differences, ddof=1)
        root = math.sqrt(number)
        most, least = (nctdtrinc(number - 1, p, root * beyond) / root for p in (1.0 - _TAIL, _TAIL))
        return float(ndtr(-beyond).sum()), float(ndtr(-least).max()), min(1.0, float(ndtr(-most).sum()))

    def counted_beyond(self, allowed: float) -> Reach:
        """Return the share as counted, [-], with its interval (Clopper and Pearson): whatever the distribution is.

        allowed : Difference that is still allowed, [unit of the results], above 0.
        """
        from scipy.special import betaincinv

        number, beyond = self.differences.size, int(np.sum(np.abs(self.differences) > allowed))
        low = float(betaincinv(beyond, number - beyond + 1, _TAIL)) if beyond else 0.0
        high = float(betaincinv(beyond + 1, number - beyond, 1.0 - _TAIL)) if beyond < number else 1.0
        return beyond / number, low, high


def agreement_limits(differences: ArrayLike) -> AgreementLimits:
    r"""Return the limits of agreement, [unit of the results], of pairs of results.

    .. math:: \bar d \pm 1.96 \, s_d

    Their intervals are exact for normal differences whose spread is the same at every level (noncentral t).

    differences : Second minus first result of each pair, [any unit], three pairs or more, not all equal.
    Raises ValueError : Fewer than three pairs, one that isn't finite, or differences that are all equal.
    Source : J. M. Bland and D. G. Altman, Lancet 327 (1986) 307; A. Carkeet, Optometry and Vision Science 92 (2015) e71
        (exact intervals; memory).

    >>> found = agreement_limits([0.1, -0.2, 0.1, -0.2])
    >>> round(found.lower[0], 3), round(found.upper[0], 3)
    (-0.389, 0.289)
    """
    from scipy.special import nctdtrit, ndtri, stdtrit

    series = finite_series(differences, 3, "limits of agreement")
    number, mean, deviation = series.size, float(np.mean(series)), float(np.std(series, ddof=1))
    if np.ptp(series) == 0.0:
        raise ValueError(f"{number} differences that are all {mean:g}: differences that vary were expected")
    z, error = float(ndtri(1.0 - _TAIL)), deviation / math.sqrt(number)
    reach = float(stdtrit(number - 1, 1.0 - _TAIL)) * error
    near, far = (float(nctdtrit(number - 1, z * math.sqrt(number), p)) * error for p in (_TAIL, 1.0 - _TAIL))
    lower, upper = mean - z * deviation, mean + z * deviation
    ends = (lower, mean - far, mean - near), (upper, mean + near, mean + far)
    return AgreementLimits(series, (mean, mean - reach, mean + reach), *ends)
