"""Points of many curves at once, and the straight line through each: closed form, thousands of curves at a time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array

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
    return np.asfortranarray(temperature), np.asfortranarray(np.broadcast_to(value, shape))


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
