"""Relative molecular mass of an oil from its viscosities and density."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_relative_density, positive, refuse_not_above, refuse_outside
from labcalc.formulae.curves.viscosity_temperature import fit_viscosity_temperature
from labcalc.formulae.curves.walther import viscosity_from_ordinate

EDITION = "API Technical Data Book, procedure 2B2.3 (Riazi and Daubert 1987)"

_FAHRENHEIT_K = ((100.0 - 32.0) / 1.8 + 273.15, (210.0 - 32.0) / 1.8 + 273.15)


def viscosities_at_100F_and_210F(kv_40: ArrayLike, kv_100: ArrayLike) -> tuple[Array, Array]:
    """Return the viscosities at 100 °F and 210 °F, [mm²/s], on the line through those at 40 °C and 100 °C.

    100 °F is 2.2 K outside the two: 1 % in the viscosity at 40 °C becomes 1.1 %, too little to warn of.

    kv_40, kv_100 : Kinematic viscosities at 40 °C and 100 °C, [mm²/s], 0.21 to 2e7.
    Source : ASTM D341-20.
    """
    points = np.stack(np.broadcast_arrays(np.asarray(kv_40, dtype=float), np.asarray(kv_100, dtype=float)), axis=-1)
    line = fit_viscosity_temperature([40.0, 100.0], points)
    warm, hot = (viscosity_from_ordinate(line.intercept - line.slope * np.log10(T)) for T in _FAHRENHEIT_K)
    return warm, hot


def relative_molecular_mass(kv_100F: ArrayLike, kv_210F: ArrayLike, relative_density_60F: ArrayLike) -> Array:
    r"""Return the mean relative molecular mass, [-], of a heavy petroleum fraction: the number of its g/mol.

    .. math:: M = 223.56 \, \nu_1^{-1.2435 + 1.1228 S} \, \nu_2^{3.4758 - 3.038 S} \, S^{-0.6665}

    kv_100F, kv_210F : Kinematic viscosities ν₁ at 100 °F and ν₂ at 210 °F, [mm²/s]: ``viscosities_at_100F_and_210F``.
    relative_density_60F : Relative density 60/60 °F, S, [-]; see ``relative_density``.
    Raises OutOfRangeError : The mass is outside 200 to 800, where the equation was fitted.
    Source : API Technical Data Book, procedure 2B2.3; M. R. Riazi and T. E. Daubert, Ind. Eng. Chem. Res. 26 (1987)
        755. Coefficients and range from memory; the published example comes out.

    >>> relative_molecular_mass(55.1, 5.87, 141.5 / (22.5 + 131.5)).round(1)
    np.float64(339.7)
    """
    S = liquid_relative_density(relative_density_60F)
    warm = positive(kv_100F, "kinematic viscosity at 100 °F", "mm²/s")
    hot = positive(kv_210F, "kinematic viscosity at 210 °F", "mm²/s")
    name, falls = "kinematic viscosity at 100 °F", "a liquid's viscosity falls with temperature"
    refuse_not_above(warm, hot, name, "mm²/s", falls)
    mass = np.asarray(223.56 * warm ** (-1.2435 + 1.1228 * S) * hot ** (3.4758 - 3.038 * S) * S**-0.6665)
    reason = "the equation of Riazi and Daubert was fitted there"
    return refuse_outside(mass, "relative molecular mass", "[-]", lowest=200.0, highest=800.0, reason=reason)[()]
