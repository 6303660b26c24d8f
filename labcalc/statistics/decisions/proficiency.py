"""Scores of a proficiency test, what they are called, and a round with assigned value and spread, given or robust."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, stdtr

from labcalc.statistics.charts.control_charts import ewma
from labcalc.statistics.robust import algorithm_a
from labcalc.statistics.series import Array, above_zero, finite_series

_NEGLIGIBLE = 0.3  # share of σ_pt up to which the uncertainty of the assigned value changes nothing
_FEWEST_FOR_BIAS = 3  # rounds, below which their scatter says nothing
_UNKNOWN = "the uncertainty of the assigned value isn't known"
_SMALL = "the uncertainty of the assigned value is at most 0.3 σ_pt"
_COUNTED = "the uncertainty of the assigned value is above 0.3 σ_pt and counts"


def z_score(
    result: ArrayLike, assigned: ArrayLike, deviation: ArrayLike, assigned_uncertainty: ArrayLike = 0.0
) -> Array:
    r"""Return z, [-], or z′ where the uncertainty of the assigned value counts (ISO 13528:2022, 9.4 and 9.5, memory).

    .. math:: z' = (x - x_{pt}) / \sqrt{\sigma_{pt}^2 + u^2(x_{pt})}
    """
    spread = above_zero(deviation, "standard deviation for assessment")
    return _distance(result, assigned, np.hypot(spread, np.asarray(assigned_uncertainty, dtype=float)))


def zeta_score(
    result: ArrayLike, assigned: ArrayLike, uncertainty: ArrayLike, assigned_uncertainty: ArrayLike
) -> Array:
    """Return ζ, [-], the distance from the assigned value over both standard uncertainties together.

    It judges the laboratory's own claim: a small z with a large ζ means an uncertainty stated too small. It holds
    where the assigned value doesn't come from the same results.

    result : Results, [any unit].
    assigned : Assigned value x_pt, [unit of the results].
    uncertainty, assigned_uncertainty : Standard uncertainties of each result and u(x_pt), [unit of the results].
    Source : ISO 13528:2022, 9.6 (memory).
    """
    one, other = np.asarray(uncertainty, dtype=float), np.asarray(assigned_uncertainty, dtype=float)
    if np.any(one < 0.0) or np.any(other < 0.0):
        raise ValueError("an uncertainty below 0: 0 or more was expected")
    return _distance(result, assigned, above_zero(np.hypot(one, other), "combined uncertainty"))


def en_score(result: ArrayLike, assigned: ArrayLike, expanded: ArrayLike, assigned_expanded: ArrayLike) -> Array:
    """Return E_n, [-]: as ``zeta_score``, over both expanded uncertainties together.

    result : Results, [any unit].
    assigned : Assigned value x_pt, [unit of the results].
    expanded, assigned_expanded : Expanded uncertainties (k = 2) of result and assigned value, [unit of the results].
    Source : ISO 13528:2022, 9.7 (memory).
    """
    return zeta_score(result, assigned, expanded, assigned_expanded)


def score_words(scores: ArrayLike, *, en: bool = False) -> NDArray[np.str_]:
    """Return what a score is called: ``acceptable``, ``warning``, ``action``, or ``not scored`` for NaN.

    A z, z′ or ζ is acceptable up to 2 and calls for action from 3 on; an E_n is acceptable up to 1, with nothing
    between. ISO/IEC 17043 says satisfactory, questionable, unsatisfactory.

    scores : Scores, [-]; to 1e-9, so that (46.4 - 46.1) / 0.1 is 3.
    en : Whether they are E_n.
    Source : ISO 13528:2022, 9.4.2 and 9.7 (memory).
    """
    size, (warn, act) = np.round(np.abs(np.asarray(scores, float)), 9), (1.0, 1.0) if en else (2.0, 3.0)
    return np.select([size <= warn, size < act, ~np.isnan(size)], ["acceptable", "warning", "action"], "not scored")


def robust_mean_uncertainty(deviation: ArrayLike, number: ArrayLike) -> Array:
    """Return u(x_pt) = 1.25 s*/√p, as the median would need it (ISO 13528:2022, 7.7.3, memory)."""
    return np.asarray(1.25 * np.asarray(deviation, dtype=float) / np.sqrt(np.asarray(number, dtype=float)))


@dataclass(frozen=True)
class ScoresTogether:
    """Scores of several rounds together: is there a steady bias, and do they scatter as they should?

    ``rescaled_sum`` (RSZ) and ``sum_of_squares`` (SSZ) hold where the laboratory's own scatter is σ_pt; ``p_bias`` goes
    by the scatter of the scores themselves, so that it also finds the bias of a laboratory that scatters less.
    """

    scores: Array
    mean: float
    deviation: float  # NaN for one round
    rescaled_sum: float
    sum_of_squares: float
    p_sum_of_squares: float
    p_bias: float  # of a t-test of the mean against 0; NaN below three rounds
    ewma: Array
    ewma_limits: Array  # half width, three standard deviations of the average after each round

    @property
    def steady_bias(self) -> bool:
        """RSZ calls for action, the average now is beyond its limit, or the scores' own scatter shows it (1 %)."""
        drifted = abs(self.ewma[-1]) > self.ewma_limits[-1]
        return bool(abs(self.rescaled_sum) >= 3.0 or drifted or self.p_bias < 0.01)


