"""Does an oil follow the viscosity-temperature line? Wax, structure and wrong results show as a departure from it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import Array, kelvin, refuse_outside
from labcalc.formulae.curves import walther
from labcalc.formulae.curves._points import Arrays, points_of_curves, refuse_rising, stated_percent, straight_line

EDITION = "ASTM D341-20 for the line; chi-square and F test of lack of fit (NIST/SEMATECH e-Handbook 2012, 4.4.4.6)"


@dataclass(frozen=True, eq=False)
class LineDeparture:
    """How far results scatter about their line, against what the noise of the results allows."""

    test: str  # ``chi-square``, or ``F`` where the noise itself is known from few results only
    statistic: Array  # mean square about the line over that of the noise, [-]: near 1 for an oil that follows the line
    degrees_of_freedom: tuple[float, float]  # of the scatter and of the noise, [-]
    p_value: Array  # probability of so much scatter or more for an oil that follows the line, [-]
    coldest_excess_percent: Array
    """How far the coldest result lies above the line through the others, [%]: wax and structure make it positive.

    NaN where that line leaves the chart."""
    coldest_excess_uncertainty_percent: Array  # standard uncertainty of that excess, [%]

    def departs(self, significance: float = 0.05) -> NDArray[np.bool_]:
        """Tell whether the results depart from the line more than the noise allows, [-]; False where a point is NaN.

        significance : Share of oils that follow the line and are yet called departing, [-].
        """
        return np.asarray(self.p_value < significance)[()]


def departure_from_line(
    temperature_C: ArrayLike,
    kinematic_viscosity: ArrayLike,
    noise_percent: ArrayLike,
    *,
    noise_degrees_of_freedom: float = np.inf,
) -> LineDeparture:
    r"""Test three or more results of an oil for a departure from the viscosity-temperature line.

    .. math:: F = \frac{1}{n - 2} \sum_i \left( \frac{W_i - \hat W_i}{u(W_i)} \right)^2

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.
    noise_percent : Standard deviation of each result, [%], such as repeatability limit / 2.8 or that of the
        laboratory's repeats.
    noise_degrees_of_freedom : Degrees of freedom of that deviation, [-]; infinite for a published one.
    Returns : Test and excess of the coldest result, [%]; each field has the shape of the axes before the last one.
    Source : ASTM D341-20, clause 3.1: the line holds for a homogeneous liquid, above the cloud point.
    Source : NIST/SEMATECH e-Handbook of Statistical Methods (2012), 4.4.4.6: lack of fit against the replicates.

    >>> waxy = departure_from_line([21.0, 27.0, 38.0, 16.0], [64100.0, 22500.0, 4580.0, 245000.0], 2.0)
    >>> waxy.departs(), waxy.coldest_excess_percent > 10.0
    (np.True_, np.True_)
    """
    what, reason = "a departure from the line", "two points lie on any line"
    temperature, viscosity = points_of_curves(temperature_C, kinematic_viscosity, needed=3, what=what, reason=reason)
    freedom = np.asarray(noise_degrees_of_freedom, dtype=float)
    finite = np.where(np.isinf(freedom), 1.0, freedom)
    refuse_outside(finite, "degrees of freedom", "[-]", lowest=1.0, reason="the noise comes from two results or more")
    percent = stated_percent(noise_percent, viscosity)
    refuse_rising(temperature, viscosity)
    scatter, excess, uncertainty = _scatter_and_excess(kelvin(temperature), percent, viscosity)
    degrees = float(temperature.shape[-1] - 2)
    test = "chi-square" if np.isinf(freedom) else "F"
    found = (one[()] for one in (_tail(scatter, degrees, float(freedom)), excess, uncertainty))
    return LineDeparture(test, scatter / degrees, (degrees, float(freedom)), *found)


def _scatter_and_excess(T: Array, percent: Array, viscosity: Array) -> Arrays:
    x, (y, slope) = np.log(T), walther.double_logarithm_and_slope(viscosity)
    weights = (100.0 / (slope * percent)) ** 2
    fit = straight_line(x, y, weights)
    residuals = y - fit.at(x)
    scatter = np.sum(weights * residuals**2, axis=-1)
    coldest = np.broadcast_to(np.argmin(T, axis=-1), scatter.shape)
    return scatter, *_excess(viscosity, y, residuals, weights, fit.leverage(x, weights), coldest)


def _tail(scatter: Array, degrees: float, noise_degrees: float) -> Array:
    from scipy.special import chdtrc, fdtrc

    if np.isinf(noise_degrees):
        return np.asarray(chdtrc(degrees, scatter))
    return np.asarray(fdtrc(degrees, noise_degrees, scatter / degrees))


def _excess(
    viscosity: Array, y: Array, residuals: Array, weights: Array, leverage: Array, point: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Return how far one point of each oil lies above the line through the others, and the uncertainty, [%]."""
    nu, ordinate, residual, weight, h = (
        np.take_along_axis(values, point[..., None], axis=-1)[..., 0]
        for values in (viscosity, y, residuals, weights, leverage)
    )
    left_out = residual / (1.0 - h)  # the residual of the point when it is left out
    fitted = walther.viscosity_of_double_logarithm(ordinate - left_out)
    fitted = np.where((fitted >= walther.LOWEST_VISCOSITY) & (fitted <= walther.HIGHEST_VISCOSITY), fitted, np.nan)
    _, slope = walther.double_logarithm_and_slope(fitted)
    return 100.0 * (nu / fitted - 1.0), 100.0 / (np.sqrt(weight * (1.0 - h)) * slope)
