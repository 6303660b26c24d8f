"""The public names of labcalc; read by type checkers, and by Python on use."""

from .formulae import (
    api_gravity as api_gravity,
    density_at as density_at,
    fit_viscosity_temperature as fit_viscosity_temperature,
    viscosity_grade as viscosity_grade,
    viscosity_index as viscosity_index,
)
from .lab.reading import read as read

__version__: str
