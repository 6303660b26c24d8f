"""Points of many curves at once, and the straight line through each: closed form, thousands of curves at a time."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array

_BLOCK = 40_000  # values that are worked on at once: what is computed on the way stays in the processor's cache

Arrays = tuple[Array, ...]


@dataclass(frozen=True, eq=False)
class StraightLine:
    """The weighted least squares of y over x, last axis the points."""

    slope: Array
    x_mean: Array  # weighted mean of x: there the line's height and its slope are uncorrelated
    y_mean: Array
    x_spread: Array
    """Weighted sum of squares of x about its mean; 1 over it is the variance of the slope if weights are 1/variance."""
    weight: Array  # sum of the weights; the variance of the height at the mean is 1 over it

    @property
    def intercept(self) -> Array:
        """Height of the line at x = 0."""
        return self.y_mean - self.slope * self.x_mean

    def at(self, x: Array) -> Array:
        """Return the height of each line at its points."""
        rise = np.multiply(self.slope[..., None], x - self.x_mean[..., None], order="F")  # long rows, as the points
        return self.y_mean[..., None] + rise

    def leverage(self, x: Array, weights: Array) -> Array:
        """Return the share that each point has in the height of its line there, [-]."""
        return weights * (1.0 / self.weight[..., None] + (x - self.x_mean[..., None]) ** 2 / self.x_spread[..., None])


def straight_line(x: Array, y: Array, weights: ArrayLike | None = None) -> StraightLine:
    """Fit straight lines by least squares; lines that share their x take it once, and share its mean and spread."""
    w = np.ones_like(x) if weights is None else np.asarray(weights, dtype=float)
    weight = np.sum(w, axis=-1)
    x_mean, y_mean = np.sum(w * x, axis=-1) / weight, np.sum(w * y, axis=-1) / weight
    distance = x - x_mean[..., None]
    weighted = w * distance
    x_spread = np.sum(weighted * distance, axis=-1)
    slope = np.sum(weighted * (y - y_mean[..., None]), axis=-1) / x_spread
    return StraightLine(slope, x_mean, y_mean, x_spread, weight)


def points_of_curves(
    temperature_C: ArrayLike, values: ArrayLike, *, needed: int, what: str, reason: str
) -> tuple[Array, Array]:
    """Return temperatures, once where curves share them, and the values of all points, last axis the points.

    Too few different temperatures are refused.
    """
    temperature, value = (np.atleast_1d(np.asarray(given, dtype=float)) for given in (temperature_C, values))
    shape = np.broadcast_shapes(temperature.shape, value.shape)
    temperature = np.broadcast_to(temperature, (*temperature.shape[:-1], shape[-1]))
    different = _fewest_different(temperature)
    if different < needed:
        told = f"too few for {what}"
        raise OutOfRangeError(
            "number of different temperatures", float(different), "[-]", lowest=float(needed), told=told, reason=reason
        )
    return np.asfortranarray(temperature), np.broadcast_to(value, shape)


def in_blocks(work: Callable[..., Arrays], *points: Array) -> Arrays:
    """Return what some work gives for the points of many curves, so many curves at a time.

    The last of the points have the full shape, the others that or one curve's, which all share. Work gets the values of
    a point side by side, so that a sum over the few points of each curve takes long rows; it returns arrays whose first
    axis is the curves.
    """
    *curves, number = points[-1].shape
    if not curves or points[-1].size <= _BLOCK:
        return work(*map(np.asfortranarray, points))
    rows = [one if one.ndim == 1 else np.broadcast_to(one, (*curves, number)).reshape(-1, number) for one in points]
    count, step = len(rows[-1]), max(1, _BLOCK // number)
    whole: Arrays = ()
    for start in range(0, count, step):
        block = slice(start, start + step)
        part = work(*(np.asfortranarray(one if one.ndim == 1 else one[block]) for one in rows))
        whole = whole or tuple(np.empty((count, *one.shape[1:])) for one in part)
        for target, one in zip(whole, part, strict=True):
            target[block] = one
    return tuple(one.reshape(*curves, *one.shape[1:]) for one in whole)


def ends_of_curves(temperature: Array, curves: tuple[int, ...]) -> tuple[Array, Array]:
    """Return the lowest and the highest temperature of each of the curves, for reading only."""
    lowest, highest = (np.broadcast_to(end(temperature, axis=-1), curves)[()] for end in (np.min, np.max))
    return lowest, highest


def _fewest_different(temperature: Array) -> int:
    """Return the number of different temperatures of the curve that has fewest; each NaN counts as one of its own."""
    points = int(temperature.shape[-1])
    if not points or not temperature.size:
        return points
    steps = np.diff(np.sort(temperature, axis=-1), axis=-1)
    return points - int(np.sum(steps == 0.0, axis=-1).max())
