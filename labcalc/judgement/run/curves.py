"""Curves through the results of a run: viscosity and density against temperature, each with its band."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.judgement.run.derived_results import viscosities_at
from labcalc.judgement.uncertainty.effects import CONFIDENCE
from labcalc.judgement.uncertainty.results import Result, Results
from labcalc.statistics import coverage_factor

_MARGIN_K = 20.0  # how far a curve reaches beyond the measured temperatures, [K]

_POINTS = 19


@dataclass(frozen=True, eq=False)
class Curve:
    """A quantity on a grid of temperatures, beside the determinations that it was drawn from."""

    measured_C: NDArray[np.float64]
    measured: NDArray[np.float64]  # single determinations, not means
    temperature_C: NDArray[np.float64]  # grid; empty where there is no curve, only points
    value: NDArray[np.float64]
    half_width: NDArray[np.float64]  # half the width of the band in the unit of the value; NaN where unknown

    @property
    def interval_C(self) -> tuple[float, float]:
        """Lowest and highest measured temperature; beyond them the curve is an extrapolation."""
        return float(self.measured_C.min()), float(self.measured_C.max())


def viscosity_curve(results: Results, reach_C: Sequence[float] = (), liquid: str | None = None) -> Curve | None:
    """Return the viscosity-temperature line of a run on a grid, or None without a kinematic viscosity.

    results : Results of the run.
    reach_C : Temperatures that the grid has to reach, [°C].
    liquid : Kind of liquid, as in ``judge_slope``.
    Returns : Kinematic viscosity, [mm²/s]; the band is that of ``viscosities_at``, as wide in the logarithm on both
        sides.
    """
    inputs = results.viscosities
    if not inputs:
        return None
    grid = _grid(inputs, reach_C) if len(inputs) > 1 else np.empty(0)
    found = viscosities_at(results, grid.tolist(), liquid)
    value, upper = np.array([(one.value, one.expanded_uncertainty) for one in found]).reshape(-1, 2).T
    if np.isnan(value).any():
        grid = value = upper = np.empty(0)
    return Curve(*_points(inputs), grid, value, value * np.log1p(upper / value))


def density_curve(results: Results, commodity: str) -> Curve | None:
    """Return the density that the standard's table gives from the coldest measured one, or None without a density.

    results : Results of the run.
    commodity : Commodity group.
    Returns : Density, [kg/m³]; the band holds how far the expansion of oils is from the table's.
    """
    inputs = results.densities
    if not inputs:
        return None
    grid, first = _grid(inputs, (15.0,)), inputs[0]
    try:
        value = np.asarray(formulae.density_at(first.value, first.temperature_C, grid, commodity=commodity))
    except OutOfRangeError:
        return Curve(*_points(inputs), *(np.empty(0) for _ in range(3)))
    from_table = formulae.table_expansion_uncertainty(first.value, first.temperature_C, grid, commodity=commodity)
    own = value / first.value * first.expanded_uncertainty
    return Curve(*_points(inputs), grid, value, np.hypot(own, coverage_factor(CONFIDENCE) * from_table))


def _grid(inputs: Sequence[Result], reach_C: Sequence[float]) -> NDArray[np.float64]:
    measured = [r.temperature_C for r in inputs]
    wanted = measured + list(reach_C)
    return np.union1d(np.linspace(min(wanted) - _MARGIN_K, max(wanted) + _MARGIN_K, _POINTS), measured)


def _points(inputs: Sequence[Result]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    pairs = np.array([(r.temperature_C, one) for r in inputs for one in r.repeats], dtype=float)
    return pairs[:, 0], pairs[:, 1]
