"""Water, the reference liquid of all the others: its density and its viscosity."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, kelvin, refuse_outside

EDITION = "Tanaka et al. 2001 (CIPM), Metrologia 38, 301, for density; IAPWS SR6-08(2011) for viscosity"

_A1, _A2, _A3, _A4 = -3.983035, 301.797, 522528.9, 69.34881
_A5 = 999.974950  # highest density of water of ocean isotopy, free of air, [kg/m³]


def water_density(temperature_C: ArrayLike) -> Array:
    r"""Return the density of pure water, [kg/m³], at 101.325 kPa.

    .. math:: \rho = a_5 \left[ 1 - \frac{(t + a_1)^2 (t + a_2)}{a_3 (t + a_4)} \right]

    temperature_C : Temperature, [°C], 0 to 40.
    Source : M. Tanaka et al., Metrologia 38 (2001) 301, equation 1: water of the composition of ocean water, free of
        air; water that has stood in air has 0.0025 kg/m³ less at 20 °C.

    >>> water_density([4.0, 20.0]).round(4)
    array([999.9749, 998.2067])
    """
    reason = "Tanaka 2001 gives this equation for water only there"
    t = refuse_outside(temperature_C, "temperature", "°C", lowest=0.0, highest=40.0, reason=reason)
    return np.asarray(_A5 * (1.0 - (t + _A1) ** 2 * (t + _A2) / (_A3 * (t + _A4))))[()]


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
    reason = "IAPWS SR6-08 is not stated beyond"
    t = refuse_outside(temperature_C, "temperature", "°C", lowest=-20.0, highest=110.0, reason=reason)
    theta = kelvin(t) / 300.0
    terms = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
    return np.asarray(0.001 * sum(factor * theta**power for factor, power in terms))[()]
