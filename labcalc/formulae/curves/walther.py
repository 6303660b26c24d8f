"""The ordinate of the viscosity-temperature chart and its inverse; mm²/s in, a pure number out."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_outside
from labcalc.formulae.curves._points import StraightLine

EDITION = "ASTM D341-20"
LOWEST_VISCOSITY, HIGHEST_VISCOSITY = 0.21, 2e7  # range of the chart, [mm²/s]
_RANGE = "ASTM D341 holds from 0.21 mm²/s to 20 000 000 mm²/s"
_LN_10 = np.log(10.0)
_LN_LN_10 = np.log(_LN_10)
_TERM_ENDS = 7.0  # viscosity from which the term for thin liquids is less than a double can hold, [mm²/s]


def walther_ordinate(kinematic_viscosity: ArrayLike) -> Array:
    r"""Return the ordinate W, [-], of the viscosity-temperature chart.

    It falls in a straight line as the logarithm of the absolute temperature rises.

    .. math:: W = \log_{10} \log_{10} Z, \quad Z = \nu + 0.7 + \exp(-1.47 - 1.84 \nu - 0.51 \nu^2)

    kinematic_viscosity : Kinematic viscosity, [mm²/s], 0.21 to 2e7.
    Source : ASTM D341-20, the equation with the term for viscosities below 2 mm²/s.

    >>> walther_ordinate([0.5, 10.0, 100.0]).round(4)
    array([-0.9689,  0.0126,  0.3017])
    """
    viscosity = np.asarray(kinematic_viscosity, dtype=float)
    refuse_viscosity(viscosity)
    return np.log10(np.log10(double_log_argument(viscosity)))[()]


def viscosity_from_ordinate(ordinate: ArrayLike) -> Array:
    """Return the kinematic viscosity, [mm²/s], of an ordinate of the chart: the exact inverse of ``walther_ordinate``.

    The standard's closed expression is off by up to 0.03 %; here it only starts Newton's iteration, which ends at the
    last digits.

    ordinate : Ordinate W, [-], -1.579 to 0.863.
    Source : ASTM D341-20, the equations and their inverse.
    """
    viscosity = solved_viscosity(np.asarray(ordinate, dtype=float))
    refuse_viscosity(viscosity)
    return viscosity[()]


def solved_viscosity(ordinate: Array) -> Array:
    """Return the viscosity of an ordinate in mm²/s, wherever it lies."""
    with np.errstate(over="ignore"):
        return _viscosity_of(10.0 ** (10.0**ordinate))


def double_logarithm(viscosity: Array) -> Array:
    """Return ln ln Z of a viscosity in mm²/s; refuse what is off the chart.

    Over ln T it has the slope of the chart's own ordinate, and to go back from it costs less than powers of ten.
    """
    refuse_viscosity(viscosity)
    return np.log(np.log(double_log_argument(viscosity)))


def double_logarithm_and_slope(viscosity: Array) -> tuple[Array, Array]:
    """Return ln ln Z of a viscosity in mm²/s, and d ln ln Z / d ln ν; refuse what is off the chart."""
    refuse_viscosity(viscosity)
    nu = np.minimum(viscosity, _TERM_ENDS)
    term = _thin_term(nu)
    Z = term + 0.7 + viscosity
    logarithm = np.log(Z)
    return np.log(logarithm), (1.0 - (1.84 + 1.02 * nu) * term) * viscosity / (logarithm * Z)


def line_on_chart(fit: StraightLine) -> StraightLine:
    """Return a line of ln ln Z over ln T as the same line of the chart, of W over log T."""
    y_mean = (fit.y_mean - _LN_LN_10) / _LN_10
    return StraightLine(fit.slope, fit.x_mean / _LN_10, y_mean, fit.x_spread, fit.weight * _LN_10**2)


def viscosity_of_double_logarithm(ordinate: Array) -> Array:
    """Return the viscosity of ln ln Z in mm²/s, wherever it lies."""
    with np.errstate(over="ignore"):
        return _viscosity_of(np.exp(np.exp(ordinate)))


def _viscosity_of(Z: Array) -> Array:
    viscosity = np.asarray(Z - 0.7, order="C")
    flat = viscosity.reshape(-1)
    thin = np.flatnonzero(flat < _TERM_ENDS)
    if thin.size:
        flat[thin] = _thin_viscosity(flat[thin])
    return viscosity


def refuse_viscosity(viscosity: Array) -> None:
    """Raise OutOfRangeError for the first viscosity outside the range of the chart."""
    refuse_outside(
        viscosity, "kinematic viscosity", "mm²/s", lowest=LOWEST_VISCOSITY, highest=HIGHEST_VISCOSITY, reason=_RANGE
    )


def double_log_argument(viscosity: Array) -> Array:
    """Return Z of a viscosity in mm²/s."""
    return _thin_term(np.minimum(viscosity, _TERM_ENDS)) + 0.7 + viscosity


def ordinate_of_percent(viscosity: Array) -> Array:
    """Return the change of the ordinate for 1 % of a viscosity in mm²/s: dW / d ln ν, over 100."""
    return np.asarray(0.01 * double_logarithm_and_slope(viscosity)[1] / _LN_10)


def _thin_term(viscosity: Array) -> Array:
    return np.exp((-0.51 * viscosity - 1.84) * viscosity - 1.47)


def _thin_viscosity(x: Array) -> Array:
    """Return the viscosity for x = Z - 0.7."""
    viscosity = x - np.exp(-0.7487 + (-3.295 + (0.6119 - 0.3193 * x) * x) * x)
    for _ in range(2):  # Halley's: the start is right to 0.03 %, each step triples the right digits
        term, fall = _thin_term(viscosity), 1.84 + 1.02 * viscosity
        excess, slope = viscosity + term - x, 1.0 - fall * term
        viscosity -= excess * slope / (slope * slope - (0.5 * fall * fall - 0.51) * term * excess)
    return viscosity
