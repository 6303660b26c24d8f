"""The glass capillary: kinematic viscosity from the time that an oil takes to flow through it, and kinetic energy."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, positive, refuse_outside

EDITION = "ASTM D445-11a, ISO 3104:1994, ISO 3105:1994"

_SHORTEST_S = 200.0  # from it on most sizes may do without the term of kinetic energy, [s]: ASTM D445-11a, 10.2


def viscosity_from_flow_time(
    flow_time_s: ArrayLike, constant: ArrayLike, kinetic_energy: ArrayLike = 0.0, *, shortest_s: ArrayLike = _SHORTEST_S
) -> Array:
    r"""Return the kinematic viscosity, [mm²/s], of an oil from its flow time; reported to 4 figures.

    .. math:: \nu = C t - \frac{E}{t^2}

    flow_time_s : Flow time t, [s].
    constant : Constant of the viscometer C at the temperature of the test, [mm²/s²].
    kinetic_energy : Factor of kinetic energy E, [mm²·s]; see ``kinetic_energy_factor``. The certificate of a viscometer
        may give a correction θ in seconds instead, ν = C (t − θ): then E = C θ t².
    shortest_s : Shortest flow time that the standard allows for this size, [s]: 200, for the finest capillaries up to
        300 or more (ASTM D446); shorter ones for automatic viscometers that have shown that they can.
    Raises OutOfRangeError : Also where the kinetic energy leaves nothing of the viscosity.
    Source : ASTM D445-11a, 10.2; ASTM D446 and ISO 3105:1994, equation with the term of kinetic energy (its form for
        capillaries with trumpet-shaped ends is from memory).

    >>> viscosity_from_flow_time(512.3, 0.1024).round(2)
    np.float64(52.46)
    """
    t, C = np.asarray(flow_time_s, dtype=float), positive(constant, "constant of the viscometer", "mm²/s²")
    shortest, E = np.asarray(shortest_s, dtype=float), np.asarray(kinetic_energy, dtype=float)
    reason = "kinetic energy slows the flow, never hurries it"
    refuse_outside(E, "factor of kinetic energy", "mm²·s", lowest=0.0, reason=reason)
    refuse_outside(t, "flow time", "s", above=0.0, reason="a flow time is more than zero")
    times, allowed = np.broadcast_arrays(t, shortest)
    if (short := times < allowed).any():
        reason = "a shorter flow needs a finer capillary, or the term of kinetic energy and a lower limit on purpose"
        refuse_outside(times[short], "flow time", "s", lowest=float(allowed[short].flat[0]), reason=reason)
    viscosity = np.asarray(C * t - E / t**2)
    reason = "the term of kinetic energy takes away the whole flow; is its factor, or the constant, of another size?"
    return refuse_outside(viscosity, "kinematic viscosity", "mm²/s", above=0.0, reason=reason)[()]


def kinetic_energy_factor(
    volume_mL: ArrayLike, length_cm: ArrayLike, diameter_cm: ArrayLike, constant: ArrayLike
) -> Array:
    r"""Return the factor of kinetic energy E, [mm²·s], of a capillary with trumpet-shaped ends.

    .. math:: E = \frac{1.66 \, V^{3/2}}{L \, (C d)^{1/2}}

    volume_mL : Timed volume V, [mL].
    length_cm, diameter_cm : Length L and diameter d of the capillary, [cm].
    constant : Constant of the viscometer C, [mm²/s²].
    Source : ISO 3105:1994 and ASTM D446, from memory; checked against a coefficient of 0.037 √Re for the kinetic energy
        and against a published table of corrections.

    >>> kinetic_energy_factor(5.7, 9.0, 0.063, 0.01).round(1)
    np.float64(100.0)
    """
    V, L = positive(volume_mL, "timed volume", "mL"), positive(length_cm, "length of the capillary", "cm")
    d = positive(diameter_cm, "diameter of the capillary", "cm")
    return np.asarray(1.66 * V**1.5 / (L * np.sqrt(positive(constant, "constant of the viscometer", "mm²/s²") * d)))[()]
