"""The viscosity-temperature line of a run: exact through two temperatures, by weight through three and more."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae import ViscosityTemperatureLine, estimate_viscosity_temperature, fit_viscosity_temperature
from labcalc.judgement.run.results import Result
from labcalc.judgement.uncertainty.effects import by_component

_COMMON = ("reference oil", "adjustment")
"""Components that move all temperatures of a run alike, and so say nothing about the weight of one of them."""


def line_through(inputs: Sequence[Result]) -> Callable[[ArrayLike], ViscosityTemperatureLine]:
    """Return the function from the kinematic viscosities of a run, last axis, to the line through them.

    Three and more count with the weight of their own uncertainty where it is known, else alike.
    """
    temperatures = [r.temperature_C for r in inputs]
    percent = independent_percent(inputs)
    if len(inputs) < 3 or not np.all(percent > 0.0):
        return lambda viscosities: fit_viscosity_temperature(temperatures, viscosities)
    return lambda viscosities: estimate_viscosity_temperature(temperatures, viscosities, percent).line


def independent_percent(inputs: Sequence[Result]) -> NDArray[np.float64]:
    """Return the standard uncertainty of each result that the others don't share, [%]; NaN where unknown."""
    parts = [by_component(r.effects) for r in inputs]
    own = [np.hypot.reduce([u for name, u in one.items() if name not in _COMMON]) for one in parts]
    return np.array([100.0 * u / r.value for u, r in zip(own, inputs, strict=True)])
