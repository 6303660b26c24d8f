"""Points of curves: their stated uncertainty, what is refused of them, the straight line through each; all at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array, refuse_outside

Arrays = tuple[Array, ...]


@dataclass(frozen=True, eq=False)
class StraightLine:
    """The weighted least squares of y over x, last axis the points."""

    slope: Array
    x_mean: Array  # weighted mean of x: there the line's height and its slope are uncorrelated
    y_mean: Array
    x_spread: Array  # weighted squares of x about its mean: of weights 1/variance, 1 over it is that of the slope
    weight: Array  # sum of the weights; the variance of the height at the mean is 1 over it

    @property
    def intercept(self) -> Array:
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
    """Return temperatures, once where curves share them, and values of all points, last axis; refuse too few."""
    temperature, value = (np.atleast_1d(np.asarray(given, dtype=float)) for given in (temperature_C, values))
    shape = np.broadcast_shapes(temperature.shape, value.shape)
    temperature = np.broadcast_to(temperature, (*temperature.shape[:-1], shape[-1]))
    different = _fewest_different(temperature)
    if different < needed:
        name, told = "number of different temperatures", f"too few for {what}"
        raise OutOfRangeError(name, float(different), "[-]", lowest=float(needed), told=told, reason=reason)
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


_NEIGHBOURS_K = 5.0  # temperatures so far apart, [K]: no noise of measurement makes the hotter liquid the thicker one


def refuse_rising(temperature_C: Array, viscosity: Array, unit: str = " mm²/s") -> None:
    """Refuse points 5 K apart or more whose viscosity doesn't fall, and curves that rise as a whole: two are named."""
    t, nu = _by_temperature(temperature_C, viscosity)
    for curve in np.argwhere(((np.diff(nu, axis=-1) >= 0.0) & (np.diff(t, axis=-1) > 0.0)).any(axis=-1)):
        here = tuple(curve)
        cold, hot, of_cold, of_hot = _widest_rise(t[here], nu[here])
        known = np.isfinite(t[here] + nu[here])
        T, y = t[here][known], np.log(nu[here][known])
        if hot - cold >= _NEIGHBOURS_K or np.sum((T - T.mean()) * y) >= 0.0:
            what = f"viscosity of oil {', '.join(str(i + 1) for i in here)}" if here else "viscosity"
            told = f"not below {of_cold:.10g}{unit} at {cold:.10g} °C"
            reason = "a liquid's viscosity falls with temperature"
            raise OutOfRangeError(what, of_hot, f"{unit.strip()} at {hot:.10g} °C".strip(), told=told, reason=reason)


def _by_temperature(t: Array, nu: Array) -> tuple[Array, Array]:
    """Return temperatures in order and the viscosities at them; those at one temperature in falling order."""
    if t.ndim == 1 and len(np.unique(t)) == t.size:
        order = np.argsort(t)
        return np.broadcast_to(t[order], nu.shape), nu[..., order]
    T = np.broadcast_to(t, nu.shape)
    order = np.lexsort((-nu, T), axis=-1)
    return np.take_along_axis(T, order, axis=-1), np.take_along_axis(nu, order, axis=-1)


def _widest_rise(t: Array, nu: Array) -> tuple[float, float, float, float]:
    """Return the two temperatures farthest apart of which the hotter has no lower viscosity, and both viscosities."""
    apart = np.where(nu[None, :] >= nu[:, None], t[None, :] - t[:, None], -np.inf)
    cold, hot = np.unravel_index(np.nanargmax(apart), apart.shape)
    return float(t[cold]), float(t[hot]), float(nu[cold]), float(nu[hot])


@dataclass(frozen=True, eq=False)
class ViscosityBand:
    """A line and the interval about it, at the temperatures that were asked for."""

    lowest: Array  # lower end, [mm²/s]
    line: Array  # the line, [mm²/s]
    highest: Array  # upper end, [mm²/s]


def stated_percent(uncertainty_percent: ArrayLike, viscosity: Array) -> Array:
    """Return stated uncertainties in the shape of the points, or of one curve that all share; refuse what is none."""
    reason = "nothing is known without uncertainty"
    percent = refuse_outside(uncertainty_percent, "standard uncertainty", "%", above=0.0, reason=reason)
    return np.broadcast_to(percent, viscosity.shape if percent.ndim > 1 else viscosity.shape[-1:])


def two_sided_quantile(level: float, degrees_of_freedom: float) -> float:
    """Return the coverage factor of a level: Student's t, or the normal one for infinite degrees of freedom."""
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + level)
    return float(ndtri(upper) if np.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, upper))


def refuse_level(level: float) -> None:
    """Refuse what is no probability between 0 and 1, such as a level in percent."""
    reason = "it is a probability"
    refuse_outside(np.asarray(level), "level", "[-]", above=0.0, below=1.0, meant=(0.01, "%"), reason=reason)
