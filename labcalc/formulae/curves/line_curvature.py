"""How far an oil may be from the straight line of the viscosity-temperature chart, where it wasn't measured."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, kelvin
from labcalc.formulae._tables import published_table
from labcalc.formulae.curves._points import points_of_curves, refuse_rising, stated_percent, straight_line
from labcalc.formulae.curves.walther import double_logarithm_and_slope, viscosity_of_double_logarithm

EDITION = (
    "ASTM D341-20 for the line; how liquids bend away from it: labcalc's own, from CoolProp 8.0.0 and chemicals 1.5.2"
)

_MIDDLE_K = 330.0  # at this temperature the curvature of the table counts, [K]; it falls with its square


def line_model_uncertainty(
    temperature_C: ArrayLike,
    measured_C: ArrayLike,
    kinematic_viscosity: ArrayLike,
    uncertainty_percent: ArrayLike | None = None,
    *,
    liquid: str | None = None,
) -> Array:
    r"""Return how uncertain the line of ASTM D341 is, [%], because no liquid follows it exactly.

    Two points fix the line, and there it is right; between and beyond them the liquid bends away from it, by as much as
    real liquids of such a slope do. The errors of the measured viscosities come on top.

    .. math:: u(\ln \ln Z) = \sigma(B) \, |b(T) - \hat b(T)|, \qquad b = \tfrac14 (330 \, \mathrm{K} / T)^2

    where :math:`\hat b` is the straight line over ln T through b at the measured temperatures.

    temperature_C : Temperature at which the line is read, [°C]; broadcasts against the oils.
    measured_C : Measured temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.
    uncertainty_percent : Standard uncertainty of each viscosity, [%], if the line was fitted with such weights.
    liquid : Kind of liquid, as in ``judge_slope``: a ``mineral oil or fuel`` bends less than others may; of any other
        kind, or of none, the widest is taken.
    Source : ASTM D341-20; ``labcalc/data/line_curvature.csv`` tells the liquids that the curvature comes from: of 20
        cases 19 lie within 1.96 times this uncertainty.

    >>> line_model_uncertainty([20.0, 40.0, 60.0, 100.0], [40.0, 100.0], [73.30, 8.86]).round(1) + 0.0
    array([10. ,  0. ,  2.6,  0. ])
    """
    reason = "a viscosity-temperature line needs two"
    measured, viscosity = points_of_curves(measured_C, kinematic_viscosity, needed=2, what="a line", reason=reason)
    T, at = kelvin(measured), kelvin(np.asarray(temperature_C, dtype=float))
    y, slope = double_logarithm_and_slope(viscosity)
    refuse_rising(measured, viscosity)
    weights = None
    if uncertainty_percent is not None:
        weights = (100.0 / (slope * stated_percent(uncertainty_percent, viscosity))) ** 2
    line, bend = straight_line(np.log(T), y, weights), straight_line(np.log(T), bending(T), weights)
    read = viscosity_of_double_logarithm(line.y_mean + line.slope * (np.log(at) - line.x_mean))
    bow = bending(at) - (bend.y_mean + bend.slope * (np.log(at) - bend.x_mean))
    return np.asarray(100.0 * curvature(-line.slope, liquid) * np.abs(bow) / double_logarithm_and_slope(read)[1])[()]


def bending(T: Array) -> Array:
    """Return the curve over ln T by which oils bend away from a line, [-], T in kelvin: curvature 1 at 330 K."""
    return np.asarray(0.25 * (_MIDDLE_K / T) ** 2)


def curvature(slope: Array, liquid: str | None = None) -> Array:
    """Return the standard deviation of the curvature of liquids of a kind with a slope B of the line, [-]."""
    table = published_table("line_curvature.csv")
    of_kind = table.get(liquid or "any", table["any"])
    return np.asarray(np.exp(np.interp(slope, table["slope"], np.log(of_kind))))
