"""Viscosity of a blend, and how much of an oil explains a viscosity: by two methods, which are both named."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array, keep_inside, kelvin, refuse_outside
from labcalc.formulae.curves.viscosity_temperature import ViscosityTemperatureLine
from labcalc.formulae.curves.walther import viscosity_from_ordinate, walther_ordinate

EDITION = "ASTM D7152-11(2016)"

_WHOLE = 1e-6  # how far the fractions of a blend may be from 1 together


@dataclass(frozen=True, eq=False)
class Blend:
    """The viscosity-temperature line of a blend by each method; the two can be 10 % apart, so a report names its own.

    Temperatures that every component was measured at may be asked for; a blend has no points, so no residuals.
    """

    wright: ViscosityTemperatureLine  # by Wright's method, the preferred: temperatures of equal viscosity are blended
    double_log: ViscosityTemperatureLine  # by the double-log method: ordinates at one temperature are blended


@dataclass(frozen=True, eq=False)
class BlendFraction:
    """The fraction of an added oil that explains a viscosity, by each method."""

    wright: Array  # by Wright's method, [-]
    double_log: Array  # by the double-log method, [-]


def blend_lines(fractions: ArrayLike, components: ViscosityTemperatureLine) -> Blend:
    r"""Return the line of a blend of any number of oils.

    On the chart, blending by Wright's method weighs the components' lg T at the same ordinate, the double-log method
    their ordinates at the same T. Both give a straight line again:

    .. math:: \frac{1}{B_W} = \sum_i \frac{f_i}{B_i},\; A_W = B_W \sum_i f_i \frac{A_i}{B_i}; \qquad
        B_D = \sum_i f_i B_i,\; A_D = \sum_i f_i A_i

    fractions : Fractions by volume, [-], 0 to 1, last axis the components, 1 together. By mass for fuels.
    components : Lines of the components, [mm²/s over °C], last axis the components; see ``fit_viscosity_temperature``.
    Returns : Its line by each method, [-], of the broadcast shape without the last axis.
    Source : ASTM D7152-11(2016), Wright and ASTM blending (clauses 5.3 and 5.4; equations from memory, Wright's equal
        to API TDB 11A4.5). Not for viscosity index improvers, additive packages, or what is not Newtonian.

    >>> from labcalc.formulae import fit_viscosity_temperature
    >>> oils = fit_viscosity_temperature([40.0, 100.0], [[30.6, 5.23], [480.0, 31.5]])
    >>> half = blend_lines([0.5, 0.5], oils)
    >>> half.wright.kinematic_viscosity_at(40.0).round(2), half.double_log.kinematic_viscosity_at(40.0).round(2)
    (np.float64(109.68), np.float64(99.93))
    """
    A, B = components.intercept, components.slope
    f = _whole(fractions, np.shape(A))
    B_wright = 1.0 / np.sum(f / B, axis=-1)
    wright = _line(B_wright * np.sum(f * A / B, axis=-1), B_wright, components)
    return Blend(wright, _line(np.sum(f * A, axis=-1), np.sum(f * B, axis=-1), components))


def fraction_that_explains(
    kinematic_viscosity: ArrayLike,
    temperature_C: ArrayLike,
    added: ViscosityTemperatureLine,
    base: ViscosityTemperatureLine | Blend,
    *,
    extrapolate: bool = False,
) -> BlendFraction:
    r"""Return how much, [-] by volume, of an added oil in a base explains a viscosity: a recipe, or fuel in engine oil.

    .. math:: f_W = \frac{\lg T - \lg T_{base}(\nu)}{\lg T_{added}(\nu) - \lg T_{base}(\nu)}, \qquad
        f_D = \frac{W - W_{base}(T)}{W_{added}(T) - W_{base}(T)}

    kinematic_viscosity : Kinematic viscosity of the mixture, [mm²/s], between those of base and added oil.
    temperature_C : Its temperature, [°C], within those of both lines.
    added : Line of the added oil, [mm²/s over °C]; one equal to the base explains anything: NaN.
    base : Line of the base, [mm²/s over °C], or the base as a blend of several oils in fixed proportions.
    extrapolate : Also go outside the measured temperatures, with an ExtrapolationWarning.
    Raises OutOfRangeError : No fraction explains the viscosity, or the temperature is outside the measured ones.
    Source : ASTM D7152-11(2016), inverse Wright and inverse ASTM blending; the equations of ``blend_lines`` solved for
        the fraction.
    """
    bases = base if isinstance(base, Blend) else Blend(base, base)
    viscosity, temperature = (np.asarray(v, dtype=float) for v in (kinematic_viscosity, temperature_C))
    for line in (added, bases.wright):
        keep_inside(temperature, line.lowest_C, line.highest_C, extrapolate)
    W, x = walther_ordinate(viscosity), np.log10(kelvin(temperature))
    _refuse_unexplained(viscosity, W, x, added, bases)
    with np.errstate(divide="ignore", invalid="ignore"):  # equal oils explain by any fraction: NaN
        x_base, x_added = ((line.intercept - W) / line.slope for line in (bases.wright, added))
        W_base, W_added = (line.intercept - line.slope * x for line in (bases.double_log, added))
        fractions = (x - x_base) / (x_added - x_base), (W - W_base) / (W_added - W_base)
    return BlendFraction(*(np.asarray(np.where(np.isfinite(f), f, np.nan))[()] for f in fractions))


def _whole(fractions: ArrayLike, components: tuple[int, ...]) -> Array:
    f = np.asarray(fractions, dtype=float)
    if f.shape[-1:] != components[-1:] or not f.ndim:
        told, there = (shape[-1] if shape else 1 for shape in (f.shape, components))
        raise ValueError(f"{told} fractions for {there} components: each component needs its fraction")
    refuse_outside(f, "fraction", "[-]", lowest=0.0, highest=1.0, reason="a part of a blend is none to all of it")
    total = np.asarray(np.sum(f, axis=-1))
    astray = ~np.isnan(total) & ~(np.abs(total - 1.0) <= _WHOLE)
    if astray.any():
        value, reason = float(total[astray].flat[0]), "the fractions of a blend are 1 together"
        raise OutOfRangeError("sum of the fractions", value, "[-]", told="not 1", reason=reason)
    return f


def _line(A: Array, B: Array, components: ViscosityTemperatureLine) -> ViscosityTemperatureLine:
    coldest, warmest = np.max(components.lowest_C, axis=-1), np.min(components.highest_C, axis=-1)
    return ViscosityTemperatureLine(A, B, coldest, warmest, np.empty((*np.shape(A), 0)), 0)


def _refuse_unexplained(viscosity: Array, W: Array, x: Array, added: ViscosityTemperatureLine, bases: Blend) -> None:
    for base in (bases.wright, bases.double_log):
        ends = [line.intercept - line.slope * x for line in (base, added)]
        value, low, high, ordinate = np.broadcast_arrays(viscosity, np.minimum(*ends), np.maximum(*ends), W)
        outside = (ordinate < low - 1e-12) | (ordinate > high + 1e-12)
        if outside.any():
            lowest, highest = (float(viscosity_from_ordinate(end[outside].flat[0])) for end in (low, high))
            first, reason = float(value[outside].flat[0]), "no mixture of the two oils comes to it"
            what = "kinematic viscosity of the mixture"
            raise OutOfRangeError(what, first, "mm²/s", lowest=lowest, highest=highest, reason=reason)
