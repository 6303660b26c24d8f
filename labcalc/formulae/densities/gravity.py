"""Relative density and API gravity, both defined at 60 °F only."""

from numpy.typing import ArrayLike

from labcalc.formulae._refusals import Array, liquid_density, liquid_relative_density, refuse_outside

EDITION = "API MPMS 11.1-2004, par. 11.1.5.1 (water at 60 °F: 999.016 kg/m³)"

_WATER_60F = 999.016  # density of water at 60 °F, [kg/m³]; editions before 2004 took 999.012


def relative_density(density_60F: ArrayLike) -> Array:
    """Return the relative density 60/60 °F, [-]. From another temperature: ``density_at_60F`` first.

    density_60F : Density at 60 °F, [kg/m³], 10 to 3000.
    Source : API MPMS 11.1-2004, par. 11.1.5.1.
    """
    return liquid_density(density_60F, "density at 60 °F") / _WATER_60F


def density_from_relative_density(relative_density_60F: ArrayLike) -> Array:
    """Return the density at 60 °F, [kg/m³]: the inverse of ``relative_density``.

    relative_density_60F : Relative density 60/60 °F, [-], 0.01 to 3.01.
    Source : API MPMS 11.1-2004, par. 11.1.5.1.
    """
    return liquid_relative_density(relative_density_60F) * _WATER_60F


def api_gravity(density_60F: ArrayLike) -> Array:
    r"""Return the API gravity, [°API]. From another temperature: ``density_at_60F`` first.

    .. math:: API = \frac{141.5}{RD_{60/60}} - 131.5

    density_60F : Density at 60 °F, [kg/m³], 10 to 3000.
    Source : API MPMS 11.1-2004, par. 11.1.5.1.

    >>> api_gravity([999.016, 870.0]).round(2)
    array([10.  , 30.98])
    """
    return 141.5 / relative_density(density_60F) - 131.5


def density_from_api_gravity(gravity: ArrayLike) -> Array:
    """Return the density at 60 °F, [kg/m³]: the inverse of ``api_gravity``.

    gravity : API gravity, [°API], -85 to 340.
    Source : API MPMS 11.1-2004, par. 11.1.5.1.
    """
    reason = "no liquid has such a gravity: 3000 kg/m³ is -84 °API, 300 kg/m³ is 340 °API"
    array = refuse_outside(gravity, "API gravity", "°API", lowest=-85.0, highest=340.0, reason=reason)
    return 141.5 / (array + 131.5) * _WATER_60F
