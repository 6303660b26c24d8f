"""Density of air: what the empty tube of a density meter is filled with."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import ZERO_C, Array, refuse_outside

EDITION = "ASTM D4052 for dry air"


def dry_air_density(temperature_C: ArrayLike, pressure_hPa: ArrayLike = 1013.25) -> Array:
    r"""Return the density of dry air, [kg/m³], as in the cleaned and dried tube of a density meter.

    .. math:: \rho = 1.2930 \cdot \frac{273.15}{T} \cdot \frac{p}{1013.25}

    temperature_C : Temperature of the tube, [°C], -50 to 150.
    pressure_hPa : Pressure of the air at the place, [hPa], 500 to 1100.
    Source : ASTM D4052, calibration with air; from memory, within 0.05 % of CIPM-2007 for dry air.
    """
    t, p = np.asarray(temperature_C, dtype=float), np.asarray(pressure_hPa, dtype=float)
    refuse_outside(t, "temperature", "°C", lowest=-50.0, highest=150.0, reason="where density meters are used")
    refuse_outside(p, "pressure", "hPa", lowest=500.0, highest=1100.0, reason="no laboratory lies so high or so deep")
    return 1.2930 * (ZERO_C / (ZERO_C + t)) * (p / 1013.25)
