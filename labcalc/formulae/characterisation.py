"""What kind of oil it is: numbers that density and viscosity give together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import liquid_density, refuse_outside

EDITION = "ASTM D2501-14(2019)"


def viscosity_gravity_constant_40C(density_15C: ArrayLike, kv_40: ArrayLike) -> NDArray[np.float64]:
    r"""Return the viscosity-gravity constant from the kinematic viscosity at 40 °C, the preferred one.

    .. math:: VGC = \frac{G - 0.0664 - 0.1154 \log_{10} (V - 5.5)}{0.94 - 0.109 \log_{10} (V - 5.5)}

    Parameters
    ----------
    density_15C : array_like of float
        Density at 15 °C, [kg/m³], 10 to 3000; G is the same in g/mL.
    kv_40 : array_like of float
        Kinematic viscosity at 40 °C, V, [mm²/s], more than 5.5.

    Returns
    -------
    numpy.ndarray or numpy.float64
        Viscosity-gravity constant, [-], unrounded (reported to 0.002); NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        An input is outside its range.

    References
    ----------
    .. [1] ASTM D2501-14(2019), the equation for 40 °C.

    Examples
    --------
    >>> viscosity_gravity_constant_40C(870.0, 30.6).round(4)
    np.float64(0.8154)
    """
    logarithm = _logarithm_beyond(5.5, kv_40, "kinematic viscosity at 40 °C")
    return (_grams(density_15C) - 0.0664 - 0.1154 * logarithm) / (0.94 - 0.109 * logarithm)


def viscosity_gravity_constant_100C(density_15C: ArrayLike, kv_100: ArrayLike) -> NDArray[np.float64]:
    r"""Return the viscosity-gravity constant from the kinematic viscosity at 100 °C; a report says that it is this one.

    .. math:: VGC = \frac{G - 0.108 - 0.1255 \log_{10} (V - 0.8)}{0.90 - 0.097 \log_{10} (V - 0.8)}

    Parameters
    ----------
    density_15C : array_like of float
        Density at 15 °C, [kg/m³], 10 to 3000; G is the same in g/mL.
    kv_100 : array_like of float
        Kinematic viscosity at 100 °C, V, [mm²/s], more than 0.8.

    Returns
    -------
    numpy.ndarray or numpy.float64
        Viscosity-gravity constant, [-], unrounded (reported to 0.002); NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        An input is outside its range.

    References
    ----------
    .. [1] ASTM D2501-14(2019), the equation for 100 °C.

    Examples
    --------
    >>> viscosity_gravity_constant_100C(870.0, 5.23).round(4)
    np.float64(0.8132)
    """
    logarithm = _logarithm_beyond(0.8, kv_100, "kinematic viscosity at 100 °C")
    return (_grams(density_15C) - 0.108 - 0.1255 * logarithm) / (0.90 - 0.097 * logarithm)


@dataclass(frozen=True, eq=False)
class ViscosityGravityConstants:
    """The two viscosity-gravity constants of one oil: its viscosities check one another through them, roughly."""

    from_40C: NDArray[np.float64]
    """From the viscosity at 40 °C, [-]."""
    from_100C: NDArray[np.float64]
    """From the viscosity at 100 °C, [-]."""

    @property
    def difference(self) -> NDArray[np.float64]:
        """The one from 40 °C less the one from 100 °C, [-]: about 0.003 on average for constants of 0.80 to 0.95."""
        return self.from_40C - self.from_100C


def viscosity_gravity_constants(
    density_15C: ArrayLike, kv_40: ArrayLike, kv_100: ArrayLike
) -> ViscosityGravityConstants:
    """Return both viscosity-gravity constants of an oil.

    The two differ by 0.003 on average, by up to 0.008 for bright stocks. A difference beyond that finds gross errors of
    a viscosity only: 10 % in one of them moves it by 0.003, 10 kg/m³ in the density by 0.001.

    Parameters
    ----------
    density_15C : array_like of float
        Density at 15 °C, [kg/m³], 10 to 3000.
    kv_40 : array_like of float
        Kinematic viscosity at 40 °C, [mm²/s], more than 5.5.
    kv_100 : array_like of float
        Kinematic viscosity at 100 °C, [mm²/s], more than 0.8.

    Returns
    -------
    ViscosityGravityConstants
        Both constants, [-]; NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        An input is outside its range.

    References
    ----------
    .. [1] ASTM D2501-14(2019): both equations and the expected difference.

    Examples
    --------
    >>> viscosity_gravity_constants(870.0, 30.6, 5.23).difference.round(4)
    np.float64(0.0022)
    """
    return ViscosityGravityConstants(
        viscosity_gravity_constant_40C(density_15C, kv_40), viscosity_gravity_constant_100C(density_15C, kv_100)
    )


def _logarithm_beyond(limit: float, viscosity: ArrayLike, quantity: str) -> NDArray[np.float64]:
    array = np.asarray(viscosity, dtype=float)
    refuse_outside(array, quantity, "mm²/s", above=limit, reason="ASTM D2501 needs a thicker oil")
    return np.log10(array - limit)


def _grams(density: ArrayLike) -> NDArray[np.float64]:
    return liquid_density(density, "density at 15 °C") / 1000.0
