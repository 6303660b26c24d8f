"""Saybolt Universal and Saybolt Furol viscosity from kinematic viscosity, and back."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_outside
from labcalc.formulae._roots import bracketed_root

EDITION = "ASTM D2161-05"

_LOWEST_UNIVERSAL = 1.81  # lowest kinematic viscosity that has a Saybolt Universal one, [mm²/s]
_NOT_THERE = "ASTM D2161 gives no Saybolt viscosity there"


def saybolt_universal_from_kinematic(
    kinematic_viscosity: ArrayLike, temperature_C: ArrayLike = (100.0 - 32.0) / 1.8
) -> Array:
    r"""Return the Saybolt Universal viscosity, [s], at the temperature of the kinematic viscosity.

    .. math:: SUS_{t} = [1 + 0.000061 (t - 100)] \left[ 4.6324 \nu
        + \frac{1 + 0.03264 \nu}{(3930.2 + 262.7 \nu + 23.97 \nu^2 + 1.646 \nu^3) \cdot 10^{-5}} \right]

    kinematic_viscosity : Kinematic viscosity, [mm²/s], 1.81 or more.
    temperature_C : Temperature of the viscosity, [°C], -17.8 to 176.7 (0 °F to 350 °F); 100 °F where none is given.
    Source : ASTM D2161-05, clauses 5 and 6, the equations for Saybolt Universal viscosity.

    >>> saybolt_universal_from_kinematic([10.0, 100.0]).round(2)
    array([ 58.84, 463.46])
    """
    nu, factor = np.asarray(kinematic_viscosity, dtype=float), _temperature_factor(temperature_C)
    refuse_outside(nu, "kinematic viscosity", "mm²/s", lowest=_LOWEST_UNIVERSAL, reason=_NOT_THERE)
    return np.asarray(factor * _universal_at_100F(nu))[()]


def kinematic_from_saybolt_universal(saybolt_s: ArrayLike, temperature_C: ArrayLike = (100.0 - 32.0) / 1.8) -> Array:
    """Return the kinematic viscosity, [mm²/s]: the inverse of ``saybolt_universal_from_kinematic``.

    saybolt_s : Saybolt Universal viscosity, [s], 31.95 or more at 100 °F.
    temperature_C : Temperature of the viscosity, [°C], -17.8 to 176.7 (0 °F to 350 °F); 100 °F where none is given.
    Source : ASTM D2161-05, the equations of ``saybolt_universal_from_kinematic``, solved for the viscosity. The
        standard itself converts to Saybolt only.
    """
    seconds, factor = np.broadcast_arrays(np.asarray(saybolt_s, dtype=float), _temperature_factor(temperature_C))
    at_100F = np.asarray(seconds / factor)
    lowest = float(_universal_at_100F(np.asarray(_LOWEST_UNIVERSAL)))
    refuse_outside(at_100F, "Saybolt Universal viscosity at 100 °F", "s", lowest=lowest, reason=_NOT_THERE)
    return _inverse(_universal_at_100F, at_100F, _LOWEST_UNIVERSAL, 4.6324)


def saybolt_furol_from_kinematic(kinematic_viscosity: ArrayLike, *, at_F: int = 122) -> Array:
    r"""Return the Saybolt Furol viscosity, [s], at 122 °F (50 °C) or 210 °F (98.9 °C).

    .. math:: SFS_{122} = 0.4717 \nu + \frac{13924}{\nu^2 - 72.59 \nu + 6816}, \qquad
        SFS_{210} = 0.4792 \nu + \frac{5610}{\nu^2 + 2130}

    Above 1300 mm²/s the standard drops the fraction, which is less than 0.01 s there.

    kinematic_viscosity : Kinematic viscosity at that temperature, [mm²/s], 48 or more at 122 °F, 50 or more at 210 °F.
    at_F : Temperature, [°F], 122 or 210.
    Source : ASTM D2161-05, the equations for Saybolt Furol viscosity.
    """
    furol, nu = _furol(at_F), np.asarray(kinematic_viscosity, dtype=float)
    refuse_outside(nu, f"kinematic viscosity at {at_F} °F", "mm²/s", lowest=furol.lowest, reason=_NOT_THERE)
    return np.asarray(furol.seconds(nu))[()]


def kinematic_from_saybolt_furol(saybolt_s: ArrayLike, *, at_F: int = 122) -> Array:
    """Return the kinematic viscosity, [mm²/s]: the inverse of ``saybolt_furol_from_kinematic``.

    saybolt_s : Saybolt Furol viscosity, [s], 25.12 or more at 122 °F, 25.18 or more at 210 °F.
    at_F : Temperature, [°F], 122 or 210.
    Source : ASTM D2161-05, the equations of ``saybolt_furol_from_kinematic``, solved for the viscosity.
    """
    furol, seconds = _furol(at_F), np.asarray(saybolt_s, dtype=float)
    lowest = float(furol.seconds(np.asarray(furol.lowest)))
    refuse_outside(seconds, f"Saybolt Furol viscosity at {at_F} °F", "s", lowest=lowest, reason=_NOT_THERE)
    return _inverse(furol.seconds, seconds, furol.lowest, furol.factor)


@dataclass(frozen=True)
class _Furol:
    """Saybolt Furol seconds at one temperature: factor ν + rise / (ν² − shift ν + floor)."""

    lowest: float
    factor: float
    rise: float
    shift: float
    floor: float

    def seconds(self, nu: Array) -> Array:
        return self.factor * nu + self.rise / ((nu - self.shift) * nu + self.floor)


_FUROL = {122: _Furol(48.0, 0.4717, 13924.0, 72.59, 6816.0), 210: _Furol(50.0, 0.4792, 5610.0, 0.0, 2130.0)}


def _furol(at_F: int) -> _Furol:
    if at_F not in _FUROL:
        raise ValueError(f"{at_F} °F: ASTM D2161 gives Saybolt Furol viscosity at 122 °F and 210 °F")
    return _FUROL[at_F]


def _temperature_factor(temperature_C: ArrayLike) -> Array:
    t = refuse_outside(
        temperature_C, "temperature", "°C", lowest=-32.0 / 1.8, highest=(350.0 - 32.0) / 1.8, reason=_NOT_THERE
    )
    return np.asarray(1.0 + 0.000061 * (1.8 * t + 32.0 - 100.0))


def _universal_at_100F(nu: Array) -> Array:
    curvature = (3930.2 + (262.7 + (23.97 + 1.646 * nu) * nu) * nu) * 1e-5
    return 4.6324 * nu + (1.0 + 0.03264 * nu) / curvature


def _inverse(seconds: Callable[[Array], Array], wanted: Array, lowest: float, factor: float) -> Array:
    """Return the viscosity of given seconds: they are more than ``factor`` times it, which bounds it from above."""
    low = np.full_like(wanted, lowest * (1.0 - 1e-8))
    return bracketed_root(lambda nu: seconds(nu) - wanted, low, np.maximum(wanted / factor, low))[()]
