"""Other curves of viscosity over temperature than the line of ASTM D341; °C at the edge, kelvin inside."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array, keep_inside, kelvin, refuse_outside
from labcalc.formulae._roots import bracketed_root
from labcalc.formulae._series import keeps_index
from labcalc.formulae.curves import _points
from labcalc.formulae.curves._points import ViscosityBand, ends_of_curves, points_of_curves, straight_line

EDITION = "Vogel 1921, Fulcher 1925, Tammann 1926; Andrade 1930; DIN 51563:2011-04 (Ubbelohde-Walther)"
_FLATTEST, _STEEPEST = 1e-6, 1.0 - 1e-9  # limits of the bend, as shares of the one that puts T₀ at the coldest point
Coefficients = tuple[Array, Array, Array]


@dataclass(frozen=True, eq=False)
class ExponentialCurve:
    """A curve ln x = a + b / (T − T₀), or an array of them: Vogel's; with T₀ = 0 Andrade's."""

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
        Raises OutOfRangeError : A temperature is not above T₀.
        """
        return np.exp(self.a + self.b_K / self._above(temperature_C, extrapolate))

    @keeps_index
    def confidence_band(
        self, temperature_C: ArrayLike, *, noise_percent: ArrayLike | None = None, extrapolate: bool = False
    ) -> ViscosityBand:
        """Return the interval, [mm²/s] or [mPa·s], that holds the viscosity of an oil on the curve in 95 % of cases.

        The noise of the points is carried through the fit to first order. How far the oil is from the curve isn't in
        it: the band of ``estimate_viscosity_temperature`` knows of that.

        temperature_C : Temperature, [°C], within the fitted ones.
        noise_percent : Standard deviation of a result, [%], one for all of an oil, such as repeatability limit / 2.8;
            without it, the scatter of the points about the curve.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning; the interval grows.
        Raises OutOfRangeError : The noise is neither stated nor told by more points than coefficients.
        """
        above = self._above(temperature_C, extrapolate)
        middle, derivatives = self.a + self.b_K / above, _derivatives(above, self.b_K)[..., : self.jacobian.shape[-1]]
        noise, freedom = self._noise(noise_percent)
        known = np.isfinite(self.jacobian).all(axis=(-2, -1), keepdims=True)
        inverse = np.linalg.pinv(np.where(known, self.jacobian, 0.0))
        shares = np.einsum("...k,...kn->...n", derivatives, inverse)
        half = _points.two_sided_quantile(0.95, freedom) * 0.01 * noise * np.sqrt(np.sum(shares**2, axis=-1))
        return ViscosityBand(*(np.exp(end)[()] for end in (middle - half, middle, middle + half)))

    def _noise(self, stated: ArrayLike | None) -> tuple[Array, float]:
        """Return the standard deviation of a result, [%], stated or by the scatter of the points, and its freedom."""
        if stated is not None:
            return _points.stated_percent(stated, self.residuals_percent[..., 0]), np.inf
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


@dataclass(frozen=True, eq=False)
class UbbelohdeWaltherLine:
    """A line lg lg (ν + constant) = W₁ − m lg T, or an array of them."""

    lowest_C: Array  # lowest fitted temperature, [°C]
    highest_C: Array  # highest fitted temperature, [°C]
    m: Array  # slope, [-]: some 3 to 4 for mineral oils; it means nothing without the constant
    ordinate_at_1K: Array  # height of the line at T = 1 K, [-]
    constant: float  # what is added to the viscosity, [mm²/s]: 0.8 in the standard, 0.6 and 0.7 elsewhere

    @keeps_index
    def kinematic_viscosity_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> Array:
        """Return the kinematic viscosity of the line, [mm²/s], at a temperature.

        temperature_C : Temperature, [°C], within the fitted ones.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning.
        """
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        ordinate = self.ordinate_at_1K - self.m * np.log10(kelvin(temperature))
        return np.asarray(10.0 ** (10.0**ordinate) - self.constant)[()]


