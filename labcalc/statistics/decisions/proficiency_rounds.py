"""A round of a proficiency test: assigned value and spread, given or robust, and the scores of all laboratories."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.decisions.proficiency import robust_mean_uncertainty, score_words, z_score
from labcalc.statistics.robust import algorithm_a
from labcalc.statistics.series import Array

_NEGLIGIBLE = 0.3
"""Share of the standard deviation for assessment up to which the assigned value's uncertainty changes nothing."""

_UNKNOWN = "the uncertainty of the assigned value isn't known"
_SMALL = "the uncertainty of the assigned value is at most 0.3 σ_pt"
_COUNTED = "the uncertainty of the assigned value is above 0.3 σ_pt and counts"


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

    Parameters
    ----------
    results : Results, [any unit], laboratories, or laboratories × levels with NaN where one is missing.
    assigned : Assigned value x_pt of each level, [unit of the results]; none: the robust mean of the results.
    deviation : Standard deviation for assessment σ_pt of each level, [unit of the results]; none: the robust standard
        deviation of the results, by which about one laboratory of twenty is always beyond 2, however good all are.
    assigned_uncertainty : Standard uncertainty of an assigned value given, [unit of the results]; NaN where it isn't
        known.

    Raises
    ------
    ValueError : Fewer than three results at a level where a robust value is needed, or a spread that isn't above 0.

    References
    ----------
    .. [1] ISO 13528:2022, 7.7, 8.5 and 9.2.1 (memory): u(x_pt) up to 0.3 σ_pt is negligible.

    Examples
    --------
    >>> found = proficiency_round([10.1, 9.9, 10.0, 10.2, 9.8, 11.0], assigned=10.0, deviation=0.3)
    >>> found.scores.round(1).tolist(), str(found.words[-1])
    ([0.3, -0.3, 0.0, 0.7, -0.7, 3.3], 'action')
    """
    if assigned is None and not np.all(np.isnan(np.asarray(assigned_uncertainty, dtype=float))):
        raise ValueError("an uncertainty of the assigned value, but no assigned value: give both or neither")
    table, from_results = np.asarray(results, dtype=float), assigned is None
    if assigned is None or deviation is None:
        robust = algorithm_a(table)
        deviation = robust.deviation if deviation is None else deviation
        if assigned is None:
            assigned, assigned_uncertainty = robust.mean, robust_mean_uncertainty(robust.deviation, robust.number)
    value, uncertainty, spread = (
        np.broadcast_to(np.asarray(one, dtype=float), table.shape[1:])
        for one in (assigned, assigned_uncertainty, deviation)
    )
    plain = ~(uncertainty > _NEGLIGIBLE * spread)
    scores = z_score(table, value, spread, np.where(plain, 0.0, uncertainty))
    names = np.where(plain, "z", "z′")
    reasons = np.select([np.isnan(uncertainty), plain], [_UNKNOWN, _SMALL], _COUNTED)
    return ProficiencyRound(value, uncertainty, spread, scores, score_words(scores), names, reasons, from_results)