def scores_together(scores: ArrayLike, weight: float = 0.4) -> ScoresTogether:
    r"""Put the z scores of several rounds together, [-].

    .. math:: RSZ = \sum z / \sqrt n, \quad SSZ = \sum z^2

    scores : z or z′ in the order of the rounds, [-], one or more, of different materials or times: scores of one sample
        share what went wrong with it and count once.
    weight : Weight of the newest round in the average, [-].
    Source : M. Thompson and R. Wood, Pure Appl. Chem. 65 (1993) 2123 (RSZ and SSZ; memory); NIST/SEMATECH e-Handbook of
        Statistical Methods, 6.3.2.4 (EWMA, limits that grow with the rounds).
    """
    series = finite_series(scores, 1, "rounds together")
    number, mean = series.size, float(np.mean(series))
    deviation = float(np.std(series, ddof=1)) if number > 1 else math.nan
    p_bias = math.nan
    if number >= _FEWEST_FOR_BIAS and deviation > 0.0:
        p_bias = 2.0 * float(stdtr(number - 1, -abs(mean) * math.sqrt(number) / deviation))
    kept = (1.0 - weight) ** (2.0 * np.arange(1, number + 1))
    squares = float(np.sum(series**2))
    sums = mean * math.sqrt(number), squares, float(chdtrc(number, squares))
    limits = 3.0 * np.sqrt(weight / (2.0 - weight) * (1.0 - kept))
    return ScoresTogether(series, mean, deviation, *sums, p_bias, ewma(series, weight), limits)


def _distance(result: ArrayLike, assigned: ArrayLike, spread: Array) -> Array:
    return np.asarray((np.asarray(result, dtype=float) - np.asarray(assigned, dtype=float)) / spread)


@dataclass(frozen=True)
class ProficiencyRound:
    """A round: assigned value and spread of each level, scores and their words for each laboratory.

    ``score`` names what was given at each level, z or z′, and ``reason`` why. ``deviation`` is the standard deviation
    for assessment σ_pt.
    """

    assigned: Array
    assigned_uncertainty: Array
    deviation: Array
    scores: Array
    words: NDArray[np.str_]
    score: NDArray[np.str_]
    reason: NDArray[np.str_]
    from_results: bool


def proficiency_round(
    results: ArrayLike,
    *,
    assigned: ArrayLike | None = None,
    deviation: ArrayLike | None = None,
    assigned_uncertainty: ArrayLike = math.nan,
) -> ProficiencyRound:
    """Score a round, [-]: z where the assigned value is certain enough, z′ where it is not.

    results : Results, [any unit], laboratories, or laboratories × levels with NaN where one is missing.
    assigned : Assigned value x_pt of each level, [unit of the results]; none: the robust mean of the results.
    deviation : Standard deviation for assessment σ_pt of each level, [unit of the results]; none: the robust standard
        deviation of the results, by which about one laboratory of twenty is always beyond 2, however good all are.
    assigned_uncertainty : Standard uncertainty of an assigned value given, [unit of the results]; NaN where it isn't
        known.
    Source : ISO 13528:2022, 7.7, 8.5 and 9.2.1 (memory): u(x_pt) up to 0.3 σ_pt is negligible.
    """
    if assigned is None and not np.all(np.isnan(np.asarray(assigned_uncertainty, dtype=float))):
        raise ValueError("an uncertainty of the assigned value, but no assigned value: give both or neither")
    table, from_results = np.asarray(results, dtype=float), assigned is None
    if assigned is None or deviation is None:
        robust = algorithm_a(table)
        deviation = robust.deviation if deviation is None else deviation
        if assigned is None:
            assigned, assigned_uncertainty = robust.mean, robust_mean_uncertainty(robust.deviation, robust.number)
    given = (np.asarray(one, dtype=float) for one in (assigned, assigned_uncertainty, deviation))
    value, uncertainty, spread = (np.broadcast_to(one, table.shape[1:]) for one in given)
    plain = ~(uncertainty > _NEGLIGIBLE * spread)
    scores = z_score(table, value, spread, np.where(plain, 0.0, uncertainty))
    names = np.where(plain, "z", "z′")
    reasons = np.select([np.isnan(uncertainty), plain], [_UNKNOWN, _SMALL], _COUNTED)
    return ProficiencyRound(value, uncertainty, spread, scores, score_words(scores), names, reasons, from_results)