def fit_vogel(temperature_C: ArrayLike, viscosity: ArrayLike) -> ExponentialCurve:
    r"""Fit the curve of Vogel, Fulcher and Tammann, :math:`\ln x = a + b / (T - T_0)`, b and T₀ in [K].

    Three points fix it; four and more give the least squares of ln x.

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    viscosity : Viscosities at them, [mm²/s] or [mPa·s], more than zero.
    Raises OutOfRangeError : The points of an oil bend the other way or more than any such curve.
    Source : H. Vogel, Phys. Z. 22 (1921) 645; G. S. Fulcher, J. Am. Ceram. Soc. 8 (1925) 339; G. Tammann and W. Hesse,
        Z. anorg. allg. Chem. 156 (1926) 245.

    >>> curve = fit_vogel([20.0, 40.0, 100.0], [74.62149, 26.87991, 4.19751])
    >>> curve.b_K.round(1), curve.T0_K.round(1)
    (np.float64(900.0), np.float64(170.0))
    """
    temperature, y = _logarithms(temperature_C, viscosity, needed=3, name="Vogel")
    T = np.broadcast_to(kelvin(temperature), y.shape)
    found = vogel_coefficients(T, y)
    lost = np.isnan(found[2]) & ~np.isnan(T + y).any(axis=-1)
    if lost.any():
        what, ratio = "steepness of ln x when cold over its steepness when hot,", float(steepness_ratio(T, y)[lost][0])
        reason = "no curve of Vogel bends as these points do; a point is wrong, or the oil is not one liquid"
        raise OutOfRangeError(what, ratio, "[-]", above=1.0, reason=reason)
    return _exponential(temperature, y, found, coefficients=3)


def fit_andrade(temperature_C: ArrayLike, viscosity: ArrayLike) -> ExponentialCurve:
    r"""Fit Andrade's curve :math:`\ln x = a + b / T`, b in [K], for narrow ranges of temperature only.

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, two or more.
    viscosity : Viscosities at them, [mm²/s] or [mPa·s], more than zero.
    Source : E. N. da C. Andrade, Nature 125 (1930) 309.
    """
    temperature, y = _logarithms(temperature_C, viscosity, needed=2, name="Andrade")
    fit = straight_line(1.0 / kelvin(temperature), y)
    return _exponential(temperature, y, (fit.intercept, fit.slope, np.zeros_like(fit.slope)), coefficients=2)


def fit_ubbelohde_walther(
    temperature_C: ArrayLike, kinematic_viscosity: ArrayLike, *, constant: float = 0.8
) -> UbbelohdeWaltherLine:
    r"""Fit the line of Ubbelohde and Walther; its slope is the m-value of an oil, [-], reported to two decimals.

    .. math:: m = \frac{\lg \lg (\nu_1 + 0.8) - \lg \lg (\nu_2 + 0.8)}{\lg T_2 - \lg T_1}

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, two or more.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], such that with the constant they are more than 1.
    constant : What is added to the viscosity, [mm²/s]; m depends on it in the second decimal.
    Source : DIN 51563:2011-04, Ubbelohde-Walther equation (the equation from memory, the title seen).
    """
    reason = "the line of Ubbelohde and Walther needs two"
    temperature, nu = points_of_curves(temperature_C, kinematic_viscosity, needed=2, what="a line", reason=reason)
    Z = nu + constant
    refuse_outside(Z, "viscosity and constant together", "mm²/s", above=1.0, reason="lg lg (ν + constant) ends there")
    _points.refuse_rising(temperature, nu)
    fit = straight_line(np.log10(kelvin(temperature)), np.log10(np.log10(Z)))
    return UbbelohdeWaltherLine(*ends_of_curves(temperature, nu.shape[:-1]), -fit.slope, fit.intercept, constant)


def _logarithms(temperature_C: ArrayLike, viscosity: ArrayLike, *, needed: int, name: str) -> tuple[Array, Array]:
    reason = f"the curve of {name} needs {needed}; its least squares take any number more"
    temperature, values = points_of_curves(temperature_C, viscosity, needed=needed, what="a curve", reason=reason)
    refuse_outside(values, "viscosity", "mm²/s or mPa·s", above=0.0, reason="a viscosity is more than zero")
    _points.refuse_rising(temperature, values, unit="")
    return temperature, np.log(values)


def _exponential(temperature: Array, y: Array, found: Coefficients, *, coefficients: int) -> ExponentialCurve:
    a, b, T0 = (np.asarray(one)[..., None] for one in found)
    above = kelvin(temperature) - T0
    told = (_derivatives(above, b)[..., :coefficients], 100.0 * np.expm1(a + b / above - y))
    return ExponentialCurve(*ends_of_curves(temperature, y.shape[:-1]), *told, *found)


def _derivatives(above: Array, b: Array) -> Array:
    """Return the derivatives of ln x by a, b and T₀, last axis."""
    return np.stack(np.broadcast_arrays(1.0, 1.0 / above, b / above**2), axis=-1)


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
