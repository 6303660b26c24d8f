"""The viscosity-temperature line of a run: exact through two temperatures, by weight through three and more."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae import (
    ViscosityTemperatureLine,
    estimate_viscosity_temperature,
    fit_viscosity_temperature,
    line_model_uncertainty,
)
from labcalc.judgement.uncertainty.effects import Effect, by_component

_COMMON = ("reference oil", "adjustment")
"""Components that move all temperatures of a run alike, and so say nothing about the weight of one of them."""


@dataclass(frozen=True, eq=False)
class LineThrough:
    """The function from kinematic viscosities at a run's temperatures, last axis, to the line through them.

    Three and more count with the weight of their own uncertainty where it is known, else alike.
    """

    temperature_C: tuple[float, ...]
    percent: NDArray[np.float64]
    """Standard uncertainty of each viscosity that the others don't share, [%]; NaN where unknown."""
    _fitted: dict[bytes, ViscosityTemperatureLine] = field(default_factory=dict, repr=False)
    """What was asked before: index, grades and temperatures all ask for the same lines."""

    def __call__(self, viscosities: ArrayLike) -> ViscosityTemperatureLine:
        asked = np.ascontiguousarray(viscosities, dtype=float)
        key = repr(asked.shape).encode() + asked.tobytes()
        if key not in self._fitted:
            self._fitted[key] = self._fit(asked)
        return self._fitted[key]

    def departure_percent(
        self, temperature_C: ArrayLike, viscosities: ArrayLike, liquid: str | None
    ) -> NDArray[np.float64]:
        """Return the standard uncertainty of the line because oils of a kind bend away from it, [%]."""
        return line_model_uncertainty(temperature_C, self.temperature_C, viscosities, self._weights, liquid=liquid)

    @property
    def _weights(self) -> NDArray[np.float64] | None:
        return self.percent if len(self.temperature_C) > 2 and np.all(self.percent > 0.0) else None

    def _fit(self, viscosities: NDArray[np.float64]) -> ViscosityTemperatureLine:
        if self._weights is None:
            return fit_viscosity_temperature(self.temperature_C, viscosities)
        return estimate_viscosity_temperature(self.temperature_C, viscosities, self._weights).line


def independent_percent(value: float, effects: Sequence[Effect]) -> float:
    """Return the standard uncertainty of a viscosity that the run's others don't share, [%]; NaN where unknown."""
    own = [u for component, u in by_component(effects).items() if component not in _COMMON]
    return 100.0 * float(np.hypot.reduce(own)) / value
