r"""How well each cause explains the rows: marginal likelihoods, exact along straight pieces of a path.

A path is a chain of straight pieces. Along one piece the misfit is a parabola in the share t of it, so the integral of
the likelihood over the size is a difference of two normal distribution functions, however narrow it is:

.. math:: \int_0^1 e^{-\frac12 |u - t d|^2} dt = \frac{\sqrt{2\pi}}{|d|} e^{-\frac12 \chi^2_\perp}
    \left[ \Phi(|d| (1 - t_0)) - \Phi(-|d| t_0) \right], \quad t_0 = \frac{u \cdot d}{|d|^2},
    \quad \chi^2_\perp = |u|^2 - t_0^2 |d|^2

with u the whitened distance from the piece's first node and d the whitened piece.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.paths import DEVIATIONS, Paths

Array = NDArray[np.float64]

_HALF_LOG_TWO_PI = 0.5 * math.log(2.0 * math.pi)

_LEVEL = 1e-10
"""Squared whitened length below which a piece counts as a point."""

_STEPS = 24
"""Fine steps of a piece where the spread of a size is worked out."""


def _piece_masses() -> Array:
    edges = np.array([0.5 * math.erf(float(z) / math.sqrt(2.0)) for z in DEVIATIONS])
    return np.asarray(np.diff(edges) / (edges[-1] - edges[0]))


PIECE_MASSES = _piece_masses()
"""Share of each piece in a log-normal size, as far as the path reaches."""


@dataclass(frozen=True, eq=False)
class Whitener:
    """Turns deviations of rows into independent ones of unit variance, for one run or many."""

    inverse_factor: Array
    log_scale: Array
    """ln of the normal density's factor in front."""

    @classmethod
    def of(cls, covariance: Array) -> Whitener:
        """Return the whitener of covariances of ln ν and ρ, in the last two axes."""
        factor = np.linalg.cholesky(covariance)
        diagonal = np.diagonal(factor, axis1=-2, axis2=-1)
        log_scale = -np.log(diagonal).sum(axis=-1) - 0.5 * diagonal.shape[-1] * math.log(2.0 * math.pi)
        return cls(np.linalg.inv(factor), log_scale)

    def __call__(self, deviation: Array) -> Array:
        """Return whitened deviations: (run by) any by row."""
        turned = np.swapaxes(self.inverse_factor, -1, -2)
        flat = deviation.reshape(*turned.shape[:-2], -1, turned.shape[-1])
        return np.asarray((flat @ turned).reshape(deviation.shape))

    def log_density(self, deviation: Array) -> Array:
        """Return ln of the normal density of deviations: (run by) row."""
        white = self(deviation)
        return np.asarray(self.log_scale - 0.5 * np.einsum("...n,...n->...", white, white))

    def of_run(self, number: int) -> Whitener:
        """Return the whitener of one run of many."""
        return Whitener(self.inverse_factor[number], self.log_scale[number])


@dataclass(frozen=True, eq=False)
class Along:
    """A cause's paths against the rows."""

    log_likelihood: Array
    """ln of the marginal likelihood of each path, without its weight: (run by) path."""
    nearest: Array
    """Least misfit on each piece: (run by) path by piece."""
    share: Array
    """Where on the piece that is, 0 to 1."""

    def of_run(self, number: int) -> Along:
        """Return the findings of one run of many."""
        return Along(self.log_likelihood[number], self.nearest[number], self.share[number])


def along(paths: Paths, white_deviation: Array, whitener: Whitener) -> Along:
    """Integrate the likelihood over the size of each path."""
    nodes = whitener(paths.effects)
    d = np.diff(nodes, axis=-2)
    u = white_deviation[..., np.newaxis, np.newaxis, :] - nodes[..., :-1, :]
    dd = np.maximum(np.einsum("...n,...n->...", d, d), _LEVEL)
    ud, uu = np.einsum("...n,...n->...", u, d), np.einsum("...n,...n->...", u, u)
    t0, length = ud / dd, np.sqrt(dd)
    perpendicular = uu - t0 * ud
    log_piece = _HALF_LOG_TWO_PI - np.log(length) - 0.5 * perpendicular
    log_piece += _log_between(-length * t0, length * (1.0 - t0))
    share = np.clip(t0, 0.0, 1.0)
    nearest = uu + share * (share * dd - 2.0 * ud)
    scale = whitener.log_scale[..., np.newaxis]
    return Along(scale + log_sum(np.log(PIECE_MASSES) + log_piece), nearest, share)


def _log_between(low: Array, high: Array) -> Array:
    """Return ln [Φ(high) - Φ(low)], also far out."""
    from scipy.special import log_ndtr

    flip = low > 0.0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    upper, lower = log_ndtr(b), log_ndtr(a)
    with np.errstate(divide="ignore"):
        return np.asarray(upper + np.log1p(-np.exp(np.minimum(lower - upper, -1e-300))))


def log_sum(terms: Array) -> Array:
    """Return ln of the sum of exponentials over the last axis."""
    top = terms.max(axis=-1, keepdims=True)
    return np.asarray((top + np.log(np.exp(terms - top).sum(axis=-1, keepdims=True)))[..., 0])


def best_size(paths: Paths, found: Along, path: int) -> tuple[float, Array, float]:
    """Return size, effect and misfit of the point of a path that is nearest to the rows."""
    piece = int(found.nearest[path].argmin())
    t = float(found.share[path, piece])
    ends_size, ends = paths.sizes[path, piece : piece + 2], paths.effects[path, piece : piece + 2]
    return (
        float((1.0 - t) * ends_size[0] + t * ends_size[1]),
        np.asarray((1.0 - t) * ends[0] + t * ends[1]),
        float(found.nearest[path, piece]),
    )


def posterior_of_size(
    paths: Paths, these: list[int], white_deviation: Array, whitener: Whitener, shares: Sequence[float]
) -> list[float]:
    """Return the sizes below which shares of the posterior lie, over some paths together; sizes without sign."""
    nodes = whitener(paths.effects[these])
    steps = np.arange(_STEPS) / _STEPS
    fine = nodes[:, :-1, np.newaxis] + steps[:, np.newaxis] * np.diff(nodes, axis=1)[:, :, np.newaxis]
    away = white_deviation - fine.reshape(len(these), -1, nodes.shape[-1])
    log_density = -0.5 * np.einsum("vkn,vkn->vk", away, away) + np.log(paths.weights[these])[:, np.newaxis]
    density = np.exp(log_density - log_density.max()).sum(axis=0) * np.repeat(PIECE_MASSES, _STEPS)
    sizes = np.abs(paths.sizes[these[0]])
    edges = np.concatenate([(sizes[:-1, np.newaxis] + steps * np.diff(sizes)[:, np.newaxis]).ravel(), sizes[-1:]])
    cumulative = np.concatenate([[0.0], np.cumsum(density)]) / density.sum()
    return [float(one) for one in np.interp(shares, cumulative, edges)]
