"""Coefficients of Vogel's curve for many oils at once."""

from __future__ import annotations

import numpy as np

from labcalc.formulae._least_squares import straight_line
from labcalc.formulae._refusals import Array
from labcalc.formulae._roots import bracketed_root

_FLATTEST, _STEEPEST = 1e-6, 1.0 - 1e-9
"""Search limits of the bend, as shares of the one that puts T₀ at the coldest point."""

Coefficients = tuple[Array, Array, Array]


def vogel_coefficients(T: Array, y: Array) -> Coefficients:
    """Return a, b and T₀ in kelvin for points in kelvin, last axis; NaN where no such curve fits or a point is NaN."""
    return _through_three(T, y) if T.shape[-1] == 3 else _least_squares(T, y)


def steepness_ratio(T: Array, y: Array) -> Array:
    """Return the steepness from coldest to middle point over that from middle to hottest: above 1 for Vogel."""
    order = np.argsort(T, axis=-1)[..., [0, T.shape[-1] // 2, -1]]
    T1, T2, T3 = np.moveaxis(np.take_along_axis(T, order, axis=-1), -1, 0)
    y1, y2, y3 = np.moveaxis(np.take_along_axis(y, order, axis=-1), -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((y1 - y2) * (T3 - T2) / ((y2 - y3) * (T2 - T1)))


def _through_three(T: Array, y: Array) -> Coefficients:
    R = steepness_ratio(T, y)
    R = np.where((R > 1.0) & np.isfinite(R), R, np.nan)  # R = (T3 - T0) / (T1 - T0)
    first, last = np.argmin(T, axis=-1)[..., None], np.argmax(T, axis=-1)[..., None]
    T1, T3 = (np.take_along_axis(T, index, axis=-1)[..., 0] for index in (first, last))
    y1, y3 = (np.take_along_axis(y, index, axis=-1)[..., 0] for index in (first, last))
    T0 = (T3 - R * T1) / (1.0 - R)
    b = (y1 - y3) / (1.0 / (T1 - T0) - 1.0 / (T3 - T0))
    return y1 - b / (T1 - T0), b, T0


def _least_squares(T: Array, y: Array) -> Coefficients:
    r"""Return the least squares of y = α − β δ / (1 + u δ), δ the scaled distance from the mean temperature.

    For a given bend u the rest is a straight line; the sum of squares is lowest where its derivative by u is zero.
    """
    centre = T.mean(axis=-1, keepdims=True)
    scale = np.abs(T - centre).max(axis=-1, keepdims=True)
    delta = (T - centre) / scale
    most = -1.0 / delta.min(axis=-1)

    def bend(u: Array) -> Array:
        x = delta / (1.0 + u[..., None] * delta)
        line = straight_line(x, y)
        return np.asarray(-np.sum((y - line.at(x)) * x * x, axis=-1) * line.slope)

    u = bracketed_root(bend, _FLATTEST * most, _STEEPEST * most)
    line = straight_line(delta / (1.0 + u[..., None] * delta), y)
    T0 = centre[..., 0] - scale[..., 0] / u
    return line.intercept + line.slope / u, -line.slope * scale[..., 0] / u**2, T0
