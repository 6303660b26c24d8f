"""Saybolt Universal viscosity from kinematic viscosity."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import refuse_outside

__all__ = ["saybolt_universal_from_kinematic"]

EDITION = "ASTM D2161-05"


def saybolt_universal_from_kinematic(
    kinematic_viscosity: ArrayLike, temperature_C: ArrayLike = (100.0 - 32.0) / 1.8
) -> NDArray[np.float64]:
    r"""Return the Saybolt Universal viscosity at the temperature of the kinematic viscosity.

    .. math:: SUS_{t} = [1 + 0.000061 (t - 100)] \left[ 4.6324 \nu
        + \frac{1 + 0.03264 \nu}{(3930.2 + 262.7 \nu + 23.97 \nu^2 + 1.646 \nu^3) \cdot 10^{-5}} \right]

    Parameters
    ----------
    kinematic_viscosity : array_like of float
        Kinematic viscosity, [mm²/s], 1.81 or more.
    temperature_C : array_like of float, optional
        Temperature of the viscosity, [°C], -17.8 to 176.7 (0 °F to 350 °F); 100 °F where none is given.

    Returns
    -------
    numpy.ndarray or numpy.float64
        Saybolt Universal viscosity, [s], unrounded; NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        An input is outside its range.

    References
    ----------
    .. [1] ASTM D2161-05, clauses 5 and 6, the equations for Saybolt Universal viscosity.

    Examples
    --------
    >>> saybolt_universal_from_kinematic([10.0, 100.0]).round(2)
    array([ 58.84, 463.46])
    """
    nu, t = np.asarray(kinematic_viscosity, dtype=float), np.asarray(temperature_C, dtype=float)
    reason = "ASTM D2161 gives no Saybolt Universal viscosity there"
    refuse_outside(nu, "kinematic viscosity", "mm²/s", lowest=1.81, reason=reason)
    refuse_outside(t, "temperature", "°C", lowest=-32.0 / 1.8, highest=(350.0 - 32.0) / 1.8, reason=reason)
    curvature = (3930.2 + (262.7 + (23.97 + 1.646 * nu) * nu) * nu) * 1e-5
    at_100F = 4.6324 * nu + (1.0 + 0.03264 * nu) / curvature
    return np.asarray((1.0 + 0.000061 * (1.8 * t + 32.0 - 100.0)) * at_100F)[()]
