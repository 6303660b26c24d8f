"""Curves through the results of a run: viscosity and density against temperature, each with its band."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae import fit_viscosity_temperature
from labcalc.judgement.results import Result

__all__ = ["Curve", "density_curve", "viscosity_curve"]

_MARGIN_K = 20.0
"""How far a curve reaches beyond the measured temperatures, [K]."""

_POINTS = 31

_STEP = 1e-6


@dataclass(frozen=True)
class Curve:
    """A quantity on a grid of temperatures, beside the determinations that it was drawn from."""

    measured_C: NDArray[np.float64]
    measured: NDArray[np.float64]
    """Single determinations, not means."""
    temperature_C: NDArray[np.float64]
    """Grid; empty where there is no curve, only points."""
    value: NDArray[np.float64]
    half_width: NDArray[np.float64]
    """Expanded uncertainty (k = 2) of the curve in the unit of the value; NaN where unknown."""

    @property
    def interval_C(self) -> tuple[float, float]:
        """Lowest and highest measured temperature; beyond them the curve is an extrapolation."""
        return float(self.measured_C.min()), float(self.measured_C.max())


def viscosity_curve(results: Sequence[Result], reach_C: Sequence[float] = ()) -> Curve | None:
    """Return the viscosity-temperature line of a run on a grid, or None without a kinematic viscosity.

    Parameters
    ----------
    results : sequence of Result
        Results of the run.
    reach_C : sequence of float, optional
        Temperatures that the grid has to reach, [°C].

    Returns
    -------
    Curve or None
        Kinematic viscosity, [mm²/s]; the band takes the inputs as uncorrelated.
    """
    inputs = [r for r in results if r.quantity == "kinematic viscosity"]
    if not inputs:
        return None
    grid = _grid(inputs, reach_C) if len(inputs) > 1 else np.empty(0)
    value = half_width = grid
    if grid.size:
        try:
            value, half_width = _line_with_band(inputs, grid)
        except OutOfRangeError:
            grid = value = half_width = np.empty(0)
    return Curve(*_points(inputs), grid, value, half_width)


def density_curve(results: Sequence[Result], commodity: str) -> Curve | None:
    """Return the density that the standard's table gives from the coldest measured one, or None without a density.

    Parameters
    ----------
    results : sequence of Result
        Results of the run.
    commodity : str
        Commodity group.

    Returns
    -------
    Curve or None
        Density, [kg/m³].
    """
    inputs = [r for r in results if r.quantity == "density"]
    if not inputs:
        return None
    grid, first = _grid(inputs, (15.0,)), inputs[0]
    try:
        value = np.asarray(formulae.density_at(first.value, first.temperature_C, grid, commodity=commodity))
    except OutOfRangeError:
        grid = value = np.empty(0)
    half_width = value / first.value * first.expanded_uncertainty
    return Curve(*_points(inputs), grid, value, half_width)


def _grid(inputs: Sequence[Result], reach_C: Sequence[float]) -> NDArray[np.float64]:
    wanted = [r.temperature_C for r in inputs] + list(reach_C)
    return np.linspace(min(wanted) - _MARGIN_K, max(wanted) + _MARGIN_K, _POINTS)


def _points(inputs: Sequence[Result]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    pairs = np.array([(r.temperature_C, one) for r in inputs for one in r.repeats], dtype=float)
    return pairs[:, 0], pairs[:, 1]


def _line_with_band(
    inputs: Sequence[Result], grid: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    temperatures = np.array([r.temperature_C for r in inputs])
    logarithms = np.log([r.value for r in inputs])
    relative = np.array([r.expanded_uncertainty / r.value for r in inputs])

    def log_viscosity(logs: NDArray[np.float64]) -> NDArray[np.float64]:
        line = fit_viscosity_temperature(temperatures, np.exp(logs))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            return np.log(line.kinematic_viscosity_at(grid, extrapolate=True))

    steps = _STEP * np.eye(len(inputs))
    sensitivities = np.array(
        [(log_viscosity(logarithms + s) - log_viscosity(logarithms - s)) / (2 * _STEP) for s in steps]
    )
    value = np.exp(log_viscosity(logarithms))
    return value, value * np.sqrt(np.sum((sensitivities * relative[:, None]) ** 2, axis=0))
