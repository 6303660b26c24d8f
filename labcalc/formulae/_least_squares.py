"""Points of many curves at once, and the straight line through each: closed form, no loop over the curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import OutOfRangeError


@dataclass(frozen=True, eq=False)
class StraightLine:
    """The weighted least squares of y over x, last axis the points."""

    slope: NDArray[np.float64]
    x_mean: NDArray[np.float64]
    """Weighted mean of x: there the line's height and its slope are uncorrelated."""
    y_mean: NDArray[np.float64]
    x_spread: NDArray[np.float64]
    """Weighted sum of squares of x about its mean; 1 over it is the variance of the slope if weights are 1/variance."""
    weight: NDArray[np.float64]
    """Sum of the weights; the variance of the height at the mean is 1 over it."""

    @property
    def intercept(self) -> NDArray[np.float64]:
        """Height of the line at x = 0."""
        return self.y_mean - self.slope * self.x_mean

    def at(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the height of each line at its points."""
        return self.y_mean[..., None] + self.slope[..., None] * (x - self.x_mean[..., None])


def straight_line(x: NDArray[np.float64], y: NDArray[np.float64], weights: ArrayLike = 1.0) -> StraightLine:
    """Fit straight lines by least squares."""
    w = np.broadcast_to(np.asarray(weights, dtype=float), x.shape)
    weight = np.sum(w, axis=-1)
    x_mean, y_mean = np.sum(w * x, axis=-1) / weight, np.sum(w * y, axis=-1) / weight
    weighted = w * (x - x_mean[..., None])
    x_spread = np.sum(weighted * (x - x_mean[..., None]), axis=-1)
    slope = np.sum(weighted * (y - y_mean[..., None]), axis=-1) / x_spread
    return StraightLine(slope, x_mean, y_mean, x_spread, weight)


def points_of_curves(
    temperature_C: ArrayLike, values: ArrayLike, *, needed: int, what: str, reason: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return temperatures and values in one shape, last axis the points; refuse too few different temperatures."""
    given = np.asarray(temperature_C, dtype=float), np.asarray(values, dtype=float)
    temperature, value = np.broadcast_arrays(*(np.atleast_1d(array) for array in given))
    different = _fewest_different(temperature)
    if different < needed:
        raise OutOfRangeError(
            f"{what} through", float(different), "different temperatures", lowest=float(needed), reason=reason
        )
    return temperature, value


def _fewest_different(temperature: NDArray[np.float64]) -> int:
    """Return the number of different temperatures of the curve that has fewest; each NaN counts as one of its own."""
    points = int(temperature.shape[-1])
    if not points or not temperature.size:
        return points
    steps = np.diff(np.sort(temperature, axis=-1), axis=-1)
    return points - int(np.sum(steps == 0.0, axis=-1).max())
