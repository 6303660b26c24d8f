"""From an observed density to the one at 60 °F: the iteration of API MPMS 11.1-2004, par. 11.1.6.2."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.errors import ConvergenceWarning, OutOfRangeError
from labcalc.formulae.volume_correction import (
    Commodity,
    VolumeCorrection,
    corrected,
    fahrenheit,
    gauge_psi,
    of_subgroup,
)

__all__ = ["DensitySearch"]

_AGREES = 1e-6
"""Difference from the observed density that ends the iteration, [kg/m³]."""
_MOST_PASSES = 15
_BLOCK = 32_768
"""Densities that are worked on together: few enough that they stay in the processor's cache."""
_BESIDE_JOINT = 1.0
"""How near a joint a refined product may stay unsettled, [kg/m³]."""


@dataclass(frozen=True)
class DensitySearch:
    """The iteration for the density at 60 °F over flat arrays: par. 11.1.6.2."""

    observed: NDArray[np.float64]
    temperature: NDArray[np.float64]
    pressure: NDArray[np.float64]
    group: Commodity
    alpha: NDArray[np.float64] | None

    def density_60F(self, commodity: str) -> NDArray[np.float64]:
        """Return the densities at 60 °F; refuse, or beside a joint warn of, those that don't settle."""
        found = np.empty_like(self.observed)
        for start in range(0, found.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            found[block] = self._only(block)._settled(commodity)
        return found

    def _settled(self, commodity: str) -> NDArray[np.float64]:
        unknown = np.isnan(self.observed) | np.isnan(self.temperature) | np.isnan(self.pressure)
        if self.alpha is not None:
            unknown = unknown | np.isnan(self.alpha)
        estimate = np.where(unknown, np.nan, self._clamped(self.observed))
        unclamped, active = estimate.copy(), np.flatnonzero(~unknown)
        for _ in range(_MOST_PASSES):
            part = self._only(active)
            with np.errstate(over="ignore", invalid="ignore"):  # such a density never settles, and is refused below
                correction = corrected(estimate[active], part.temperature, part.pressure, self.group, part.alpha)
            moving = ~(np.abs(part.observed - estimate[active] * correction.factor) < _AGREES)
            following = part._next(estimate[active], correction)[moving]
            active = active[moving]
            unclamped[active], estimate[active] = following, self._clamped(following)
            if not active.size:
                return estimate
        self._only(active)._judge(estimate[active], unclamped[active], commodity)
        return estimate

    def _next(self, density_60F: NDArray[np.float64], correction: VolumeCorrection) -> NDArray[np.float64]:
        T, P = fahrenheit(self.temperature), gauge_psi(self.pressure)
        E = self.observed / correction.factor - density_60F
        Dt = np.zeros_like(E)
        if self.alpha is None:
            D_alpha = of_subgroup(self.group.D_alpha, density_60F, self.group)
            step = correction.alpha_60 * (T - 60.0)
            Dt = D_alpha * step * (1.0 + 1.6 * step)
        Dp = (
            -2.0
            * correction.pressure_factor
            * P
            * correction.compressibility
            * (7.93920 + 0.02326 * T)
            / density_60F**2
        )
        return density_60F + E / (1.0 + Dt + Dp)

    def _clamped(self, density_60F: NDArray[np.float64]) -> NDArray[np.float64]:
        if self.alpha is not None:
            return density_60F
        return np.clip(density_60F, self.group.lowest, self.group.highest)

    def _only(self, index: NDArray[np.intp] | slice) -> DensitySearch:
        alpha = None if self.alpha is None else self.alpha[index]
        return DensitySearch(self.observed[index], self.temperature[index], self.pressure[index], self.group, alpha)

    def _judge(self, estimate: NDArray[np.float64], unclamped: NDArray[np.float64], commodity: str) -> None:
        """Refuse what did not settle; beside a joint of the refined products warn instead."""
        distance = np.abs(estimate[:, None] - np.array(self.group.joints[:2]))
        lost = ~(distance <= _BESIDE_JOINT).any(axis=1) | (self.alpha is not None)
        if lost.any():
            self._refuse(float(self.observed[lost][0]), float(unclamped[lost][0]), commodity)
        warnings.warn(
            f"the density at 60 °F of a {commodity} did not settle beside a joint of its sub-groups; "
            f"{float(estimate[0]):.10g} kg/m³ is kept",
            ConvergenceWarning,
            stacklevel=5,
        )

    def _refuse(self, observed: float, density_60F: float, commodity: str) -> None:
        reason = "the observed density leads out of the tables of API MPMS 11.1"
        if self.alpha is not None:
            raise OutOfRangeError("density", observed, "kg/m³", lowest=0.0, reason=reason)
        lowest, highest = self.group.lowest, self.group.highest
        reason += f" for a {commodity}: {observed:.10g} kg/m³ was observed"
        raise OutOfRangeError("density at 60 °F", density_60F, "kg/m³", lowest=lowest, highest=highest, reason=reason)
