"""Density of a petroleum liquid at another temperature and pressure; every way leads through 60 °F."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import ConvergenceWarning, OutOfRangeError
from labcalc.formulae._refusals import Array, liquid_density, refuse_outside, warn_caller
from labcalc.formulae.densities import volume_corrections as tables

EDITION = "API MPMS 11.1-2004 / ASTM D1250-08 / ISO 91:2017"
_AGREES = 1e-6  # difference from the observed density that ends the iteration, [kg/m³]
_MOST_PASSES = 15
_BESIDE_JOINT = 1.0  # how near a joint a refined product may stay unsettled, [kg/m³]


def density_at(
    density_kg_m3: ArrayLike,
    from_C: ArrayLike,
    to_C: ArrayLike,
    *,
    commodity: str = "lubricating oil",
    from_kPa: ArrayLike = 0.0,
    to_kPa: ArrayLike = 0.0,
    alpha_60: ArrayLike | None = None,
) -> Array:
    """Return the density that an oil has at another temperature and pressure.

    density_kg_m3 : Density at ``from_C`` and ``from_kPa``, [kg/m³].
    from_C, to_C : Temperatures of the known and of the wanted density, [°C], -50 to 150.
    commodity : Commodity group, a key of ``COMMODITIES``; without effect where ``alpha_60`` is given.
    from_kPa, to_kPa : Their gauge pressures, [kPa], up to 10342.14; below zero counts as zero.
    alpha_60 : Thermal expansion at 60 °F of this very oil, [1/°F], 230e-6 to 930e-6; one that is per kelvin, 1.8 times
        as much, is refused for oils below 950 kg/m³.
    Returns : Density at ``to_C`` and ``to_kPa``, [kg/m³], of the broadcast shape. The published iteration stops at 1e-6
        kg/m³, so there and back agrees to that.
    Raises OutOfRangeError : Also where the density at 60 °F would be outside the one of the group.
    Warns ConvergenceWarning : A refined product within 1 kg/m³ of 770.352 kg/m³ or 787.5195 kg/m³ (at 60 °F) did not
        settle: last value kept.
    Source : API MPMS 11.1-2004, par. 11.1.6.1, 11.1.6.2, 11.1.7; ASTM D1250-08; ISO 91:2017.

    >>> density_at(850.0, 40.0, [15.0, 20.0]).round(4)
    array([865.7778, 862.6354])
    """
    wanted_C, wanted_kPa = np.asarray(to_C, dtype=float), np.asarray(to_kPa, dtype=float)
    tables.refuse_conditions(wanted_C, wanted_kPa)
    density_60F = density_at_60F(density_kg_m3, from_C, from_kPa, commodity=commodity, alpha_60=alpha_60)
    group, alpha = tables.commodity_group(commodity, alpha_60, density_60F)
    t, P = tables.fahrenheit_of_1968(wanted_C), tables.gauge_psi(wanted_kPa)
    shifted, _, CTPL = tables.thermal_factor(density_60F, t, group, alpha)
    if P.any():  # else CPL is 1
        CTPL = CTPL * tables.pressure_factor(shifted, t, P)[1]
    return (density_60F * CTPL)[()]


def density_at_60F(
    density_kg_m3: ArrayLike,
    from_C: ArrayLike,
    from_kPa: ArrayLike = 0.0,
    *,
    commodity: str = "lubricating oil",
    alpha_60: ArrayLike | None = None,
) -> Array:
    """Return the density, [kg/m³], at 60 °F and no gauge pressure, from one observed elsewhere.

    density_kg_m3 : Density as observed, [kg/m³].
    from_C : Temperature of the observation, [°C], -50 to 150.
    from_kPa : Gauge pressure of the observation, [kPa], up to 10342.14; below zero counts as zero.
    commodity : Commodity group, as in ``density_at``.
    alpha_60 : Thermal expansion at 60 °F of this very oil, [1/°F], as in ``density_at``.
    Source : API MPMS 11.1-2004, par. 11.1.6.2.
    """
    given = [np.asarray(values, dtype=float) for values in (density_kg_m3, from_C, from_kPa)]
    group, alpha = tables.commodity_group(commodity, alpha_60, given[0])
    tables.refuse_conditions(*given[1:])
    observable = group.lowest_observed, group.highest_observed
    tables.refuse_density(given[0], "density", observable, alpha, f"for the observed density of a {commodity}")
    arrays = np.broadcast_arrays(*given, np.nan if alpha is None else alpha)
    shape = arrays[0].shape
    observed, temperature, pressure, expansion = (array.ravel() for array in arrays)
    known = None if alpha is None else expansion
    return _settled(observed, temperature, pressure, group, known, commodity).reshape(shape)[()]


def density_slope(
    density_kg_m3: ArrayLike, from_C: ArrayLike, to_C: ArrayLike, *, commodity: str = "lubricating oil"
) -> Array:
    """Return the mean slope of density, [kg/m³/K], that the tables expect between two temperatures; NaN if equal.

    density_kg_m3 : Density at ``from_C``, [kg/m³].
    from_C, to_C : Temperature of the known density and another one, [°C], -50 to 150.
    commodity : Commodity group, as in ``density_at``.
    Source : API MPMS 11.1-2004, par. 11.1.7.
    """
    span = np.asarray(to_C, dtype=float) - np.asarray(from_C, dtype=float)
    change = density_at(density_kg_m3, from_C, to_C, commodity=commodity) - np.asarray(density_kg_m3, dtype=float)
    return np.asarray(change / np.where(span == 0.0, np.nan, span))[()]


def alpha_60_from_densities(
    first_kg_m3: ArrayLike, first_C: ArrayLike, second_kg_m3: ArrayLike, second_C: ArrayLike
) -> Array:
    r"""Return the thermal expansion at 60 °F, [1/°F], of an oil from two measured densities; NaN at one temperature.

    The equation of the correction for temperature, solved for the expansion:

    .. math:: \alpha_{60} = \frac{2 L}{b + \sqrt{b^2 + 4 a L}}, \quad L = \ln(\rho_1 / \rho_2),\;
        b = D_2 - D_1,\; a = 0.8 [D_2 (D_2 + \delta) - D_1 (D_1 + \delta)]

    first_kg_m3, first_C, second_kg_m3, second_C : Densities without gauge pressure, [kg/m³], at two temperatures, [°C],
        -50 to 150.
    Raises OutOfRangeError : The expansion that results is outside 230e-6 to 930e-6.
    Source : API MPMS 11.1-2004, par. 11.1.6.1, the equation of CTL.
    """
    rho1, t1, rho2, t2 = (np.asarray(one, dtype=float) for one in (first_kg_m3, first_C, second_kg_m3, second_C))
    for density, temperature in ((rho1, t1), (rho2, t2)):
        tables.refuse_conditions(temperature, np.asarray(0.0))
        liquid_density(density)
    # the colder of the two comes first, so that b is positive and the root is the small one
    ends = np.minimum(t1, t2), np.maximum(t1, t2)
    D1, D2 = (tables.fahrenheit_of_1968(one) - tables.BASE_F for one in ends)
    L = np.log(rho1 / rho2) * np.where(t1 > t2, -1.0, 1.0)
    b, a = D2 - D1, 0.8 * (D2 * (D2 + tables.SHIFT_F) - D1 * (D1 + tables.SHIFT_F))
    with np.errstate(divide="ignore", invalid="ignore"):
        alpha = np.where(b == 0.0, np.nan, 2.0 * L / (b + np.sqrt(b * b + 4.0 * a * L)))
    tables.refuse_expansion(alpha)
    return alpha[()]


def _settled(
    observed: Array, temperature: Array, pressure: Array, group: tables.Commodity, alpha: Array | None, commodity: str
) -> Array:
    """Return the densities at 60 °F, NaN where an input is NaN; refuse, or beside a joint warn of, unsettled ones."""
    T, t, P = tables.fahrenheit(temperature), tables.fahrenheit_of_1968(temperature), tables.gauge_psi(pressure)
    known = ~np.isnan(observed + T + P + (0.0 if alpha is None else alpha))
    unclamped = np.where(known, observed, np.nan)
    limits = (group.lowest, group.highest) if alpha is None else (-np.inf, np.inf)
    estimate, moving = np.clip(unclamped, *limits), known
    for _ in range(_MOST_PASSES):
        with np.errstate(all="ignore"):  # a density that never settles is refused below
            factor, slope = _factor_and_slope(estimate, T, t, P, group, alpha)
            moving = known & ~(np.abs(observed - estimate * factor) < _AGREES)
            if not moving.any():
                return estimate
            unclamped = estimate + (observed / factor - estimate) / slope
        estimate = np.where(moving, np.clip(unclamped, *limits), estimate)
    distance = np.abs(estimate[moving][:, None] - np.array(group.joints[:2]))
    lost = ~(distance <= _BESIDE_JOINT).any(axis=1) | (alpha is not None)
    if lost.any():
        first = np.flatnonzero(moving)[lost][0]
        _refuse(float(observed[first]), float(unclamped[first]), group, alpha, commodity)
    told = f"the density at 60 °F of a {commodity} did not settle beside a joint of its sub-groups; "
    warn_caller(f"{told}{float(estimate[moving][0]):.10g} kg/m³ is kept", ConvergenceWarning)
    return estimate


def _factor_and_slope(
    density_60F: Array, T: Array, t: Array, P: Array, group: tables.Commodity, alpha_60: Array | None
) -> tuple[Array, Array]:
    """Return CTPL, and 1 + Dt + Dp by which the step to the next estimate is divided; ``t`` is on IPTS-68."""
    shifted, alpha, CTPL = tables.thermal_factor(density_60F, t, group, alpha_60)
    slope = np.ones_like(density_60F)
    if alpha_60 is None:
        step = alpha * (T - 60.0)
        slope += tables.of_subgroup(group.D_alpha, density_60F, group) * step * (1.0 + 1.6 * step)
    if P.any() or alpha_60 is not None:  # else CPL is 1 and Dp is 0, whatever Fp
        Fp, CPL = tables.pressure_factor(shifted, t, P)
        slope += -2.0 * CPL * P * Fp * (7.93920 + 0.02326 * T) / density_60F**2
        CTPL = CTPL * CPL
    return CTPL, slope


def _refuse(observed: float, density_60F: float, group: tables.Commodity, alpha: Array | None, commodity: str) -> None:
    reason = "the observed density leads out of the tables of API MPMS 11.1"
    if alpha is not None:
        told = "none that an oil of this expansion can have at this temperature and pressure"
        raise OutOfRangeError("density", observed, "kg/m³", told=told, reason=reason)
    reason += f" for a {commodity}: {observed:.10g} kg/m³ was observed"
    refuse_outside(density_60F, "density at 60 °F", "kg/m³", lowest=group.lowest, highest=group.highest, reason=reason)
