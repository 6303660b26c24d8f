"""Ignition quality of residual fuels from density and viscosity."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, refuse_outside

EDITION = "ISO 8217:2017, annex on ignition characteristics [memory]"


def calculated_carbon_aromaticity_index(
    density_15C: ArrayLike, kinematic_viscosity: ArrayLike, temperature_C: ArrayLike = 50.0
) -> Array:
    r"""Return the calculated carbon aromaticity index (CCAI), [-], of a residual fuel: the lower, the better.

    .. math:: CCAI = \rho_{15} - 81 - 141 \lg \lg (\nu + 0.85) - 483 \lg(\frac{t + 273}{323})

    The density decides: 1 kg/m³ more is 1 more, 1 % of viscosity is 0.1 to 0.2. Another form in use, with 80.6 and
    140.7, gives 0.4 to 0.5 more. It says nothing of distillates.

    density_15C : Density at 15 °C, [kg/m³], 800 to 1100.
    kinematic_viscosity : Kinematic viscosity at ``temperature_C``, [mm²/s], 2 or more.
    temperature_C : Its temperature, [°C], 40 to 150; 50 °C is the usual one.
    Source : ISO 8217:2017, annex (the equation from memory; its part for 50 °C and a reading of the nomogram, 859 for
        990 kg/m³ and 180 mm²/s, seen on the sheet of an engine builder).

    >>> calculated_carbon_aromaticity_index(991.0, 380.0).round(1)
    np.float64(851.9)
    """
    rho, nu, t = _residual_fuel(density_15C, kinematic_viscosity, temperature_C)
    return rho - 81.0 - 141.0 * np.log10(np.log10(nu + 0.85)) - 483.0 * np.log10((t + 273.0) / 323.0)


def calculated_ignition_index(
    density_15C: ArrayLike, kinematic_viscosity: ArrayLike, temperature_C: ArrayLike = 50.0
) -> Array:
    r"""Return the calculated ignition index (CII), [-], of a residual fuel: the higher, the better; trouble below 30.

    .. math:: CII = 270.795 + 0.1038 \, t - 0.254565 \, \rho_{15} + 23.708 \lg \lg (\nu + 0.7)

    density_15C : Density at 15 °C, [kg/m³], 800 to 1100.
    kinematic_viscosity : Kinematic viscosity at ``temperature_C``, [mm²/s], 2 or more.
    temperature_C : Its temperature, [°C], 40 to 150.
    Source : ISO 8217:2017, annex; the equation from memory.
    """
    rho, nu, t = _residual_fuel(density_15C, kinematic_viscosity, temperature_C)
    return 270.795 + 0.1038 * t - 0.254565 * rho + 23.708 * np.log10(np.log10(nu + 0.7))


def _residual_fuel(
    density_15C: ArrayLike, kinematic_viscosity: ArrayLike, temperature_C: ArrayLike
) -> tuple[Array, Array, Array]:
    rho, name = liquid_density(density_15C, "density at 15 °C"), "residual fuels are meant"
    refuse_outside(rho, "density at 15 °C", "kg/m³", lowest=800.0, highest=1100.0, reason=name)
    nu = refuse_outside(kinematic_viscosity, "kinematic viscosity", "mm²/s", lowest=2.0, reason=name)
    t = refuse_outside(temperature_C, "temperature", "°C", lowest=40.0, highest=150.0, reason=name)
    return rho, nu, t
