"""The physics of the causes with a size: the cell's temperature and air; what gets into the oil is in ``mixtures``."""

from __future__ import annotations

from collections.abc import Callable, Container

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.affected_rows import bubble_places, near, run_temperatures
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.liquids import OIL_DENSITY_SLOPE
from labcalc.judgement.causes.mixtures import dilution, residue, solvent, water
from labcalc.judgement.causes.paths import Paths, Stack, log_viscosity_of, ordinate_of, sizes_of
from labcalc.judgement.uncertainty.sources import DEFAULT_LINE_SLOPE

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_OFF_EVERYWHERE = 0.3
"""Share of temperature faults that are the same at every temperature, [-]: labcalc's own choice."""

_SURELY_COUPLED = 0.7
"""How likely ν was computed from η and ρ of one cell where the export doesn't tell, [-]: labcalc's own choice."""


def paths_of(stack: Stack, causes: Container[str]) -> tuple[Paths, ...]:
    """Return the curves of those of the causes that have a size and can be."""
    made = (make(stack) for cause, make in _MAKERS.items() if cause in causes)
    return tuple(found for found in made if found is not None)


# --- The cell's temperature ---


def _temperature(stack: Stack) -> Paths:
    offsets, layout = sizes_of("cell temperature"), stack.layout
    sizes = np.stack([offsets, -offsets])
    whole = warmed(stack, sizes.ravel()).reshape(len(stack.mean), 2, offsets.size, -1)
    here, temperatures = layout.same_instrument, run_temperatures(layout)
    places = [(f"at {T:g} °C", here & near(layout, T)) for T in temperatures]
    shares = [1.0 / len(places)] * len(places)
    if len(places) > 1:
        shares = [(1.0 - _OFF_EVERYWHERE) * share for share in shares] + [_OFF_EVERYWHERE]
        places.append(("at every temperature", here))
    return Paths(
        "cell temperature",
        tuple(where for where, _ in places for _ in range(2)),
        np.repeat(shares, 2) / 2.0,
        np.tile(sizes, (len(places), 1)),
        np.concatenate([whole * mask for _, mask in places], axis=1),
    )


def warmed(stack: Stack, offsets_K: Array) -> Array:
    """Return what offsets of the cell's temperature do to each row: run by offset by row."""
    layout, viscous = stack.layout, stack.viscous
    T = layout.temperature_C + 273.15
    change = _density_slopes(stack)[:, np.newaxis, :] * offsets_K[:, np.newaxis]
    if viscous.any():
        own = ordinate_of(stack.mean[:, viscous])[:, np.newaxis, :]
        turned = np.log10(1.0 + offsets_K[:, np.newaxis] / T[viscous])
        slope = _line_slopes(stack)[:, np.newaxis, viscous]
        change[..., viscous] = log_viscosity_of(own - slope * turned) - stack.mean[:, np.newaxis, viscous]
    return change


def _density_slopes(stack: Stack) -> Array:
    """Return the change of the density with temperature [kg/m³/K], run by row; 0 where viscosity stands."""
    slope = _through_ends(stack, ~stack.viscous, stack.layout.temperature_C, OIL_DENSITY_SLOPE, np.asarray)
    return np.where(stack.viscous, 0.0, slope)


def _line_slopes(stack: Stack) -> Array:
    """Return B of each row's viscosity-temperature line, run by row."""
    lines = np.log10(stack.layout.temperature_C + 273.15)
    return -_through_ends(stack, stack.viscous, lines, -DEFAULT_LINE_SLOPE, ordinate_of)


def _through_ends(stack: Stack, these: Mask, x: Array, default: float, ordinate: Callable[[Array], Array]) -> Array:
    """Return slopes by the coldest and the hottest expected value of each liquid, run by row.

    With one temperature alone the slope is an oil's.
    """
    slope = np.full(stack.mean.shape, default)
    names = np.array([row.oil for row in stack.layout.rows])
    for name in np.unique(names[these]):
        here = these & (names == name)
        places = np.flatnonzero(here)
        cold, hot = places[x[places].argmin()], places[x[places].argmax()]
        if x[hot] > x[cold]:
            rise = ordinate(stack.mean[:, hot]) - ordinate(stack.mean[:, cold])
            slope[:, here] = (rise / (x[hot] - x[cold]))[:, np.newaxis]
    return slope


# --- Air ---


def _bubble(stack: Stack) -> Paths:
    fractions, places, couplings = sizes_of("air bubble"), bubble_places(stack.layout), _couplings(stack.layout)
    shares = np.stack([mask for _, mask in places])[:, np.newaxis, :] * fractions[:, np.newaxis]
    effects = np.concatenate([aired(stack, shares, coupled) for coupled in couplings], axis=1)
    weights = np.repeat(list(couplings.values()), len(places)) / len(places)
    where = tuple(where for where, _ in places) * len(couplings)
    return Paths("air bubble", where, weights, np.tile(fractions, (len(where), 1)), effects)


def aired(stack: Stack, fraction: Array, coupled: bool) -> Array:
    """Return what a share of air in each row does: run by path by node by row."""
    viscosity = -np.log1p(-fraction) if coupled else np.zeros_like(fraction)
    return np.where(stack.viscous, viscosity, -fraction * stack.mean[:, np.newaxis, np.newaxis, :])


def _couplings(layout: Evidence) -> dict[bool, float]:
    """Return how likely it is that ν moves with ρ, and that it doesn't."""
    if layout.coupled is None:
        return {True: _SURELY_COUPLED, False: 1.0 - _SURELY_COUPLED}
    return {layout.coupled: 1.0}


_MAKERS: dict[str, Callable[[Stack], Paths | None]] = {
    "cell temperature": _temperature,
    "air bubble": _bubble,
    "residue": residue,
    "solvent": solvent,
    "dilution": dilution,
    "water": water,
}
