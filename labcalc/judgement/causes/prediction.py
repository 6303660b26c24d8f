r"""What a further measurement would show if each cause were true, given what the run has shown.

The run's rows r and the new rows n are normal together, so for each cause

.. math:: m = \mu_n + E_n + K (z_r - \mu_r - E_r), \quad
    V = C_{nn} - K C_{rn} + \sigma_s^2 (D_n - K D_r)(D_n - K D_r)^T, \quad K = C_{nr} C_{rr}^{-1}

with E what the cause does at its best size, D how that grows with the size, and σ_s how well the size is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.effects import paths_of
from labcalc.judgement.causes.evidence import SAME_INSTRUMENT_CORRELATION, Evidence, Row, assembled
from labcalc.judgement.causes.paths import Stack
from labcalc.judgement.causes.ranking import Fit
from labcalc.judgement.causes.shifts import shifts_of

__all__ = ["Prediction", "predict"]

Array = NDArray[np.float64]

_NORMAL_95 = 1.96


@dataclass(frozen=True, eq=False)
class Prediction:
    """What new rows would show, cause by row, in ln ν and ρ: mean, what is not known of it, and single noise."""

    causes: tuple[str, ...]
    mean: Array
    variance: Array
    """Without the noise of the new determination itself."""
    noise: Array
    """Standard deviation of one determination, by row."""

    def total(self, repeats: int) -> Array:
        """Return the variance of the mean of some repeats, cause by row."""
        left = SAME_INSTRUMENT_CORRELATION + (1.0 - SAME_INSTRUMENT_CORRELATION) / repeats
        return np.asarray(self.variance + self.noise**2 * left)


def predict(evidence: Evidence, fits: Sequence[Fit], new: Sequence[Row]) -> Prediction:
    """Return what new rows would show for each cause; their measured values are not looked at."""
    both = assembled((*evidence.rows, *new), evidence)
    known = len(evidence.rows)
    noise = np.sqrt(np.diag(both.error)[known:])
    error = both.error.copy()
    error[known:, known:] -= np.diag(noise**2)
    sized = {
        one.cause: one.of_run(0) for one in paths_of(Stack.of([both]), {fit.cause for fit in fits if fit.path >= 0})
    }
    shifts = {(one.cause, one.where): one for one in shifts_of(both)}
    means, variances = [], []
    for fit in fits:
        effect, growth, spread = np.zeros(len(both.rows)), np.zeros(len(both.rows)), both.spread
        if fit.path >= 0:
            paths = sized[fit.cause]
            effect, growth = _at_size(paths.sizes[fit.path], paths.effects[fit.path], fit.size)
            growth = growth * (fit.highest - fit.lowest) / (2.0 * _NORMAL_95)
        elif (fit.cause, fit.where) in shifts:
            shift = shifts[fit.cause, fit.where]
            effect, spread = shift.mean - both.mean, shift.spread
        else:
            effect[:known] = fit.effect
        mean, variance = _conditional(both.mean, spread + error, evidence.deviation, effect, growth)
        means.append(mean)
        variances.append(variance)
    return Prediction(tuple(fit.cause for fit in fits), np.array(means), np.array(variances), noise)


def _conditional(mean: Array, covariance: Array, deviation: Array, effect: Array, growth: Array) -> tuple[Array, Array]:
    known = deviation.size
    seen, new = slice(known), slice(known, None)
    gain = np.linalg.solve(covariance[seen, seen], covariance[seen, new]).T
    own = np.diag(covariance)[new] - np.einsum("ij,ij->i", gain, covariance[new, seen])
    left = growth[new] - gain @ growth[seen]
    return mean[new] + effect[new] + gain @ (deviation - effect[seen]), own + left**2


def _at_size(sizes: Array, effects: Array, size: float) -> tuple[Array, Array]:
    """Return the effect at a size and its growth with it; beyond the path's ends, at its end."""
    nodes, wanted = np.abs(sizes), min(max(abs(size), abs(sizes[0])), abs(sizes[-1]))
    piece = min(max(int(np.searchsorted(nodes, wanted)) - 1, 0), nodes.size - 2)
    growth = (effects[piece + 1] - effects[piece]) / (nodes[piece + 1] - nodes[piece])
    return effects[piece] + growth * (wanted - nodes[piece]), growth
