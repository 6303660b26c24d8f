"""Dynamic viscosity from the kinematic one; the density belongs to the same temperature."""

from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, positive

EDITION = "definition of kinematic viscosity, ISO 3104:1994"


def dynamic_from_kinematic(kinematic_viscosity: ArrayLike, density: ArrayLike) -> Array:
    r"""Return the dynamic viscosity, [mPa·s], :math:`\eta = \nu \rho`.

    kinematic_viscosity : Kinematic viscosity, [mm²/s], more than zero.
    density : Density at the same temperature, [kg/m³], 10 to 3000.
    Source : ISO 3104:1994, definition of kinematic viscosity.
    """
    viscosity = positive(kinematic_viscosity, "kinematic viscosity", "mm²/s")
    return viscosity * liquid_density(density) / 1000.0
