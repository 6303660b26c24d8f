"""From an observed density to the one at 60 °F: the iteration of API MPMS 11.1-2004, par. 11.1.6.2."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.errors import ConvergenceWarning, OutOfRangeError
from labcalc.formulae._refusals import Array, warn_caller
from labcalc.formulae.volume_corrections import (
    Commodity,
    fahrenheit,
    gauge_psi,
    ipts68_from_its90,
    of_subgroup,
    pressure_factor,
    thermal_factor,
)

_AGREES = 1e-6  # difference from the observed density that ends the iteration, [kg/m³]
_MOST_PASSES = 15
_BLOCK = 32_768  # densities that are worked on together: few enough that they stay in the processor's cache
_BESIDE_JOINT = 1.0  # how near a joint a refined product may stay unsettled, [kg/m³]


def searched_density_60F(
    observed: Array, temperature: Array, pressure: Array, group: Commodity, alpha: Array | None, commodity: str
) -> Array:
    """Return the densities at 60 °F of flat arrays; refuse, or beside a joint warn of, those that don't settle."""
    found = np.empty_like(observed)
    for start in range(0, found.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        t = temperature[block]
        T, on_68, P = fahrenheit(t), fahrenheit(ipts68_from_its90(t)), gauge_psi(pressure[block])
        unsettled = _Unsettled(observed[block], T, on_68, P, group, None if alpha is None else alpha[block])
        found[block] = unsettled.settled(commodity)
    return found


@dataclass(frozen=True)
class _Unsettled:
    """Observed densities whose density at 60 °F is looked for, with all that stays the same from pass to pass."""

    observed: Array
    T: Array  # temperature as read, [°F]
    t: Array  # the same on IPTS-68, [°F]
    P: Array  # gauge pressure, [psi]
    group: Commodity
    alpha: Array | None

    def settled(self, commodity: str) -> Array:
        """Return the densities at 60 °F; NaN where an input is NaN."""
        known = ~(np.isnan(self.observed) | np.isnan(self.T) | np.isnan(self.P))
        if self.alpha is not None:
            known &= ~np.isnan(self.alpha)
        found = np.full(self.observed.shape, np.nan)
        places, rest = np.flatnonzero(known), self if known.all() else self._only(known)
        unclamped = rest.observed
        for _ in range(_MOST_PASSES):
            estimate = rest._clamped(unclamped)
            with np.errstate(all="ignore"):  # a density that never settles is refused below
                factor, slope = rest._factor_and_slope(estimate)
                moving = ~(np.abs(rest.observed - estimate * factor) < _AGREES)
                unclamped = estimate + (rest.observed / factor - estimate) / slope
            if not moving.all():
                found[places[~moving]] = estimate[~moving]
                places, unclamped, rest = places[moving], unclamped[moving], rest._only(moving)
            if not places.size:
                return found
        found[places] = rest._clamped(unclamped)
        rest._judge(found[places], unclamped, commodity)
        return found

    def _factor_and_slope(self, density_60F: Array) -> tuple[Array, Array]:
        """Return CTPL, and 1 + Dt + Dp by which the step to the next estimate is divided."""
        shifted, alpha, CTPL = thermal_factor(density_60F, self.t, self.group, self.alpha)
        slope = np.ones_like(density_60F)
        if self.alpha is None:
            D_alpha = of_subgroup(self.group.D_alpha, density_60F, self.group)
            step = alpha * (self.T - 60.0)
            slope += D_alpha * step * (1.0 + 1.6 * step)
        if self.P.any() or self.alpha is not None:  # else CPL is 1 and Dp is 0, whatever Fp
            Fp, CPL = pressure_factor(shifted, self.t, self.P)
            slope += -2.0 * CPL * self.P * Fp * (7.93920 + 0.02326 * self.T) / density_60F**2
            CTPL = CTPL * CPL
        return CTPL, slope

    def _clamped(self, density_60F: Array) -> Array:
        if self.alpha is not None:
            return density_60F
        return np.clip(density_60F, self.group.lowest, self.group.highest)

    def _only(self, index: NDArray[np.bool_]) -> _Unsettled:
        alpha = None if self.alpha is None else self.alpha[index]
        return _Unsettled(self.observed[index], self.T[index], self.t[index], self.P[index], self.group, alpha)

    def _judge(self, estimate: Array, unclamped: Array, commodity: str) -> None:
        """Refuse what did not settle; beside a joint of the refined products warn instead."""
        distance = np.abs(estimate[:, None] - np.array(self.group.joints[:2]))
        lost = ~(distance <= _BESIDE_JOINT).any(axis=1) | (self.alpha is not None)
        if lost.any():
            self._refuse(float(self.observed[lost][0]), float(unclamped[lost][0]), commodity)
        kept = f"{float(estimate[0]):.10g} kg/m³ is kept"
        told = f"the density at 60 °F of a {commodity} did not settle beside a joint of its sub-groups; {kept}"
        warn_caller(told, ConvergenceWarning)

    def _refuse(self, observed: float, density_60F: float, commodity: str) -> None:
        reason = "the observed density leads out of the tables of API MPMS 11.1"
        if self.alpha is not None:
            told = "none that an oil of this expansion can have at this temperature and pressure"
            raise OutOfRangeError("density", observed, "kg/m³", told=told, reason=reason)
        lowest, highest = self.group.lowest, self.group.highest
        reason += f" for a {commodity}: {observed:.10g} kg/m³ was observed"
        raise OutOfRangeError("density at 60 °F", density_60F, "kg/m³", lowest=lowest, highest=highest, reason=reason)
