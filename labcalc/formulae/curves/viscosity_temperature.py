"""The viscosity-temperature line of an oil. mm²/s and °C at the edge, kelvin inside."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import ZERO_C, Array, keep_inside, kelvin, refuse_outside
from labcalc.formulae._series import keeps_index
from labcalc.formulae.curves import walther
from labcalc.formulae.curves._points import ends_of_curves, points_of_curves, refuse_rising, straight_line

EDITION = "ASTM D341-20"


@dataclass(frozen=True, eq=False)
class ViscosityTemperatureLine:
    """A fitted line log log Z = A - B log T, or an array of them; temperatures broadcast against its shape."""

    intercept: Array  # A, [-]
    slope: Array  # B, [-]; positive, as the viscosity falls when the temperature rises
    lowest_C: Array  # lowest fitted temperature, [°C]
    highest_C: Array  # highest fitted temperature, [°C]
    residuals_percent: Array  # line minus point for each fitted point, last axis, [% of the point's viscosity]
    number_of_points: int  # points fitted for each line

    @keeps_index
    def kinematic_viscosity_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> Array:
        """Return the kinematic viscosity of the line, [mm²/s], at a temperature.

        temperature_C : Temperature, [°C], within the fitted ones.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning.
        Raises OutOfRangeError : The line leaves 0.21 mm²/s to 2e7 mm²/s there.
        """
        temperature = np.asarray(temperature_C, dtype=float)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        return walther.viscosity_from_ordinate(self.intercept - self.slope * np.log10(kelvin(temperature)))

    @keeps_index
    def temperature_at(self, kinematic_viscosity: ArrayLike, *, extrapolate: bool = False) -> Array:
        """Return the temperature, [°C], at which the line has a kinematic viscosity.

        kinematic_viscosity : Kinematic viscosity, [mm²/s], 0.21 to 2e7.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning.
        """
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):  # a level line has no such temperature
            logarithm = (self.intercept - walther.walther_ordinate(kinematic_viscosity)) / self.slope
            temperature = np.asarray(10.0**logarithm - ZERO_C)
        keep_inside(temperature, self.lowest_C, self.highest_C, extrapolate)
        return refuse_outside(temperature, "temperature", "°C", reason="the line never comes to this viscosity")[()]

    @keeps_index
    def relative_slope_at(self, temperature_C: ArrayLike, *, extrapolate: bool = False) -> Array:
        r"""Return the relative change of the viscosity with temperature, d ln ν/dT, [1/K]; negative.

        .. math:: \frac{d \ln \nu}{dT} = -\frac{B \, Z \ln Z}{T \, \nu \, dZ/d\nu}

        temperature_C : Temperature, [°C], within the fitted ones.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning.
        """
        viscosity = self.kinematic_viscosity_at(temperature_C, extrapolate=extrapolate)
        T = kelvin(np.asarray(temperature_C, dtype=float))
        return np.asarray(-self.slope / (T * walther.double_logarithm_and_slope(viscosity)[1]))[()]


def fit_viscosity_temperature(temperature_C: ArrayLike, kinematic_viscosity: ArrayLike) -> ViscosityTemperatureLine:
    r"""Fit the viscosity-temperature line of one oil, or of many at once.

    Two points fix the line; three and more give the least squares of the ordinate over the logarithm of temperature.

    .. math:: \log_{10} \log_{10} Z = A - B \log_{10} T

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.
    Returns : The line, [-]; each of its fields has the shape of the axes before the last one.
    Raises OutOfRangeError : A viscosity is outside the range, an oil has fewer than two different temperatures, or its
        viscosity doesn't fall with temperature: the first such oil is named.
    Source : ASTM D341-20; a line holds for a homogeneous liquid, between its cloud point and its initial boiling point
        (D341-09, clause 3.1).

    >>> line = fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    >>> float(line.kinematic_viscosity_at(60.0).round(3))
    30.083
    """
    what, reason = "a line", "a viscosity-temperature line needs two; its least squares take any number more"
    temperature, viscosity = points_of_curves(temperature_C, kinematic_viscosity, needed=2, what=what, reason=reason)
    x = np.log(kelvin(temperature))
    fit = straight_line(x, walther.double_logarithm(viscosity))
    residuals = 100.0 * (walther.viscosity_of_double_logarithm(fit.at(x)) / viscosity - 1.0)
    refuse_rising(temperature, viscosity)
    ends = ends_of_curves(temperature, viscosity.shape[:-1])
    intercept = walther.line_on_chart(fit).intercept
    return ViscosityTemperatureLine(intercept, -fit.slope, *ends, residuals, temperature.shape[-1])
