"""Published formulas: numbers in, numbers out, NumPy only.

Each takes scalars, lists, arrays of any shape and series, and broadcasts them. Scalars give a ``numpy.float64``, all
else an array; NaN in gives NaN out; outside its range a formula raises ``labcalc.errors.OutOfRangeError``.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from types import FunctionType, MappingProxyType

from labcalc.formulae.air import dry_air_density, humid_air_density
from labcalc.formulae.blending import (
    Blend,
    BlendFraction,
    blend_lines,
    blend_viscosity_double_log,
    fraction_that_explains,
)
from labcalc.formulae.capillary import FlowResult, flow_result, flow_time_for_kinetic_share, viscosity_from_flow_time
from labcalc.formulae.capillary_constant import buoyancy_factor, constant_at_gravity, kinetic_energy_factor
from labcalc.formulae.characterisation import (
    ViscosityGravityConstants,
    viscosity_gravity_constant_40C,
    viscosity_gravity_constant_100C,
    viscosity_gravity_constants,
)
from labcalc.formulae.classification import GRADE_TABLES, GradeCandidates, grade_candidates
from labcalc.formulae.conversions import dynamic_from_kinematic, kinematic_from_dynamic
from labcalc.formulae.density import alpha_60_from_densities, density_at, density_at_60F, density_slope
from labcalc.formulae.grades import viscosity_grade
from labcalc.formulae.gravity import (
    api_gravity,
    density_from_api_gravity,
    density_from_relative_density,
    relative_density,
)
from labcalc.formulae.legacy import (
    engler_from_kinematic,
    kinematic_from_engler,
    kinematic_from_redwood,
    redwood_from_kinematic,
)
from labcalc.formulae.line_departure import LineDeparture, departure_from_line
from labcalc.formulae.line_uncertainty import EstimatedLine, ViscosityBand, estimate_viscosity_temperature
from labcalc.formulae.model_choice import VISCOSITY_MODELS, ModelComparison, compare_viscosity_models
from labcalc.formulae.molar_mass import relative_molecular_mass, viscosities_at_100F_and_210F, watson_factor_estimate
from labcalc.formulae.oscillating_tube import OscillatingTube, adjust_oscillating_tube
from labcalc.formulae.saybolt import (
    kinematic_from_saybolt_furol,
    kinematic_from_saybolt_universal,
    saybolt_furol_from_kinematic,
    saybolt_universal_from_kinematic,
)
from labcalc.formulae.viscosity_index import reported_viscosity_index, viscosity_index
from labcalc.formulae.viscosity_models import (
    ExponentialCurve,
    UbbelohdeWaltherLine,
    fit_andrade,
    fit_ubbelohde_walther,
    fit_vogel,
)
from labcalc.formulae.viscosity_temperature import ViscosityTemperatureLine, fit_viscosity_temperature
from labcalc.formulae.volume_correction import (
    COMMODITIES,
    Commodity,
    VolumeCorrection,
    ipts68_from_its90,
    volume_correction,
)
from labcalc.formulae.walther import viscosity_from_ordinate, walther_ordinate
from labcalc.formulae.water import RelativeDensity, relative_density_to_water, water_density, water_viscosity

__all__ = [
    "COMMODITIES",
    "GRADE_TABLES",
    "VISCOSITY_MODELS",
    "Blend",
    "BlendFraction",
    "Commodity",
    "EstimatedLine",
    "ExponentialCurve",
    "FlowResult",
    "GradeCandidates",
    "LineDeparture",
    "ModelComparison",
    "OscillatingTube",
    "RelativeDensity",
    "UbbelohdeWaltherLine",
    "ViscosityBand",
    "ViscosityGravityConstants",
    "ViscosityTemperatureLine",
    "VolumeCorrection",
    "adjust_oscillating_tube",
    "alpha_60_from_densities",
    "api_gravity",
    "blend_lines",
    "blend_viscosity_double_log",
    "buoyancy_factor",
    "compare_viscosity_models",
    "constant_at_gravity",
    "density_at",
    "density_at_60F",
    "density_from_api_gravity",
    "density_from_relative_density",
    "density_slope",
    "departure_from_line",
    "dry_air_density",
    "dynamic_from_kinematic",
    "editions",
    "engler_from_kinematic",
    "estimate_viscosity_temperature",
    "fit_andrade",
    "fit_ubbelohde_walther",
    "fit_viscosity_temperature",
    "fit_vogel",
    "flow_result",
    "flow_time_for_kinetic_share",
    "fraction_that_explains",
    "grade_candidates",
    "humid_air_density",
    "ipts68_from_its90",
    "kinematic_from_dynamic",
    "kinematic_from_engler",
    "kinematic_from_redwood",
    "kinematic_from_saybolt_furol",
    "kinematic_from_saybolt_universal",
    "kinetic_energy_factor",
    "redwood_from_kinematic",
    "relative_density",
    "relative_density_to_water",
    "relative_molecular_mass",
    "reported_viscosity_index",
    "saybolt_furol_from_kinematic",
    "saybolt_universal_from_kinematic",
    "viscosities_at_100F_and_210F",
    "viscosity_from_flow_time",
    "viscosity_from_ordinate",
    "viscosity_grade",
    "viscosity_gravity_constant_40C",
    "viscosity_gravity_constant_100C",
    "viscosity_gravity_constants",
    "viscosity_index",
    "volume_correction",
    "walther_ordinate",
    "water_density",
    "water_viscosity",
    "watson_factor_estimate",
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
