"""What was measured, level by level, and the series that shows what would be seen if: the one that sliders move."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from labcalc.figures.run.viscosity import place_on_chart
from labcalc.figures.theme import INK, marker, stroke

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, WhatIf

WHAT_IF = "what if"  # name of the series that the sliders move
_ROOM = 1.3
_LEAST_REACH = 3.5  # least half of the axis of deviations, [standard deviations]
_QUANTITIES = ("kinematic viscosity", "density")


class Level(NamedTuple):
    """One level of the deviations: what was measured, of what, at which temperature [°C]."""

    reference: bool
    dense: bool
    temperature_C: float

    @property
    def quantity(self) -> str:
        return "density" if self.dense else "kinematic viscosity"

    @property
    def words(self) -> str:
        word = "Density" if self.dense else "Viscosity"
        return f"Reference oil: {word.lower()}" if self.reference else word


def level_of(evidence: Evidence, row: int) -> Level:
    temperature = round(float(evidence.temperature_C[row]), 1)
    return Level(evidence.kind[row] == "reference oil", evidence.quantity[row] == "density", temperature)


def levels_of(evidence: Evidence) -> list[Level]:
    """Return what was measured: of the sample before of a reference oil, viscosity before density, cold before hot."""
    return sorted({level_of(evidence, i) for i in range(len(evidence.quantity))})


def levels_of_sample(evidence: Evidence, quantity: str) -> list[Level]:
    return [key for key in levels_of(evidence) if key.quantity == quantity and not key.reference]


def mean_over(evidence: Evidence, key: Level, values: NDArray[np.float64]) -> float:
    return float(np.mean([values[i] for i in range(len(evidence.quantity)) if level_of(evidence, i) == key]))


def heights(keys: Sequence[Level]) -> list[float]:
    return [float(len(keys) - 1 - i) for i in range(len(keys))]


def what_if_look(panel: str) -> dict[str, Any]:
    mode = "markers" if panel == "deviations" else "lines+markers"
    return {
        "mode": mode,
        "name": WHAT_IF,
        "meta": panel,
        "line": stroke(INK, "dot", 1.2),
        "marker": marker("diamond", INK, 11, filled=False),
        "hovertemplate": f"{WHAT_IF}: %{{y}}<extra></extra>" if panel == "density" else f"{WHAT_IF}<extra></extra>",
    }


def what_if_places(evidence: Evidence, what: WhatIf) -> dict[str, dict[str, Any]]:
    """Return x and y of the ``what if`` series of each panel; what is beyond the axis of deviations lies at its end."""
    keys = levels_of(evidence)
    places: dict[str, dict[str, Any]] = {}
    for quantity in _QUANTITIES:
        rows = levels_of_sample(evidence, quantity)
        values = [mean_over(evidence, key, what.predicted) for key in rows]
        places[quantity] = placed(quantity, np.array([key.temperature_C for key in rows]), values)
    end = reach_of(evidence)
    shifted = np.clip(evidence.residual_sd - what.residual_sd, -end, end)
    places["deviations"] = {"x": [mean_over(evidence, key, shifted) for key in keys], "y": heights(keys)}
    return places


def reach_of(evidence: Evidence) -> float:
    """Return half of the axis of deviations, [standard deviations]: it holds the run and the spread of the product."""
    return _ROOM * max(_LEAST_REACH, float(np.nanmax(np.abs(evidence.residual_sd))))


def placed(quantity: str, temperature_C: NDArray[np.float64], values: Any) -> dict[str, Any]:
    if quantity == "kinematic viscosity":
        return dict(place_on_chart(temperature_C, values))
    return {"x": temperature_C, "y": np.asarray(values, dtype=float)}
