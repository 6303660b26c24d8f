"""The constant of a glass capillary: its kinetic energy, another place, another liquid."""

import numpy as np
from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, positive

EDITION = "ISO 3104:1994, ISO 3105:1994"


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
