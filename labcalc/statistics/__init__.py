"""Statistics of the laboratory: NumPy in, NumPy out; no files, no frames."""

from __future__ import annotations

from labcalc.statistics.monte_carlo import (
    MonteCarloResult,
    Validation,
    monte_carlo,
    numerical_tolerance,
    validated,
)
from labcalc.statistics.propagation import (
    correlation_from_covariance,
    propagated_covariance,
    propagated_uncertainty,
    sensitivities,
)
from labcalc.statistics.repeats import CRITICAL_RANGE_FACTORS, critical_range
from labcalc.statistics.rounding import rounded, rounded_to_figures
from labcalc.statistics.uncertainty import (
    BudgetComponent,
    Distribution,
    InputQuantity,
    UncertaintyBudget,
    coverage_factor,
    effective_degrees_of_freedom,
    standard_from_half_width,
    uncertainty_budget,
)

__all__ = [
    "CRITICAL_RANGE_FACTORS",
    "BudgetComponent",
    "Distribution",
    "InputQuantity",
    "MonteCarloResult",
    "UncertaintyBudget",
    "Validation",
    "correlation_from_covariance",
    "coverage_factor",
    "critical_range",
    "effective_degrees_of_freedom",
    "monte_carlo",
    "numerical_tolerance",
    "propagated_covariance",
    "propagated_uncertainty",
    "rounded",
    "rounded_to_figures",
    "sensitivities",
    "standard_from_half_width",
    "uncertainty_budget",
    "validated",
]
