"""Other curves of viscosity over temperature than the line of ASTM D341; °C at the edge, kelvin inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import OutOfRangeError
from labcalc.formulae._curve_bands import CurveWithBands, FittedPoints, ViscosityBand
from labcalc.formulae._falling import refuse_rising
from labcalc.formulae._least_squares import ends_of_curves, points_of_curves, straight_line
from labcalc.formulae._refusals import refuse_outside
from labcalc.formulae._series import keeps_index
from labcalc.formulae._temperatures import keep_inside, kelvin
from labcalc.formulae._vogel import Coefficients, steepness_ratio, vogel_coefficients

EDITION = "DIN 51563:2011-04 (Ubbelohde-Walther); Vogel 1921, Fulcher 1925, Tammann 1926; Andrade 1930"


@dataclass(frozen=True, eq=False)
class UbbelohdeWaltherLine(CurveWithBands):
    """A line lg lg (ν + constant) = W₁ − m (lg T − lg T₁), or an array of them."""

    m: NDArray[np.float64]
    """Slope m, [-]: some 3 to 4 for mineral oils, lower for flatter oils. It means nothing without the constant."""
    constant: float
    """What is added to the viscosity, [mm²/s]: 0.8 in the standard, 0.6 and 0.7 elsewhere."""
    ordinate_at_1K: NDArray[np.float64]
    """Height of the line at T = 1 K, [-]."""
    lowest_C: NDArray[np.float64]
    """Lowest fitted temperature, [°C]."""
    highest_C: NDArray[np.float64]
    """Highest fitted temperature, [°C]."""
    points: FittedPoints
    """What the points tell of the uncertainty."""

    @keeps_index
    def kinematic_viscosity_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> NDArray[np.float64]:
        """Return the kinematic viscosity of the line at a temperature.

        Parameters
        ----------
        temperature_C : array_like of float
            Temperature, [°C], within the fitted ones.
        extrapolate : bool, optional
            Also go outside the fitted temperatures, with an ExtrapolationWarning.

        Returns
        -------
        numpy.ndarray or numpy.float64
            Kinematic viscosity, [mm²/s]; NaN where an input is NaN.

        Raises
        ------
        OutOfRangeError
            A temperature is outside the fitted ones.
        """
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        ordinate = self.ordinate_at_1K - self.m * np.log10(kelvin(temperature))
        return (10.0 ** (10.0**ordinate) - self.constant)[()]

    def _band(
        self,
        temperature_C: ArrayLike,
        noise_percent: ArrayLike | None,
        level: float,
        extrapolate: bool,
        results: int,
    ) -> ViscosityBand:
        middle = self.kinematic_viscosity_at(temperature_C, extrapolate=extrapolate)
        x = np.log10(kelvin(np.asarray(temperature_C, dtype=float)))
        of_percent = _walther_of_percent(middle, self.constant)
        half = self.points.half_width(_walther_derivatives(x), of_percent, noise_percent, level, results)
        W = np.log10(np.log10(middle + self.constant))
        low, high = (10.0 ** (10.0**end) - self.constant for end in (W - half, W + half))
        return ViscosityBand(low[()], middle, high[()])


@dataclass(frozen=True, eq=False)
class ExponentialCurve(CurveWithBands):
    """A curve ln x = a + b / (T − T₀), or an array of them: Vogel's; with T₀ = 0 Andrade's."""

    a: NDArray[np.float64]
    """Natural logarithm of the viscosity that the curve comes to when hot, [-]."""
    b_K: NDArray[np.float64]
    """Steepness, [K]."""
    T0_K: NDArray[np.float64]
    """Temperature at which the curve rises without end, [K]."""
    lowest_C: NDArray[np.float64]
    """Lowest fitted temperature, [°C]."""
    highest_C: NDArray[np.float64]
    """Highest fitted temperature, [°C]."""
    points: FittedPoints
    """What the points tell of the uncertainty."""

    @keeps_index
    def viscosity_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> NDArray[np.float64]:
        """Return the viscosity of the curve at a temperature.

        Parameters
        ----------
        temperature_C : array_like of float
            Temperature, [°C], within the fitted ones.
        extrapolate : bool, optional
            Also go outside the fitted temperatures, with an ExtrapolationWarning.

        Returns
        -------
        numpy.ndarray or numpy.float64
            Viscosity, [mm²/s] or [mPa·s], as it was fitted; NaN where an input is NaN.

        Raises
        ------
        OutOfRangeError
            A temperature is outside the fitted ones, or not above T₀.
        """
        return np.exp(self.a + self.b_K / self._above(temperature_C, extrapolate))

    @keeps_index
    def relative_slope_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> NDArray[np.float64]:
        """Return the relative change of the viscosity with temperature, d ln x/dT = −b / (T − T₀)².

        Parameters
        ----------
        temperature_C : array_like of float
            Temperature, [°C], within the fitted ones.
        extrapolate : bool, optional
            Also go outside the fitted temperatures, with an ExtrapolationWarning.

        Returns
        -------
        numpy.ndarray or numpy.float64
            Relative slope, [1/K]; negative; NaN where an input is NaN.

        Raises
        ------
        OutOfRangeError
            As ``viscosity_at``.
        """
        return -self.b_K / self._above(temperature_C, extrapolate) ** 2

    def _band(
        self,
        temperature_C: ArrayLike,
        noise_percent: ArrayLike | None,
        level: float,
        extrapolate: bool,
        results: int,
    ) -> ViscosityBand:
        above = self._above(temperature_C, extrapolate)
        middle = np.exp(self.a + self.b_K / above)
        derivatives = _exponential_derivatives(above, self.b_K)[..., : self.points.jacobian.shape[-1]]
        half = self.points.half_width(derivatives, np.asarray(0.01), noise_percent, level, results)
        return ViscosityBand(middle * np.exp(-half), middle, middle * np.exp(half))

    def _above(self, temperature_C: ArrayLike, extrapolate: bool) -> NDArray[np.float64]:
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        above = np.asarray(kelvin(temperature) - self.T0_K)
        refuse_outside(above, "temperature above T₀", "K", above=0.0, reason="the curve has no end there")
        return above


def fit_ubbelohde_walther(
    temperature_C: ArrayLike, kinematic_viscosity: ArrayLike, *, constant: float = 0.8
) -> UbbelohdeWaltherLine:
    r"""Fit the line of Ubbelohde and Walther; its slope is the m-value of an oil.

    .. math:: m = \frac{\lg \lg (\nu_1 + 0.8) - \lg \lg (\nu_2 + 0.8)}{\lg T_2 - \lg T_1}

    Parameters
    ----------
    temperature_C : array_like of float
        Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils. Three and more points
        give the least squares of the ordinate.
    kinematic_viscosity : array_like of float
        Kinematic viscosities at them, [mm²/s], such that viscosity and constant are more than 1 together.
    constant : float, optional
        What is added to the viscosity, [mm²/s]; m depends on it in the second decimal, so it is kept with it.

    Returns
    -------
    UbbelohdeWaltherLine
        The line with m, [-], reported to two decimals; NaN where a point is NaN.

    Raises
    ------
    OutOfRangeError
        A viscosity is too low, or an oil has fewer than two different temperatures.

    References
    ----------
    .. [1] DIN 51563:2011-04, Ubbelohde-Walther equation (the equation from memory, the title seen).

    Examples
    --------
    >>> line = fit_ubbelohde_walther([40.0, 100.0], [73.30, 8.86])
    >>> line.m.round(2), line.constant
    (np.float64(3.66), 0.8)
    """
    reason = "the line of Ubbelohde and Walther needs two"
    temperature, viscosity = points_of_curves(
        temperature_C, kinematic_viscosity, needed=2, what="a line", reason=reason
    )
    Z = viscosity + constant
    refuse_outside(Z, "viscosity and constant together", "mm²/s", above=1.0, reason="lg lg (ν + constant) ends there")
    refuse_rising(temperature, viscosity)
    x = np.log10(kelvin(temperature))
    fit = straight_line(x, np.log10(np.log10(Z)))
    residuals = 100.0 * ((10.0 ** (10.0 ** fit.at(x)) - constant) / viscosity - 1.0)
    points = FittedPoints(_walther_derivatives(x), _walther_of_percent(viscosity, constant), residuals)
    ends = ends_of_curves(temperature, viscosity.shape[:-1])
    return UbbelohdeWaltherLine(-fit.slope, constant, fit.intercept, *ends, points)


def fit_andrade(temperature_C: ArrayLike, viscosity: ArrayLike) -> ExponentialCurve:
    r"""Fit Andrade's curve :math:`\ln x = a + b / T`, for narrow ranges of temperature only.

    Parameters
    ----------
    temperature_C : array_like of float
        Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils. Three and more points
        give the least squares of ln x.
    viscosity : array_like of float
        Viscosities at them, [mm²/s] or [mPa·s], more than zero.

    Returns
    -------
    ExponentialCurve
        The curve, a in [-], b in [K], T₀ = 0; NaN where a point is NaN.

    Raises
    ------
    OutOfRangeError
        A viscosity is not positive, or an oil has fewer than two different temperatures.

    References
    ----------
    .. [1] E. N. da C. Andrade, Nature 125 (1930) 309.

    Examples
    --------
    >>> curve = fit_andrade([40.0, 100.0], [73.30, 8.86])
    >>> curve.viscosity_at(60.0).round(2)
    np.float64(33.3)
    """
    temperature, y = _logarithms(temperature_C, viscosity, needed=2, name="Andrade")
    fit = straight_line(1.0 / kelvin(temperature), y)
    return _exponential_curve(temperature, y, (fit.intercept, fit.slope, np.zeros_like(fit.slope)), coefficients=2)


def fit_vogel(temperature_C: ArrayLike, viscosity: ArrayLike) -> ExponentialCurve:
    r"""Fit the curve of Vogel, Fulcher and Tammann, :math:`\ln x = a + b / (T - T_0)`.

    Three points fix it; four and more give the least squares of ln x.

    Parameters
    ----------
    temperature_C : array_like of float
        Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    viscosity : array_like of float
        Viscosities at them, [mm²/s] or [mPa·s], more than zero.

    Returns
    -------
    ExponentialCurve
        The curve, a in [-], b and T₀ in [K]; NaN where a point is NaN.

    Raises
    ------
    OutOfRangeError
        A viscosity is not positive, an oil has fewer than three different temperatures, or the points of an oil bend
        the other way or more than any such curve.

    References
    ----------
    .. [1] H. Vogel, Phys. Z. 22 (1921) 645; G. S. Fulcher, J. Am. Ceram. Soc. 8 (1925) 339; G. Tammann and W. Hesse,
       Z. anorg. allg. Chem. 156 (1926) 245.

    Examples
    --------
    >>> curve = fit_vogel([20.0, 40.0, 100.0], [74.62149, 26.87991, 4.19751])
    >>> curve.b_K.round(1), curve.T0_K.round(1)
    (np.float64(900.0), np.float64(170.0))
    """
    temperature, y = _logarithms(temperature_C, viscosity, needed=3, name="Vogel")
    T = np.broadcast_to(kelvin(temperature), y.shape)
    a, b, T0 = vogel_coefficients(T, y)
    _refuse_other_bends(T, y, np.isnan(T0))
    return _exponential_curve(temperature, y, (a, b, T0), coefficients=3)


def _logarithms(
    temperature_C: ArrayLike, viscosity: ArrayLike, *, needed: int, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    reason = f"the curve of {name} needs {needed}; its least squares take any number more"
    temperature, values = points_of_curves(temperature_C, viscosity, needed=needed, what="a curve", reason=reason)
    refuse_outside(values, "viscosity", "mm²/s or mPa·s", above=0.0, reason="a viscosity is more than zero")
    refuse_rising(temperature, values, unit="")
    return temperature, np.log(values)


def _exponential_curve(
    temperature: NDArray[np.float64], y: NDArray[np.float64], found: Coefficients, *, coefficients: int
) -> ExponentialCurve:
    a, b, T0 = (np.asarray(one)[..., None] for one in found)
    above = kelvin(temperature) - T0
    residuals = 100.0 * np.expm1(a + b / above - y)
    jacobian = _exponential_derivatives(above, b)[..., :coefficients]
    points = FittedPoints(jacobian, np.full(y.shape, 0.01), residuals)
    return ExponentialCurve(*found, *ends_of_curves(temperature, y.shape[:-1]), points)


def _exponential_derivatives(above: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivatives of ln x by a, b and T₀, last axis."""
    return np.stack(np.broadcast_arrays(1.0, 1.0 / above, b / above**2), axis=-1)


def _walther_derivatives(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivatives of lg lg (ν + constant) by height and slope, last axis."""
    return np.stack(np.broadcast_arrays(1.0, x), axis=-1)


def _walther_of_percent(viscosity: NDArray[np.float64], constant: float) -> NDArray[np.float64]:
    """Return the change of lg lg (ν + constant) for 1 % of the viscosity."""
    Z = viscosity + constant
    return np.asarray(0.01 * viscosity / (Z * np.log(Z) * np.log(10.0)))


def _refuse_other_bends(T: NDArray[np.float64], y: NDArray[np.float64], lost: NDArray[np.bool_]) -> None:
    lost = lost & ~np.isnan(T + y).any(axis=-1)
    if lost.any():
        raise OutOfRangeError(
            "steepness of ln x when cold over its steepness when hot,",
            float(steepness_ratio(T, y)[lost][0]),
            "[-]",
            above=1.0,
            reason="no curve of Vogel bends as these points do; a point is wrong, or the oil is not one liquid",
        )
