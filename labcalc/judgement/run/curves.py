"""Curves through the results of a run: viscosity and density against temperature, each with its band."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae import ViscosityTemperatureLine, estimate_viscosity_temperature
from labcalc.judgement.run.results import Result, Results
from labcalc.judgement.uncertainty.effects import CONFIDENCE, unknown_parts
from labcalc.statistics import coverage_factor

_MARGIN_K = 20.0  # how far a curve reaches beyond the measured temperatures, [K]

_POINTS = 19

_STEP = 1e-6

MEASURED_BAND = "expanded uncertainty (95 %)"


@dataclass(frozen=True, eq=False)
class Curve:
    """A quantity on a grid of temperatures, beside the determinations that it was drawn from."""

    measured_C: NDArray[np.float64]
    measured: NDArray[np.float64]  # single determinations, not means
    temperature_C: NDArray[np.float64]  # grid; empty where there is no curve, only points
    value: NDArray[np.float64]
    half_width: NDArray[np.float64]  # half the width of the band in the unit of the value; NaN where unknown
    band: str = MEASURED_BAND  # what the band is

    @property
    def interval_C(self) -> tuple[float, float]:
        """Lowest and highest measured temperature; beyond them the curve is an extrapolation."""
        return float(self.measured_C.min()), float(self.measured_C.max())


def viscosity_curve(results: Results, reach_C: Sequence[float] = (), liquid: str | None = None) -> Curve | None:
    """Return the viscosity-temperature line of a run on a grid, or None without a kinematic viscosity.

    results : Results of the run.
    reach_C : Temperatures that the grid has to reach, [°C].
    liquid : Kind of liquid, as in ``judge_slope``.
    Returns : Kinematic viscosity, [mm²/s]; the band carries each source of uncertainty through all results that share
        it, or comes from the scatter of three and more points where their uncertainty is unknown; and it holds how far
        oils bend away from the line.
    """
    inputs = results.viscosities
    if not inputs:
        return None
    grid = _grid(inputs, reach_C) if len(inputs) > 1 else np.empty(0)
    value, half_width, band = grid, grid, MEASURED_BAND
    if grid.size:
        try:
            value, half_width, band = _line_with_band(results, grid, liquid)
        except OutOfRangeError:
            grid = value = half_width = np.empty(0)
    return Curve(*_points(inputs), grid, value, half_width, band)


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
        grid = value = half_width = np.empty(0)
    if grid.size:
        from_table = formulae.table_expansion_uncertainty(first.value, first.temperature_C, grid, commodity=commodity)
        half_width = np.hypot(
            value / first.value * first.expanded_uncertainty, coverage_factor(CONFIDENCE) * from_table
        )
    return Curve(*_points(inputs), grid, value, half_width)


def _grid(inputs: Sequence[Result], reach_C: Sequence[float]) -> NDArray[np.float64]:
    measured = [r.temperature_C for r in inputs]
    wanted = measured + list(reach_C)
    return np.union1d(np.linspace(min(wanted) - _MARGIN_K, max(wanted) + _MARGIN_K, _POINTS), measured)


def _points(inputs: Sequence[Result]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    pairs = np.array([(r.temperature_C, one) for r in inputs for one in r.repeats], dtype=float)
    return pairs[:, 0], pairs[:, 1]


def _line_with_band(
    results: Results, grid: NDArray[np.float64], liquid: str | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Return the line on the grid, the half width of its band, and what the band is."""
    inputs, through = results.viscosities, results.line_through
    viscosities = np.array([r.value for r in inputs])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)

        def at_grid(relative: ArrayLike) -> NDArray[np.float64]:
            """Relative changes of the measured viscosities, last axis, to the logarithm of the line."""
            line = through(viscosities * np.exp(relative))
            return np.log(_on(line, grid))

        if len(inputs) > 2 and any(unknown_parts(r.effects) for r in inputs):
            band = estimate_viscosity_temperature([r.temperature_C for r in inputs], viscosities).confidence_band(
                grid, level=CONFIDENCE, extrapolate=True, liquid=liquid
            )
            return band.line, band.line * 0.5 * np.log(band.highest / band.lowest), "95 %, by the scatter of the points"
        steps = _STEP * np.eye(len(inputs))
        slopes = (at_grid(steps) - at_grid(-steps)) / (2.0 * _STEP)
        value = np.exp(at_grid(np.zeros((1, len(inputs))))[0])
    of_line = 0.01 * coverage_factor(CONFIDENCE) * through.departure_percent(grid, viscosities, liquid)
    return value, value * np.hypot(_expanded(inputs, slopes), of_line), MEASURED_BAND


def _on(line: ViscosityTemperatureLine, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the viscosities of each line, first axis, on the grid."""
    each = ViscosityTemperatureLine(
        line.intercept[:, None],
        line.slope[:, None],
        line.lowest_C[:, None],
        line.highest_C[:, None],
        line.residuals_percent,
        line.number_of_points,
    )
    return each.kinematic_viscosity_at(grid, extrapolate=True)


def _expanded(inputs: Sequence[Result], slopes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the relative expanded uncertainty on the grid: each source through all results, then the sum of squares.

    ``slopes`` holds the relative change of the curve for that of each result, a row a result.
    """
    sources: dict[str, NDArray[np.float64]] = {}
    for result, slope in zip(inputs, slopes, strict=True):
        for effect in result.effects:
            part = slope * effect.contribution / result.value
            sources[effect.source.name] = sources.get(effect.source.name, 0.0) + part
    factor = max(result.budget.coverage_factor for result in inputs)
    return np.asarray(factor * np.sqrt(sum(part**2 for part in sources.values())))
