"""Published formulas: numbers in, numbers out, NumPy only.

Each takes scalars, lists, arrays of any shape and series, and broadcasts them. Scalars give a ``numpy.float64``, all
else an array; NaN in gives NaN out; outside its range a formula raises ``labcalc.errors.OutOfRangeError``.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from types import FunctionType, MappingProxyType

from labcalc.formulae.characterisation import viscosity_gravity_constant_40C, viscosity_gravity_constant_100C
from labcalc.formulae.conversions import dynamic_from_kinematic, kinematic_from_dynamic
from labcalc.formulae.density import alpha_60_from_densities, density_at, density_at_60F, density_slope
from labcalc.formulae.grades import viscosity_grade
from labcalc.formulae.gravity import (
    api_gravity,
    density_from_api_gravity,
    density_from_relative_density,
    relative_density,
)
from labcalc.formulae.saybolt import saybolt_universal_from_kinematic
from labcalc.formulae.viscosity_index import reported_viscosity_index, viscosity_index
from labcalc.formulae.viscosity_temperature import ViscosityTemperatureLine, fit_viscosity_temperature
from labcalc.formulae.volume_correction import (
    COMMODITIES,
    Commodity,
    VolumeCorrection,
    ipts68_from_its90,
    volume_correction,
)
from labcalc.formulae.walther import viscosity_from_ordinate, walther_ordinate

__all__ = [
    "COMMODITIES",
    "Commodity",
    "ViscosityTemperatureLine",
    "VolumeCorrection",
    "alpha_60_from_densities",
    "api_gravity",
    "density_at",
    "density_at_60F",
    "density_from_api_gravity",
    "density_from_relative_density",
    "density_slope",
    "dynamic_from_kinematic",
    "editions",
    "fit_viscosity_temperature",
    "ipts68_from_its90",
    "kinematic_from_dynamic",
    "relative_density",
    "reported_viscosity_index",
    "saybolt_universal_from_kinematic",
    "viscosity_from_ordinate",
    "viscosity_grade",
    "viscosity_gravity_constant_40C",
    "viscosity_gravity_constant_100C",
    "viscosity_index",
    "volume_correction",
    "walther_ordinate",
]


def editions() -> Mapping[str, str]:
    """Return the standard and edition that each formula follows, by the formula's name.

    Returns
    -------
    mapping of str to str
        Formula → edition.
    """
    formulas = {name: globals()[name] for name in __all__ if name != "editions"}
    return MappingProxyType(
        {
            name: sys.modules[formula.__module__].EDITION
            for name, formula in formulas.items()
            if isinstance(formula, FunctionType)
        }
    )
