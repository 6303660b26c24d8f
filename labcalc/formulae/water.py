"""Water, the reference liquid of all the others: its density, its viscosity, and densities relative to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, refuse_outside
from labcalc.formulae._temperatures import kelvin

EDITION = "Tanaka et al. 2001 (CIPM), Metrologia 38, 301, for density; IAPWS SR6-08(2011) for viscosity"

_A1, _A2, _A3, _A4 = -3.983035, 301.797, 522528.9, 69.34881
_A5 = 999.974950  # highest density of water of ocean isotopy, free of air, [kg/m³]
_AIR_0, _AIR_1 = -4.612e-3, 0.106e-3  # what dissolved air adds to the density, [kg/m³] and [kg/m³/K]


def water_density(temperature_C: ArrayLike, *, air_saturated: bool = False) -> Array:
    r"""Return the density of pure water, [kg/m³], at 101.325 kPa.

    .. math:: \rho = a_5 \left[ 1 - \frac{(t + a_1)^2 (t + a_2)}{a_3 (t + a_4)} \right]

    temperature_C : Temperature, [°C], 0 to 40; 0 to 25 for water saturated with air.
    air_saturated : Water that has stood in air, as most water in a laboratory, instead of water free of air.
    Source : M. Tanaka et al., Metrologia 38 (2001) 301, equation 1 (water of the composition of ocean water, free of
        air) and the correction for dissolved air.

    >>> water_density([4.0, 20.0]).round(4)
    array([999.9749, 998.2067])
    """
    warmest, what = (25.0, "its correction for dissolved air") if air_saturated else (40.0, "this equation for water")
    reason = f"Tanaka 2001 gives {what} only there"
    t = refuse_outside(temperature_C, "temperature", "°C", lowest=0.0, highest=warmest, reason=reason)
    density = _A5 * (1.0 - (t + _A1) ** 2 * (t + _A2) / (_A3 * (t + _A4)))
    return (density + (_AIR_0 + _AIR_1 * t) if air_saturated else density)[()]


def water_viscosity(temperature_C: ArrayLike) -> Array:
    r"""Return the dynamic viscosity of pure water at 0.1 MPa, the anchor of every viscosity scale.

    .. math:: \eta = 280.68 \, \theta^{-1.9} + 511.45 \, \theta^{-7.7} + 61.131 \, \theta^{-19.6}
        + 0.45903 \, \theta^{-40}, \quad \theta = T / 300 \, \mathrm{K}

    Over the density it gives 1.0034 mm²/s at 20 °C, the value of ISO/TR 3666:1998; older documents and the constants
    that follow from them stand on 1.0038 mm²/s.

    temperature_C : Temperature, [°C], -20 to 110; below 0 supercooled, above 100 under its own vapour pressure or more.
    Returns : Dynamic viscosity, [mPa·s]; NaN where the input is NaN. Its relative uncertainty is about 1 %, at 20 °C
        0.17 %.
    Source : IAPWS SR6-08(2011), supplementary release on liquid water at 0.1 MPa; coefficients from memory, equal to an
        independent implementation in every digit.
    """
    t = refuse_outside(
        temperature_C, "temperature", "°C", lowest=-20.0, highest=110.0, reason="IAPWS SR6-08 is not stated beyond"
    )
    theta = kelvin(t) / 300.0
    terms = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
    return np.asarray(0.001 * sum(factor * theta**power for factor, power in terms))[()]


@dataclass(frozen=True, eq=False)
class RelativeDensity:
    """A density over that of water, with both temperatures: without them the number means nothing."""

    value: Array  # relative density, [-]
    temperature_C: float  # temperature of the liquid, [°C]
    water_temperature_C: float  # temperature of the water, [°C]

    @property
    def basis(self) -> str:
        """Both temperatures as the trade writes them, liquid first: ``20/4 °C``."""
        return f"{self.temperature_C:.6g}/{self.water_temperature_C:.6g} °C"


def relative_density_to_water(density: ArrayLike, temperature_C: float, water_temperature_C: float) -> RelativeDensity:
    """Return the relative density, [-], of a liquid at one temperature to water at the same or another one.

    For 60/60 °F, the basis of API gravity, ``relative_density`` takes the density of water that API fixes.

    density : Density of the liquid at ``temperature_C``, [kg/m³], 10 to 3000.
    temperature_C : Temperature of the liquid, [°C].
    water_temperature_C : Temperature of the water, [°C], 0 to 40.
    Source : M. Tanaka et al., Metrologia 38 (2001) 301, for the water.

    >>> oil = relative_density_to_water(866.8575, 20.0, 4.0)
    >>> oil.value.round(6), oil.basis
    (np.float64(0.866879), '20/4 °C')
    """
    liquid = liquid_density(density)
    return RelativeDensity((liquid / water_density(water_temperature_C))[()], temperature_C, water_temperature_C)
