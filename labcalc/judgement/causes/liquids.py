"""Liquids that can get into an oil: their viscosity and density at any temperature, well enough for a few per cent."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae import viscosity_from_ordinate, walther_ordinate
from labcalc.judgement.causes.catalogue import Array
from labcalc.judgement.uncertainty.sources import DEFAULT_LINE_SLOPE

OIL_DENSITY_SLOPE = -0.65  # where one density is known, [kg/m³/K]: -0.63 lubricating oils, -0.70 gas oils (ASTM D1250)
ANY_OIL_VISCOSITY, ANY_OIL_DENSITY = 50.0, 870.0  # where one has to stand in for what wasn't measured: [mm²/s], [kg/m³]
_ZERO_C = 273.15
_THINNEST, _THICKEST = 0.22, 1e7  # just inside the range of the chart, [mm²/s]: what is thinner or thicker is that


@dataclass(frozen=True)
class Liquid:
    """A liquid by its known values, each at a temperature in °C."""

    name: str
    viscosities: tuple[tuple[float, float], ...]  # temperature [°C] and kinematic viscosity [mm²/s], from cold to hot
    densities: tuple[tuple[float, float], ...]  # temperature [°C] and density [kg/m³], from cold to hot

    def ordinate_at(self, temperature_C: ArrayLike) -> Array:
        """Return the ordinate of the viscosity-temperature chart; one value takes a mineral oil's slope."""
        x = np.log10(np.asarray(temperature_C, dtype=float) + _ZERO_C)
        if not self.viscosities:
            return np.full(x.shape, math.nan)
        temperatures, values = np.array(self.viscosities).T
        W = walther_ordinate(np.clip(values, _THINNEST, _THICKEST))
        return through_points(x, np.log10(temperatures + _ZERO_C), W, slope=-DEFAULT_LINE_SLOPE)

    def viscosity_at(self, temperature_C: ArrayLike) -> Array:
        """Return the kinematic viscosity [mm²/s] at a temperature [°C]; NaN where none is known."""
        return np.asarray(viscosity_from_ordinate(np.clip(self.ordinate_at(temperature_C), -1.5, 0.84)))

    def density_at(self, temperature_C: ArrayLike) -> Array:
        """Return the density [kg/m³] at a temperature [°C], on a straight line; NaN where none is known."""
        T = np.asarray(temperature_C, dtype=float)
        if not self.densities:
            return np.full(T.shape, math.nan)
        temperatures, values = np.array(self.densities).T
        return through_points(T, temperatures, values, slope=OIL_DENSITY_SLOPE)


def through_points(x: Array, at: Array, values: Array, *, slope: float) -> Array:
    """Return straight pieces through points, the outer ones prolonged; through a single point with ``slope``."""
    if at.size == 1:
        return np.asarray(values[0] + slope * (x - at[0]))
    left = np.clip(np.searchsorted(at, x) - 1, 0, at.size - 2)
    share = (x - at[left]) / (at[left + 1] - at[left])
    return np.asarray((1.0 - share) * values[left] + share * values[left + 1])


FUEL = Liquid("a gas oil", ((40.0, 2.9), (100.0, 1.2)), ((15.0, 835.0), (100.0, 775.0)))
"""A usual gas oil: middle of EN 590's 2.0 to 4.5 mm²/s and 820 to 845 kg/m³."""

FUELS = (
    Liquid("a petrol", ((20.0, 0.62), (40.0, 0.50)), ((15.0, 745.0), (40.0, 722.0))),
    Liquid("a kerosine", ((40.0, 1.25), (100.0, 0.65)), ((15.0, 800.0), (100.0, 736.0))),
    FUEL,
)
"""What dilutes: middles of EN 228 and of jet fuel's limits, and the gas oil."""

SOLVENTS = (
    Liquid("a light hydrocarbon such as heptane", ((40.0, 0.50), (90.0, 0.35)), ((40.0, 667.0), (100.0, 612.0))),
    Liquid("acetone or an alcohol", ((40.0, 0.60), (90.0, 0.40)), ((40.0, 768.0), (100.0, 705.0))),
    Liquid("an aromatic such as toluene", ((40.0, 0.56), (100.0, 0.35)), ((40.0, 848.0), (100.0, 790.0))),
)
"""Round values of what cells are cleaned with [memory]; they cover the densities from 670 to 850 kg/m³."""

WATER_DENSITY = ((0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0),
                 (999.8, 999.7, 998.2, 992.2, 983.2, 971.8, 958.4, 943.2))  # fmt: skip
"""Temperature [°C] and density of water [kg/m³], above 100 °C under its vapour pressure (IAPWS-95)."""
