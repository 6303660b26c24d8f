r"""How well hypotheses explain rows: each a normal one in ln ν and ρ, its tails those of Student's t.

A hypothesis is one place and one size of a cause. Between two sizes of a path lies a normal spread of nearly half their
distance along it, so that together they are as good as the log-normal size; what a cause does is known to some per cent
only, alike in every fill.

.. math:: \ln p = -\tfrac12 \ln|C| - \tfrac{f + n}{2} \ln\left(1 + \chi^2 / f\right), \quad
    C = \Sigma + R + g g^T + \delta^2 E
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import lgamma, log, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.catalogue import DEVIATIONS, TAIL, Array, Paths
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.shifts import Shift

DISCREPANCY = 0.12  # how far what a cause does is from what the physics says, as a share of it, [-]: our own choice
_BETWEEN = 0.45  # spread along a path over the distance of nodes, [-]: from 0.4 on a chain of normals is smooth in 8 %

MASSES: Array = np.exp(-0.5 * DEVIATIONS**2) / np.exp(-0.5 * DEVIATIONS**2).sum()
"""Share of each node in a log-normal size."""

_SPREADS = 5  # the size, at most three more that lie anywhere between paths, and of two at once the size of the first


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Every place and size of every cause, one an entry."""

    cause: NDArray[np.object_]
    where: NDArray[np.object_]
    log_weight: Array  # ln of prior odds times the share within the cause
    size: Array  # signed; NaN where there is none
    effect: Array  # what it does to ln ν and ρ, by row
    growth: Array  # what spreads of the size, and of what else lies between two paths, do to that: spread by row
    unequal: Array  # how unequal it is from fill to fill and temperature to temperature, as a share of it, [-]
    kind: NDArray[np.int64]  # which covariance of what was expected holds
    loose: Array  # how far the effect is from what the physics says, as a share of it, [-]
    spread: Array  # the covariances of what was expected: kind by row by row

    def only(self, these: NDArray[np.int64] | NDArray[np.bool_]) -> Hypotheses:
        """Return some of them."""
        return self._each(lambda name: vars(self)[name][these])

    def plus(self, *others: Hypotheses) -> Hypotheses:
        """Return these and others of the same spreads."""
        return self._each(lambda name: np.concatenate([vars(one)[name] for one in (self, *others)]))

    def _each(self, column: Callable[[str], Any]) -> Hypotheses:
        return replace(self, **{name: column(name) for name in vars(self) if name != "spread"})


def hypotheses_of(evidence: Evidence, paths: Sequence[Paths], shifts: Sequence[Shift]) -> Hypotheses:
    """Return paths and shifts as hypotheses, their weights within each cause."""
    n, blocks = len(evidence.rows), []
    for path in paths:
        number = path.sizes.size
        blocks.append((
            np.full(number, path.cause, dtype=object),
            np.repeat(np.array(path.where, dtype=object), MASSES.size),
            (np.log(path.weights[:, np.newaxis] * MASSES) + (0.0 if path.told is None else path.told)).ravel(),
            path.sizes.ravel(), path.effects.reshape(-1, n), _growths(path).reshape(-1, _SPREADS, n),
            np.repeat(path.unequal or np.zeros(len(path.where)), MASSES.size),
            np.zeros(number, dtype=np.int64), np.full(number, DISCREPANCY),
        ))  # fmt: skip
    spreads = [evidence.spread]
    for one in shifts:
        if one.spread is not None:
            spreads.append(one.spread)
        kind = 0 if one.spread is None else len(spreads) - 1
        blocks.append((
            np.array([one.cause], dtype=object), np.array([one.where], dtype=object), np.log([one.weight]),
            np.array([np.nan]), one.effect[np.newaxis], np.zeros((1, _SPREADS, n)), np.zeros(1),
            np.array([kind], dtype=np.int64), np.zeros(1),
        ))  # fmt: skip
    columns: list[Any] = [np.concatenate(one) for one in zip(*blocks, strict=True)]
    columns.append(np.stack(spreads))
    return Hypotheses(*columns)


def _growths(one: Paths) -> Array:
    """Return what the spreads along the sizes and along each axis of a grid do: path by node by spread by row."""
    found = np.zeros((*one.effects.shape[:2], _SPREADS, one.effects.shape[2]))
    found[:, :, 0] = np.gradient(one.effects, axis=1)
    axes = one.axes or ((len(one.where), False),)
    grid = one.effects.reshape(*(length for length, _ in axes), *one.effects.shape[-2:])
    steps = [axis for axis, (length, between) in enumerate(axes) if between and length > 1]
    for place, axis in enumerate(steps, start=1):
        found[:, :, place] = np.gradient(grid, axis=axis).reshape(one.effects.shape)
    return np.asarray(_BETWEEN * found)


def covariances(evidence: Evidence, these: Hypotheses, known: int | None = None) -> Array:
    """Return the covariance of the first rows under each hypothesis, noise of single determinations included."""
    growth, effect = these.growth[..., :known], these.effect[:, :known]
    C = these.spread[these.kind][:, :known, :known] + evidence.error[:known, :known]
    C += np.swapaxes(growth, 1, 2) @ growth
    at, viscous, fill = evidence.temperature_C[:known].round(1), evidence.viscous[:known], evidence.replicate[:known]
    same_T = at[:, np.newaxis] == at
    alike = same_T & (viscous[:, np.newaxis] == viscous)
    one_fill = same_T & (fill[:, np.newaxis] == fill)
    share = (these.loose**2)[:, np.newaxis, np.newaxis] * alike
    share += (these.unequal**2)[:, np.newaxis, np.newaxis] * one_fill
    C += effect[:, :, np.newaxis] * effect[:, np.newaxis, :] * share
    return np.asarray(C)


def misfits(away: Array, covariance: Array) -> tuple[Array, Array]:
    """Return χ² and ln of the density of deviations under covariances."""
    factor = np.linalg.cholesky(covariance)
    white = np.linalg.solve(factor, away[..., np.newaxis])[..., 0]
    chi2 = np.einsum("...n,...n->...", white, white)
    n = away.shape[-1]
    log_scale = -np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    constant = lgamma((TAIL + n) / 2.0) - lgamma(TAIL / 2.0) - n / 2.0 * log(TAIL * pi)
    return chi2, constant + log_scale - 0.5 * (TAIL + n) * np.log1p(chi2 / TAIL)
