"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .apparatus.air import dry_air_density as dry_air_density
from .apparatus.capillary import (
    kinetic_energy_factor as kinetic_energy_factor,
    viscosity_from_flow_time as viscosity_from_flow_time,
)
from .apparatus.oscillating_tube import (
    OscillatingTube as OscillatingTube,
    adjust_oscillating_tube as adjust_oscillating_tube,
)
from .apparatus.water import water_density as water_density, water_viscosity as water_viscosity
from .curves._points import ViscosityBand as ViscosityBand
from .curves.blending import (
    Blend as Blend,
    BlendFraction as BlendFraction,
    blend_lines as blend_lines,
    fraction_that_explains as fraction_that_explains,
)
from .curves.line_curvature import line_model_uncertainty as line_model_uncertainty
from .curves.line_departure import LineDeparture as LineDeparture, departure_from_line as departure_from_line
from .curves.line_uncertainty import (
    EstimatedLine as EstimatedLine,
    estimate_viscosity_temperature as estimate_viscosity_temperature,
)
from .curves.liquid_slopes import SlopeJudgement as SlopeJudgement, judge_slope as judge_slope
from .curves.model_choice import (
    VISCOSITY_MODELS as VISCOSITY_MODELS,
    ModelComparison as ModelComparison,
    compare_viscosity_models as compare_viscosity_models,
)
from .curves.viscosity_models import (
    ExponentialCurve as ExponentialCurve,
    UbbelohdeWaltherLine as UbbelohdeWaltherLine,
    fit_andrade as fit_andrade,
    fit_ubbelohde_walther as fit_ubbelohde_walther,
    fit_vogel as fit_vogel,
)
from .curves.viscosity_temperature import (
    ViscosityTemperatureLine as ViscosityTemperatureLine,
    fit_viscosity_temperature as fit_viscosity_temperature,
)
from .curves.walther import viscosity_from_ordinate as viscosity_from_ordinate, walther_ordinate as walther_ordinate
from .densities.density import (
    alpha_60_from_densities as alpha_60_from_densities,
    density_at as density_at,
    density_at_60F as density_at_60F,
    density_slope as density_slope,
)
from .densities.expansion import (
    OwnExpansion as OwnExpansion,
    density_by_own_expansion as density_by_own_expansion,
    table_expansion_uncertainty as table_expansion_uncertainty,
)
from .densities.gravity import (
    api_gravity as api_gravity,
    density_from_api_gravity as density_from_api_gravity,
    density_from_relative_density as density_from_relative_density,
    relative_density as relative_density,
)
from .densities.volume_corrections import (
    COMMODITIES as COMMODITIES,
    Commodity as Commodity,
    VolumeCorrection as VolumeCorrection,
    ipts68_from_its90 as ipts68_from_its90,
    volume_correction as volume_correction,
)
from .kinds.characterisation import (
    viscosity_gravity_constant_40C as viscosity_gravity_constant_40C,
    viscosity_gravity_constant_100C as viscosity_gravity_constant_100C,
)
from .kinds.classification import (
    GRADE_TABLES as GRADE_TABLES,
    GradeCandidates as GradeCandidates,
    grade_candidates as grade_candidates,
)
from .kinds.grades import viscosity_grade as viscosity_grade
from .kinds.ignition import (
    calculated_carbon_aromaticity_index as calculated_carbon_aromaticity_index,
    calculated_ignition_index as calculated_ignition_index,
)
from .kinds.index import reported_viscosity_index as reported_viscosity_index, viscosity_index as viscosity_index
from .kinds.molar_mass import (
    relative_molecular_mass as relative_molecular_mass,
    viscosities_at_100F_and_210F as viscosities_at_100F_and_210F,
)
from .published import edition_of as edition_of
from .scales.conversions import dynamic_from_kinematic as dynamic_from_kinematic
from .scales.legacy import (
    engler_from_kinematic as engler_from_kinematic,
    kinematic_from_engler as kinematic_from_engler,
    kinematic_from_redwood as kinematic_from_redwood,
    redwood_from_kinematic as redwood_from_kinematic,
)
from .scales.saybolt import (
    kinematic_from_saybolt_furol as kinematic_from_saybolt_furol,
    kinematic_from_saybolt_universal as kinematic_from_saybolt_universal,
    saybolt_furol_from_kinematic as saybolt_furol_from_kinematic,
    saybolt_universal_from_kinematic as saybolt_universal_from_kinematic,
)
