r"""What a further measurement would show if each cause were true, given what the run has shown.

The run's rows r and the new rows n are normal together, so for each cause

.. math:: m = \mu_n + E_n + K (z_r - \mu_r - E_r), \quad
    V = C_{nn} - K C_{rn} + \sigma_s^2 (D_n - K D_r)(D_n - K D_r)^T, \quad K = C_{nr} C_{rr}^{-1}

with E what the cause does at a size, D how that grows with the size, and σ_s how well the size is known. A size can be
anything from next to nothing to much, so three are taken, the middles of the thirds of its posterior, each with the
spread that is left within a third.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.evidence import SAME_INSTRUMENT_CORRELATION, Evidence, Row, assembled
from labcalc.judgement.causes.paths import Paths, Stack
from labcalc.judgement.causes.ranking import Fit
from labcalc.judgement.causes.shifts import shifts_of
from labcalc.judgement.causes.temperature_and_air import paths_of

Array = NDArray[np.float64]

_LEFT_WITHIN = 0.63
"""Spread within a third of a normal posterior over half the distance of the outer thirds' middles, [-]."""


@dataclass(frozen=True, eq=False)
class Prediction:
    """What new rows would show in ln ν and ρ: cause by third of its size by row."""

    causes: tuple[str, ...]
    mean: Array
    variance: Array
    """What is not known of the mean, without the noise of the new determination itself."""
    noise: Array
    """Standard deviation of one determination, by row."""

    def total(self, repeats: int) -> Array:
        """Return the variance of the mean of some repeats: cause by third by row."""
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
    found = []
    for fit in fits:
        effects, growths, spread = np.zeros((3, len(both.rows))), np.zeros((3, len(both.rows))), both.spread
        if fit.path >= 0:
            effects, growths = _at_thirds(sized[fit.cause], fit)
        elif (fit.cause, fit.where) in shifts:
            shift = shifts[fit.cause, fit.where]
            effects, spread = effects + (shift.mean - both.mean), shift.spread
        else:
            effects[:, :known] = fit.effect
        found.append(_conditional(both.mean, spread + error, evidence.deviation, effects, growths))
    mean, variance = (np.array(values) for values in zip(*found, strict=True))
    return Prediction(tuple(fit.cause for fit in fits), mean, variance, noise)


def _conditional(
    mean: Array, covariance: Array, deviation: Array, effects: Array, growths: Array
) -> tuple[Array, Array]:
    known = deviation.size
    seen, new = slice(known), slice(known, None)
    gain = np.linalg.solve(covariance[seen, seen], covariance[seen, new]).T
    own = np.diag(covariance)[new] - np.einsum("ij,ij->i", gain, covariance[new, seen])
    left = growths[:, new] - growths[:, seen] @ gain.T
    return mean[new] + effects[:, new] + (deviation - effects[:, seen]) @ gain.T, own + left**2


def _at_thirds(paths: Paths, fit: Fit) -> tuple[Array, Array]:
    """Return the effects at the three sizes, and how they change over the spread that is left within a third."""
    nodes, effects = np.abs(paths.sizes[fit.path]), paths.effects[fit.path]
    sizes = np.clip(fit.thirds, nodes[0], nodes[-1])
    pieces = np.clip(np.searchsorted(nodes, sizes) - 1, 0, nodes.size - 2)
    slopes = np.diff(effects, axis=0)[pieces] / np.diff(nodes)[pieces, np.newaxis]
    within = _LEFT_WITHIN * (fit.thirds[2] - fit.thirds[0]) / 2.0
    return effects[pieces] + slopes * (sizes - nodes[pieces])[:, np.newaxis], slopes * within
