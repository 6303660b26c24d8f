"""What kind of oil it is: numbers that density and viscosity give together."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, refuse_outside

EDITION = "ASTM D2501-14(2019)"


def viscosity_gravity_constant_40C(density_15C: ArrayLike, kv_40: ArrayLike) -> Array:
    r"""Return the viscosity-gravity constant, [-], from the viscosity at 40 °C, the preferred one; reported to 0.002.

    .. math:: VGC = \frac{G - 0.0664 - 0.1154 \log_{10} (V - 5.5)}{0.94 - 0.109 \log_{10} (V - 5.5)}

    density_15C : Density at 15 °C, [kg/m³], 10 to 3000; G is the same in g/mL.
    kv_40 : Kinematic viscosity at 40 °C, V, [mm²/s], more than 5.5.
    Source : ASTM D2501-14(2019), the equation for 40 °C.

    >>> viscosity_gravity_constant_40C(870.0, 30.6).round(4)
    np.float64(0.8154)
    """
    logarithm = _logarithm_beyond(5.5, kv_40, "kinematic viscosity at 40 °C")
    return (_grams(density_15C) - 0.0664 - 0.1154 * logarithm) / (0.94 - 0.109 * logarithm)


def viscosity_gravity_constant_100C(density_15C: ArrayLike, kv_100: ArrayLike) -> Array:
    r"""Return the viscosity-gravity constant, [-], from the viscosity at 100 °C; a report says that it is this one.

    .. math:: VGC = \frac{G - 0.108 - 0.1255 \log_{10} (V - 0.8)}{0.90 - 0.097 \log_{10} (V - 0.8)}

    density_15C : Density at 15 °C, [kg/m³], 10 to 3000; G is the same in g/mL.
    kv_100 : Kinematic viscosity at 100 °C, V, [mm²/s], more than 0.8.
    Source : ASTM D2501-14(2019), the equation for 100 °C.
    """
    logarithm = _logarithm_beyond(0.8, kv_100, "kinematic viscosity at 100 °C")
    return (_grams(density_15C) - 0.108 - 0.1255 * logarithm) / (0.90 - 0.097 * logarithm)


def _logarithm_beyond(limit: float, viscosity: ArrayLike, quantity: str) -> Array:
    array = refuse_outside(viscosity, quantity, "mm²/s", above=limit, reason="ASTM D2501 needs a thicker oil")
    return np.log10(array - limit)


def _grams(density: ArrayLike) -> Array:
    return liquid_density(density, "density at 15 °C") / 1000.0
