"""The constant of a glass capillary: its kinetic energy, another place, another liquid."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, gas_density, liquid_density, positive, refuse_outside

EDITION = "ISO 3104:1994, ISO 3105:1994"


def kinetic_energy_factor(
    volume_mL: ArrayLike, length_cm: ArrayLike, diameter_cm: ArrayLike, constant: ArrayLike
) -> Array:
    r"""Return the factor of kinetic energy E, [mm²·s], of a capillary with trumpet-shaped ends.

    .. math:: E = \frac{1.66 \, V^{3/2}}{L \, (C d)^{1/2}}

    Parameters
    ----------
    volume_mL : Timed volume V, [mL].
    length_cm : Length of the capillary L, [cm].
    diameter_cm : Diameter of the capillary d, [cm].
    constant : Constant of the viscometer C, [mm²/s²].

    References
    ----------
    .. [1] ISO 3105:1994 and ASTM D446, from memory; checked against a coefficient of 0.037 √Re for the kinetic energy
       and against a published table of corrections.

    Examples
    --------
    >>> kinetic_energy_factor(5.7, 9.0, 0.063, 0.01).round(1)
    np.float64(100.0)
    """
    V, L = positive(volume_mL, "timed volume", "mL"), positive(length_cm, "length of the capillary", "cm")
    d = positive(diameter_cm, "diameter of the capillary", "cm")
    return np.asarray(1.66 * V**1.5 / (L * np.sqrt(positive(constant, "constant of the viscometer", "mm²/s²") * d)))[()]


def constant_at_gravity(constant: ArrayLike, gravity_calibrated: ArrayLike, gravity_here: ArrayLike) -> Array:
    """Return the constant of a viscometer at another acceleration of free fall, :math:`C_2 = C_1 g_2 / g_1`.

    Parameters
    ----------
    constant : Constant of the viscometer where it was calibrated, [mm²/s²].
    gravity_calibrated : Acceleration of free fall there, [m/s²], 9.7 to 9.9.
    gravity_here : Acceleration of free fall where it is used, [m/s²], 9.7 to 9.9.

    Returns
    -------
    Constant where it is used, [mm²/s²]; the standard asks for it where the two differ by more than 0.1 %.

    References
    ----------
    .. [1] ISO 3104:1994, 7.2.
    """
    g1, g2 = (np.asarray(values, dtype=float) for values in (gravity_calibrated, gravity_here))
    for g in (g1, g2):
        reason = "free fall is 9.78 m/s² at the equator and 9.83 m/s² at the poles"
        refuse_outside(g, "acceleration of free fall", "m/s²", lowest=9.7, highest=9.9, reason=reason)
    return np.asarray(positive(constant, "constant of the viscometer", "mm²/s²") * (g2 / g1))[()]


def buoyancy_factor(
    density_oil: ArrayLike, density_calibrated: ArrayLike = 998.2, density_air: ArrayLike = 1.2
) -> Array:
    r"""Return by what, [-], the constant of a viscometer is multiplied for the buoyancy of the oil in air.

    .. math:: f = \frac{1 - \rho_{air} / \rho}{1 - \rho_{air} / \rho_{cal}}

    Parameters
    ----------
    density_oil : Density of the oil, [kg/m³].
    density_calibrated : Density of the liquid of the calibration, [kg/m³]; water at 20 °C where none is given.
    density_air : Density of the air, [kg/m³]; see ``humid_air_density``.

    References
    ----------
    .. [1] ASTM D2162, 11.3, names this correction of the constant; the equation is the driving head, the density
       of the liquid less that of the air, over the density of the liquid.
    """
    oil = liquid_density(density_oil, "density of the oil")
    calibrated = liquid_density(density_calibrated, "density of the liquid of the calibration")
    air = gas_density(density_air, "density of air")
    return (1.0 - air / oil) / (1.0 - air / calibrated)
