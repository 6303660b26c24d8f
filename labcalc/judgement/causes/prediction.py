r"""What a further measurement would show if each hypothesis were true, given what the run has shown.

The run's rows r and the new rows n are normal together, so for each hypothesis

.. math:: m = \mu_n + E_n + K (z_r - \mu_r - E_r), \quad V = C_{nn} - K C_{rn}, \quad K = C_{nr} C_{rr}^{-1}

with E what it does and C the covariance of the rows under it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.catalogue import PRIOR_ODDS
from labcalc.judgement.causes.evidence import Evidence, Row, assembled
from labcalc.judgement.causes.likelihood import covariances
from labcalc.judgement.causes.ranking import Weighed, weigh

Array = NDArray[np.float64]

_KEPT = 10  # hypotheses of a cause that are predicted with: the likeliest


@dataclass(frozen=True, eq=False)
class Prediction:
    """What new rows would show in ln ν and ρ: hypothesis by row."""

    weighed: Weighed
    cause: NDArray[np.object_]
    share: Array  # probability of each hypothesis within its cause, [-]
    mean: Array
    covariance: Array  # with the noise of single determinations


def predict(evidence: Evidence, new: Sequence[Row], odds: Mapping[str, float] = PRIOR_ODDS) -> Prediction:
    """Return what new rows would show for each cause; their measured values are not looked at."""
    known = len(evidence.rows)
    weighed = weigh(assembled((*evidence.rows, *new), evidence), odds, known)
    order = np.argsort(-weighed.log_posterior)
    kept = np.concatenate([order[weighed.hypotheses.cause[order] == one][:_KEPT] for one in weighed.probabilities])
    these, logs = weighed.hypotheses.only(kept), weighed.log_posterior[kept]
    C = covariances(weighed.evidence, these)
    gain = np.swapaxes(np.linalg.solve(C[:, :known, :known], C[:, :known, known:]), 1, 2)
    away = (weighed.evidence.deviation - these.effect)[:, :known, np.newaxis]
    share = np.exp(logs - logs.max())
    for cause in weighed.probabilities:
        here = these.cause == cause
        within = np.exp(logs[here] - logs[here].max())
        share[here] = within / within.sum()
    return Prediction(
        weighed,
        these.cause,
        share,
        weighed.evidence.mean[known:] + these.effect[:, known:] + (gain @ away)[..., 0],
        C[:, known:, known:] - gain @ C[:, :known, known:],
    )
