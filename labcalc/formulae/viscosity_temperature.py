"""The viscosity-temperature line of an oil. mm²/s and °C at the edge, kelvin inside."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae._refusals import refuse_outside
from labcalc.formulae.walther import (
    double_log_argument,
    double_log_slope,
    solved_viscosity,
    viscosity_from_ordinate,
    walther_ordinate,
)

__all__ = ["ViscosityTemperatureLine", "fit_viscosity_temperature"]

EDITION = "ASTM D341-20"

_ZERO_C = 273.15


@dataclass(frozen=True, eq=False)
class ViscosityTemperatureLine:
    """A fitted line log log Z = A - B log T, or an array of them; temperatures broadcast against its shape."""

    intercept: NDArray[np.float64]
    """A, [-]."""
    slope: NDArray[np.float64]
    """B, [-]; positive, as the viscosity falls when the temperature rises."""
    lowest_C: NDArray[np.float64]
    """Lowest fitted temperature, [°C]."""
    highest_C: NDArray[np.float64]
    """Highest fitted temperature, [°C]."""
    residuals_percent: NDArray[np.float64]
    """Line minus point for each fitted point, last axis, [% of the point's viscosity]."""
    number_of_points: int
    """Points fitted for each line."""

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
            A temperature is outside the fitted ones, or the line leaves 0.21 mm²/s to 2e7 mm²/s.
        """
        temperature = np.asarray(temperature_C, dtype=float)
        self._keep_inside(temperature, extrapolate)
        return viscosity_from_ordinate(self.intercept - self.slope * np.log10(_kelvin(temperature)))

    def temperature_at(self, kinematic_viscosity: ArrayLike, *, extrapolate: bool = False) -> NDArray[np.float64]:
        """Return the temperature at which the line has a kinematic viscosity.

        Parameters
        ----------
        kinematic_viscosity : array_like of float
            Kinematic viscosity, [mm²/s], 0.21 to 2e7.
        extrapolate : bool, optional
            Also go outside the fitted temperatures, with an ExtrapolationWarning.

        Returns
        -------
        numpy.ndarray or numpy.float64
            Temperature, [°C]; NaN where an input is NaN.

        Raises
        ------
        OutOfRangeError
            The viscosity is outside the range, or its temperature outside the fitted ones.
        """
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):  # a level line has no such temperature
            logarithm = (self.intercept - walther_ordinate(kinematic_viscosity)) / self.slope
            temperature = np.asarray(10.0**logarithm - _ZERO_C)
        self._keep_inside(temperature, extrapolate)
        refuse_outside(temperature, "temperature", "°C", reason="the line never comes to this viscosity")
        return temperature[()]

    def relative_slope_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> NDArray[np.float64]:
        r"""Return the relative change of the viscosity with temperature, d ln ν/dT.

        .. math:: \frac{d \ln \nu}{dT} = -\frac{B \, Z \ln Z}{T \, \nu \, dZ/d\nu}

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
            As ``kinematic_viscosity_at``.
        """
        viscosity = self.kinematic_viscosity_at(temperature_C, extrapolate=extrapolate)
        Z, T = double_log_argument(viscosity), _kelvin(np.asarray(temperature_C, dtype=float))
        return -self.slope * Z * np.log(Z) / (T * viscosity * double_log_slope(viscosity))

    def _keep_inside(self, temperature: NDArray[np.float64], extrapolate: bool) -> None:
        temperature, low, high = np.broadcast_arrays(temperature, self.lowest_C, self.highest_C)
        outside = (temperature < low) | (temperature > high)
        if not outside.any():
            return
        first, lowest, highest = (float(values[outside].flat[0]) for values in (temperature, low, high))
        if not extrapolate:
            reason = "outside the measured temperatures; ask for extrapolation to go beyond them"
            raise OutOfRangeError("temperature", first, "°C", lowest=lowest, highest=highest, reason=reason)
        warnings.warn(
            f"{first:.10g} °C is outside the measured {lowest:.10g} °C to {highest:.10g} °C: extrapolated",
            ExtrapolationWarning,
            stacklevel=3,
        )


def fit_viscosity_temperature(temperature_C: ArrayLike, kinematic_viscosity: ArrayLike) -> ViscosityTemperatureLine:
    r"""Fit the viscosity-temperature line of one oil, or of many at once.

    Two points fix the line; three and more give the least squares of the ordinate over the logarithm of temperature.

    .. math:: \log_{10} \log_{10} Z = A - B \log_{10} T

    Parameters
    ----------
    temperature_C : array_like of float
        Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : array_like of float
        Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.

    Returns
    -------
    ViscosityTemperatureLine
        The line, [-]; each of its fields has the shape of the axes before the last one; NaN where a point is NaN.

    Raises
    ------
    OutOfRangeError
        A viscosity is outside the range, or an oil has fewer than two different temperatures.

    References
    ----------
    .. [1] ASTM D341-20. A line holds for a homogeneous liquid, between its cloud point and its initial boiling point
       (clause 3.1).

    Examples
    --------
    >>> line = fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    >>> float(line.kinematic_viscosity_at(60.0).round(3))
    30.083
    """
    given = np.asarray(temperature_C, dtype=float), np.asarray(kinematic_viscosity, dtype=float)
    temperature, viscosity = np.broadcast_arrays(*(np.atleast_1d(values) for values in given))
    _refuse_single_temperatures(temperature)
    x, W = np.log10(_kelvin(temperature)), walther_ordinate(viscosity)
    x_mean, W_mean = x.mean(axis=-1, keepdims=True), W.mean(axis=-1, keepdims=True)
    B = -np.sum((x - x_mean) * (W - W_mean), axis=-1) / np.sum((x - x_mean) ** 2, axis=-1)
    A = W_mean[..., 0] + B * x_mean[..., 0]
    fitted = solved_viscosity(A[..., None] - B[..., None] * x)
    residuals = 100.0 * (fitted / viscosity - 1.0)
    return ViscosityTemperatureLine(
        A, B, temperature.min(axis=-1), temperature.max(axis=-1), residuals, temperature.shape[-1]
    )


def _refuse_single_temperatures(temperature: NDArray[np.float64]) -> None:
    points = temperature.shape[-1]
    if points and not (np.ptp(temperature, axis=-1) == 0.0).any():
        return
    raise OutOfRangeError(
        "a line through",
        float(min(points, 1)),
        "different temperatures",
        lowest=2.0,
        reason="a viscosity-temperature line needs two; its least squares take any number more",
    )


def _kelvin(temperature_C: NDArray[np.float64]) -> NDArray[np.float64]:
    reason = "nothing is colder than absolute zero"
    refuse_outside(temperature_C + _ZERO_C, "absolute temperature", "K", above=0.0, reason=reason)
    return temperature_C + _ZERO_C
