"""Engler degrees and Redwood seconds: approximations for old documents, right to about 5 %; never for a result.

The published tables and equations of these scales differ from one another by 1 % to 5 %.
"""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, refuse_outside

EDITION = "approximate, about 5 %: usual equations of the years before 1970, no standard in force"

_ENGLER = (7.31, 6.31)
_REDWOOD = ((0.26, 179.0), (0.247, 50.0))  # factors of t and of 1/t, up to and above 100 s
_REDWOOD_JOINT = 100.0
_LOWEST_ENGLER, _LOWEST_REDWOOD = 1.5, 38.0
_REASON = "the approximation is worse than 5 % there"


def kinematic_from_engler(engler_degrees: ArrayLike) -> Array:
    r"""Return the kinematic viscosity, [mm²/s], of an Engler viscosity, approximately: about 5 %.

    .. math:: \nu = 7.31 E - 6.31 / E

    engler_degrees : Engler viscosity, [°E], 1.5 or more.
    Source : L. Ubbelohde's equation, from memory; within 3.4 % of the table of the Hydraulic Institute; that
        of DIN 51560 has up to 6 % more mm²/s (memory).

    >>> kinematic_from_engler(5.92).round(1)
    np.float64(42.2)
    """
    E = refuse_outside(engler_degrees, "Engler viscosity", "°E", lowest=_LOWEST_ENGLER, reason=_REASON)
    return _forward(E, *_ENGLER)[()]


def engler_from_kinematic(kinematic_viscosity: ArrayLike) -> Array:
    """Return the Engler viscosity, [°E], approximately: about 5 %; the inverse of ``kinematic_from_engler``.

    kinematic_viscosity : Kinematic viscosity, [mm²/s], 6.76 or more.
    Source : As ``kinematic_from_engler``, solved for the degrees.
    """
    lowest = float(_forward(np.asarray(_LOWEST_ENGLER), *_ENGLER))
    nu = refuse_outside(kinematic_viscosity, "kinematic viscosity", "mm²/s", lowest=lowest, reason=_REASON)
    return _backward(nu, *_ENGLER)[()]


def kinematic_from_redwood(redwood_s: ArrayLike) -> Array:
    r"""Return the kinematic viscosity, [mm²/s], of a Redwood No. 1 viscosity, approximately: about 5 %.

    .. math:: \nu = 0.26 t - 179 / t \quad (t \le 100), \qquad \nu = 0.247 t - 50 / t \quad (t > 100)

    redwood_s : Redwood No. 1 viscosity, [s], 38 or more.
    Source : Usual equations for Redwood No. 1 seconds, from memory; within 5.2 % of the table of the Hydraulic
        Institute, which goes on with 0.26 above 100 s.
    """
    t = refuse_outside(redwood_s, "Redwood No. 1 viscosity", "s", lowest=_LOWEST_REDWOOD, reason=_REASON)
    return np.where(t > _REDWOOD_JOINT, _forward(t, *_REDWOOD[1]), _forward(t, *_REDWOOD[0]))[()]


def redwood_from_kinematic(kinematic_viscosity: ArrayLike) -> Array:
    """Return the Redwood No. 1 viscosity, [s], approximately: about 5 %; the inverse of ``kinematic_from_redwood``.

    kinematic_viscosity : Kinematic viscosity, [mm²/s], 5.17 or more.
    Source : As ``kinematic_from_redwood``, solved for the seconds.
    """
    lowest, joint = (float(_forward(np.asarray(t), *_REDWOOD[0])) for t in (_LOWEST_REDWOOD, _REDWOOD_JOINT))
    nu = refuse_outside(kinematic_viscosity, "kinematic viscosity", "mm²/s", lowest=lowest, reason=_REASON)
    return np.where(nu > joint, _backward(nu, *_REDWOOD[1]), _backward(nu, *_REDWOOD[0]))[()]


def _forward(t: Array, of_t: float, of_inverse: float) -> Array:
    return np.asarray(of_t * t - of_inverse / t)


def _backward(nu: Array, of_t: float, of_inverse: float) -> Array:
    return np.asarray((nu + np.sqrt(nu * nu + 4.0 * of_t * of_inverse)) / (2.0 * of_t))
