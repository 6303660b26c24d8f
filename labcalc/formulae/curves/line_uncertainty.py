"""How well the viscosity-temperature line of an oil is known: standard errors, bands, departure from the line."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array, keep_inside, kelvin
from labcalc.formulae._series import keeps_index
from labcalc.formulae.curves import _points, walther
from labcalc.formulae.curves._points import StraightLine, ViscosityBand, ends_of_curves, points_of_curves
from labcalc.formulae.curves.line_curvature import bending, curvature
from labcalc.formulae.curves.viscosity_temperature import ViscosityTemperatureLine

EDITION = "ASTM D341-20 for the line; weighted linear least squares for its uncertainty (JCGM 100:2008, H.3)"


@dataclass(frozen=True, eq=False)
class EstimatedLine:
    """A viscosity-temperature line with its uncertainty, or an array of them."""

    line: ViscosityTemperatureLine  # the line itself, W = A − B lg T
    noise_percent: Array  # standard deviation of one result about the line, [%]: from the residuals, or as stated
    degrees_of_freedom: float  # of the noise, [-]: points less two; infinite where the noise was stated
    fit: StraightLine  # the weighted least squares, weights of 1/variance of the ordinate
    bend_height: Array  # at the mean point, of the line through the curve by which oils bend, same points and weights
    bend_slope: Array  # slope of that line over log T

    @property
    def covariance(self) -> Array:
        """Covariance matrix of A and B, last two axes, [-]."""
        slope, height = 1.0 / self.fit.x_spread, 1.0 / self.fit.weight
        x = self.fit.x_mean
        rows = [np.stack([height + x * x * slope, x * slope], axis=-1), np.stack([x * slope, slope], axis=-1)]
        return np.stack(rows, axis=-2)

    @keeps_index
    def confidence_band(
        self,
        temperature_C: ArrayLike,
        *,
        level: float = 0.95,
        extrapolate: bool = False,
        follows_line: bool = False,
        liquid: str | None = None,
        further_results: int = 0,
    ) -> ViscosityBand:
        """Return the interval, [mm²/s], that holds the true viscosity, or a further result, at each temperature.

        It is narrowest near the points and grows with the distance from them: the noise of the results, and how far
        oils are from a straight line (``line_model_uncertainty``), each expanded to the level, their squares added.

        temperature_C : Temperature, [°C], within the fitted ones.
        level : Probability, [-], between 0 and 1.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning; the interval doesn't know
            of wax or structure.
        follows_line : Take the oil to follow the line exactly: the noise of the results alone.
        liquid : Kind of liquid, as in ``line_model_uncertainty``.
        further_results : 1 for the interval that holds one further result with the same noise, [-].
        """
        _points.refuse_level(level)
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.line.lowest_C, self.line.highest_C, extrapolate)
        T = kelvin(temperature)
        x = np.log10(T)
        W = self.line.intercept - self.line.slope * x
        middle = walther.viscosity_from_ordinate(W)
        of_line = 1.0 / self.fit.weight + (x - self.fit.x_mean) ** 2 / self.fit.x_spread
        of_result = further_results * (walther.ordinate_of_percent(middle) * self.noise_percent) ** 2
        half = _points.two_sided_quantile(level, self.degrees_of_freedom) * np.sqrt(of_line + of_result)
        if not follows_line:
            bow = bending(T) - (self.bend_height + self.bend_slope * (x - self.fit.x_mean))
            of_model = curvature(self.line.slope, liquid) * bow / np.log(10.0)
            half = np.hypot(half, _points.two_sided_quantile(level, np.inf) * of_model)
        return ViscosityBand(walther.solved_viscosity(W - half)[()], middle, walther.solved_viscosity(W + half)[()])


def estimate_viscosity_temperature(
    temperature_C: ArrayLike, kinematic_viscosity: ArrayLike, uncertainty_percent: ArrayLike | None = None
) -> EstimatedLine:
    r"""Fit the viscosity-temperature line with the weight that each result deserves, and say how well it is known.

    A viscosity is measured to so many percent, so its ordinate is the surer the thicker the oil; the weights follow.
    Two points give the line of ``fit_viscosity_temperature``, more points nearly the same: there all ordinates are
    equally sure.

    .. math:: w = 1 / u^2(W), \qquad u(W) = |dW / d \ln \nu| \, u(\nu) / \nu

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.
    uncertainty_percent : Standard uncertainty of each viscosity, [%], such as repeatability limit / 2.8; broadcasts
        against the points. Without it all are taken as equally sure, and three or more results, repeats among them or
        not, tell how sure from their scatter.
    Returns : The line, its covariance, [-], and its noise, [%]; each field has the shape of the axes before the last
        one.
    Source : ASTM D341-20; JCGM 100:2008 (GUM), H.3, for a straight line, its covariance and what is predicted from it.

    >>> oil = estimate_viscosity_temperature([20.0, 40.0, 100.0], [240.5, 73.30, 8.87])
    >>> band = oil.confidence_band(60.0)
    >>> [float(end.round(2)) for end in (band.lowest, band.line, band.highest)]
    [28.07, 30.1, 32.31]
    """
    known = uncertainty_percent is not None
    what, reason = "a line with its uncertainty", "a viscosity-temperature line needs two"
    temperature, viscosity = points_of_curves(temperature_C, kinematic_viscosity, needed=2, what=what, reason=reason)
    curves, points = viscosity.shape[:-1], int(viscosity.shape[-1])
    if not known and points < 3:
        what, told = "a line with its uncertainty through", "impossible"
        reason = "they must tell their scatter, unless the uncertainty of the results is stated"
        raise OutOfRangeError(what, float(points), "results", lowest=3.0, told=told, reason=reason)
    percent = _points.stated_percent(1.0 if uncertainty_percent is None else uncertainty_percent, viscosity)
    *fitted, squares, residuals, height, slope = _weighted_line(kelvin(temperature), percent, viscosity)
    _points.refuse_rising(temperature, viscosity)
    fit, degrees, noise = StraightLine(*fitted), np.inf, np.sqrt(np.mean(percent**2, axis=-1))
    if not known:
        degrees = float(points - 2)
        noise = np.sqrt(squares / degrees)
        with np.errstate(divide="ignore"):  # points without scatter leave no uncertainty
            fit = replace(fit, x_spread=fit.x_spread / noise**2, weight=fit.weight / noise**2)
    line = ViscosityTemperatureLine(fit.intercept, -fit.slope, *ends_of_curves(temperature, curves), residuals, points)
    return EstimatedLine(line, np.broadcast_to(noise, curves)[()], degrees, fit, height[()], slope[()])


def _weighted_line(T: Array, percent: Array, viscosity: Array) -> _points.Arrays:
    """Return the fit, the squares of the deviations in standard uncertainties, residuals in %, and how oils bend."""
    x, (y, slope) = np.log(T), walther.double_logarithm_and_slope(viscosity)
    weights = (100.0 / (slope * percent)) ** 2
    fit = _points.straight_line(x, y, weights)
    fitted = fit.at(x)
    squares = np.sum(weights * (y - fitted) ** 2, axis=-1)
    residuals = 100.0 * (walther.viscosity_of_double_logarithm(fitted) / viscosity - 1.0)
    bent = weights * bending(T)
    height = np.sum(bent, axis=-1) / fit.weight
    bend_slope = np.sum(bent * (x - fit.x_mean[..., None]), axis=-1) / fit.x_spread
    return *vars(walther.line_on_chart(fit)).values(), squares, residuals, height, bend_slope * np.log(10.0)
