"""Density of air: what a balance, a capillary and the empty tube of a density meter are filled with."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_outside

EDITION = "OIML R 111-1:2004, short form of the CIPM equation; ASTM D4052 for dry air"

_ZERO_C = 273.15


def humid_air_density(
    temperature_C: ArrayLike, pressure_hPa: ArrayLike = 1013.25, relative_humidity_percent: ArrayLike = 50.0
) -> Array:
    r"""Return the density of a room's air, [kg/m³]: the short form of the CIPM equation, right to 3 parts in 10 000.

    .. math:: \rho = \frac{0.34848 \, p - 0.009 \, h \exp(0.061 \, t)}{273.15 + t}

    temperature_C : Temperature, [°C], 10 to 30.
    pressure_hPa : Pressure of the air at the place, not reduced to sea level, [hPa], 900 to 1100.
    relative_humidity_percent : Relative humidity, [%], 0 to 80.
    Source : OIML R 111-1:2004, equation E.3-1; its range is from memory. It follows CIPM-2007 (Picard et al.,
        Metrologia 45 (2008) 149) for 0.04 % of carbon dioxide.

    >>> humid_air_density(20.0).round(4)
    np.float64(1.1993)
    """
    reason = "the short form of OIML R 111 holds only there"
    t = refuse_outside(temperature_C, "temperature", "°C", lowest=10.0, highest=30.0, reason=reason)
    p = refuse_outside(pressure_hPa, "pressure", "hPa", lowest=900.0, highest=1100.0, reason=reason)
    h = refuse_outside(relative_humidity_percent, "relative humidity", "%", lowest=0.0, highest=80.0, reason=reason)
    return (0.34848 * p - 0.009 * h * np.exp(0.061 * t)) / (_ZERO_C + t)


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
    return 1.2930 * (_ZERO_C / (_ZERO_C + t)) * (p / 1013.25)
