"""Statistics of the laboratory: NumPy in, NumPy out; no files, no frames."""

from __future__ import annotations

from labcalc.statistics.propagation import propagated_uncertainty
from labcalc.statistics.repeats import CRITICAL_RANGE_FACTORS, critical_range
from labcalc.statistics.rounding import rounded, rounded_to_figures

__all__ = ["CRITICAL_RANGE_FACTORS", "critical_range", "propagated_uncertainty", "rounded", "rounded_to_figures"]
