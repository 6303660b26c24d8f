"""Vogel's curve of viscosity over temperature; °C at the edge, kelvin inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import OutOfRangeError
from labcalc.formulae._falling import refuse_rising
from labcalc.formulae._least_squares import ends_of_curves, points_of_curves, straight_line
from labcalc.formulae._refusals import Array, refuse_outside
from labcalc.formulae._roots import bracketed_root
from labcalc.formulae._series import keeps_index
from labcalc.formulae._stated import ViscosityBand, refuse_level, stated_percent, two_sided_quantile
from labcalc.formulae._temperatures import keep_inside, kelvin

EDITION = "Vogel 1921, Fulcher 1925, Tammann 1926"
_FLATTEST, _STEEPEST = 1e-6, 1.0 - 1e-9
"""Search limits of the bend, as shares of the one that puts T₀ at the coldest point."""
Coefficients = tuple[Array, Array, Array]


@dataclass(frozen=True, eq=False)
class ExponentialCurve:
    """A curve ln x = a + b / (T − T₀), or an array of them, with what its points tell."""

    lowest_C: Array  # lowest fitted temperature, [°C]
    highest_C: Array  # highest fitted temperature, [°C]
    jacobian: Array  # derivatives of ln x at the fitted points by the coefficients, last axis
    residuals_percent: Array  # curve minus point, [% of the point's viscosity]
    a: Array  # natural logarithm of the viscosity that the curve comes to when hot, [-]
    b_K: Array  # steepness, [K]
    T0_K: Array  # temperature at which the curve rises without end, [K]

    @keeps_index
    def viscosity_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> Array:
        """Return the viscosity of the curve, [mm²/s] or [mPa·s] as it was fitted, at a temperature.

        temperature_C : Temperature, [°C], within the fitted ones.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning.
        Raises OutOfRangeError : A temperature is outside the fitted ones, or not above T₀.
        """
        return np.exp(self.a + self.b_K / self._above(temperature_C, extrapolate))

    @keeps_index
    def confidence_band(
        self,
        temperature_C: ArrayLike,
        *,
        noise_percent: ArrayLike | None = None,
        level: float = 0.95,
        extrapolate: bool = False,
    ) -> ViscosityBand:
        """Return the interval, [mm²/s] or [mPa·s], that holds the viscosity of an oil on the curve.

        The noise of the points is carried through the fit to first order. How far the oil is from the curve isn't in
        it: the band of ``estimate_viscosity_temperature`` knows of that.

        temperature_C : Temperature, [°C], within the fitted ones.
        noise_percent : Standard deviation of a result, [%], one for all of an oil, such as repeatability limit / 2.8;
            without it, the scatter of the points about the curve.
        level : Probability, [-], between 0 and 1.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning; the interval grows.
        Raises OutOfRangeError : A temperature is outside the fitted ones, the level is no probability, or the noise is
            not positive, or neither stated nor told by more points than coefficients.
        """
        refuse_level(level)
        above = self._above(temperature_C, extrapolate)
        middle = np.exp(self.a + self.b_K / above)
        noise, freedom = self._noise(noise_percent)
        known = np.isfinite(self.jacobian).all(axis=(-2, -1), keepdims=True)
        inverse = np.linalg.pinv(np.where(known, self.jacobian, 0.0))
        shares = np.einsum("...k,...kn->...n", _derivatives(above, self.b_K), inverse)
        half = np.sqrt(np.sum(shares**2, axis=-1))
        half = 0.01 * two_sided_quantile(level, freedom) * noise * half
        return ViscosityBand((middle * np.exp(-half))[()], middle[()], (middle * np.exp(half))[()])

    def _noise(self, stated: ArrayLike | None) -> tuple[Array, float]:
        """Return the standard deviation of a result, [%], stated or by the scatter of the points, and its freedom."""
        if stated is not None:
            return stated_percent(stated, self.residuals_percent[..., 0]), np.inf
        points, coefficients = self.jacobian.shape[-2:]
        if points <= coefficients:
            reason = f"a curve with {coefficients} coefficients leaves no scatter; state the noise of the results"
            told = "too few for the uncertainty of this curve"
            raise OutOfRangeError("number of results", float(points), "[-]", told=told, reason=reason)
        freedom = float(points - coefficients)
        return np.sqrt(np.sum(self.residuals_percent**2, axis=-1) / freedom), freedom

    def _above(self, temperature_C: ArrayLike, extrapolate: bool) -> Array:
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        above = np.asarray(kelvin(temperature) - self.T0_K)
        return refuse_outside(above, "temperature above T₀", "K", above=0.0, reason="the curve has no end there")


def fit_vogel(temperature_C: ArrayLike, viscosity: ArrayLike) -> ExponentialCurve:
    r"""Fit the curve of Vogel, Fulcher and Tammann, :math:`\ln x = a + b / (T - T_0)`, b and T₀ in [K].

    Three points fix it; four and more give the least squares of ln x.

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    viscosity : Viscosities at them, [mm²/s] or [mPa·s], more than zero.
    Raises OutOfRangeError : A viscosity is not positive, an oil has fewer than three different temperatures, or the
        points of an oil bend the other way or more than any such curve.
    Source : H. Vogel, Phys. Z. 22 (1921) 645; G. S. Fulcher, J. Am. Ceram. Soc. 8 (1925) 339; G. Tammann and W. Hesse,
        Z. anorg. allg. Chem. 156 (1926) 245.

    >>> curve = fit_vogel([20.0, 40.0, 100.0], [74.62149, 26.87991, 4.19751])
    >>> curve.b_K.round(1), curve.T0_K.round(1)
    (np.float64(900.0), np.float64(170.0))
    """
    reason = "the curve of Vogel needs 3; its least squares take any number more"
    temperature, values = points_of_curves(temperature_C, viscosity, needed=3, what="a curve", reason=reason)
    refuse_outside(values, "viscosity", "mm²/s or mPa·s", above=0.0, reason="a viscosity is more than zero")
    refuse_rising(temperature, values, unit="")
    y = np.log(values)
    T = np.broadcast_to(kelvin(temperature), y.shape)
    found = vogel_coefficients(T, y)
    _refuse_other_bends(T, y, np.isnan(found[2]))
    a, b, T0 = (np.asarray(one)[..., None] for one in found)
    residuals = 100.0 * np.expm1(a + b / (T - T0) - y)
    return ExponentialCurve(*ends_of_curves(temperature, y.shape[:-1]), _derivatives(T - T0, b), residuals, *found)


def _derivatives(above: Array, b: Array) -> Array:
    """Return the derivatives of ln x by a, b and T₀, last axis."""
    return np.stack(np.broadcast_arrays(1.0, 1.0 / above, b / above**2), axis=-1)


def _refuse_other_bends(T: Array, y: Array, lost: NDArray[np.bool_]) -> None:
    lost = lost & ~np.isnan(T + y).any(axis=-1)
    if lost.any():
        raise OutOfRangeError(
            "steepness of ln x when cold over its steepness when hot,",
            float(steepness_ratio(T, y)[lost][0]),
            "[-]",
            above=1.0,
            reason="no curve of Vogel bends as these points do; a point is wrong, or the oil is not one liquid",
        )


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
