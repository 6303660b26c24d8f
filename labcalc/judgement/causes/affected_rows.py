"""Where a cause can sit: which rows of a run, and of what may be measured next, it would show in, and how much."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.evidence import Evidence
from labcalc.wording import celsius

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BOILS_FROM_C = 80.0  # hottest temperature of a run from which light liquids leave the cell, [°C]: labcalc's own choice

_SAME_K = 0.1


def at_cell(layout: Evidence) -> Mask:
    """Where the run's own fills were measured: what stays in the cell shows there, and not in a clean one."""
    return np.array([row.kind in ("run", "same fill again", "original record") for row in layout.rows])


def in_bottle(layout: Evidence) -> Mask:
    """Where this bottle was measured: what is wrong with the sample shows there."""
    return np.array([not row.oil and row.kind != "retained sample" for row in layout.rows])


def near(layout: Evidence, temperature_C: float) -> Mask:
    """Where a temperature was measured at."""
    return np.asarray(np.abs(layout.temperature_C - temperature_C) <= _SAME_K)


def run_temperatures(layout: Evidence) -> list[float]:
    """Return the temperatures of the run itself, from cold to hot, [°C]."""
    return sorted({round(row.temperature_C, 1) for row in layout.rows if row.kind in ("run", "original record")})


def run_fills(layout: Evidence) -> list[int]:
    """Return the numbers of the run's own fills."""
    return sorted({row.replicate for row in layout.rows if row.kind in ("run", "original record")})


def fading(layout: Evidence, left: tuple[float, ...]) -> list[tuple[str, Array]]:
    """Return how much each row has of what fades from fill to fill, for each share left of it in the next fill, [-]."""
    fills = run_fills(layout)
    if len(fills) == 1 and (layout.replicate == fills[0]).all():
        return [("", np.ones(len(layout.rows)))]
    words = {1.0: "in every fill", 0.0: "in the first fill"}
    return [
        (
            words.get(share, "falling from fill to fill") if len(fills) > 1 else "",
            np.where(layout.replicate == fills[0], 1.0, share ** np.maximum(layout.replicate - fills[0], 1)),
        )
        for share in left
    ]


def bubble_places(layout: Evidence) -> list[tuple[str, Mask, float]]:
    """One fill at one temperature or at all, or every fill, at the hottest or at all, where it is as unequal as [-]."""
    temperatures, fills, here = run_temperatures(layout), run_fills(layout), at_cell(layout)
    places: list[tuple[str, Mask, float]] = []
    for fill in fills:
        name = f"in fill {fill}, " if len(fills) > 1 else ""
        this = here & (layout.replicate == fill)
        places += [(f"{name}at {celsius(T)}", this & near(layout, T), 0.0) for T in temperatures]
        if len(temperatures) > 1:
            places.append((f"{name}at every temperature", this, _UNEQUAL_AIR))
    if len(fills) > 1:
        places.append(("in every fill", here, _UNEQUAL_AIR))
        if len(temperatures) > 1:
            places.append(
                (f"in every fill at {celsius(temperatures[-1])}", here & near(layout, temperatures[-1]), _UNEQUAL_AIR)
            )
    return places


_UNEQUAL_AIR = 0.5
"""How much air differs from fill to fill and from temperature to temperature, as a share of it: our own choice."""


def left_when_hot(layout: Evidence, shares: tuple[float, ...]) -> list[Array]:
    """How much of what boils off is left in each row, for each share left at the hottest temperature, [-]."""
    temperatures = run_temperatures(layout)
    cold, hot = temperatures[0], temperatures[-1]
    if hot < _BOILS_FROM_C or hot == cold:
        return [np.ones(len(layout.rows))]
    risen = np.clip((layout.temperature_C - cold) / (hot - cold), 0.0, 1.0)
    return [1.0 - (1.0 - share) * risen for share in shares]
