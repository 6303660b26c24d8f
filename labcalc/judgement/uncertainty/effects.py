"""Uncertainty of results by its sources: what each does to a result, and through it to what follows.

Results that share a source (a certificate, the cell's temperature, an adjustment) are correlated by it. So sources are
carried through every calculation one by one, and summed only in the end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics import InputQuantity, UncertaintyBudget, uncertainty_budget

COMPONENTS = ("reference oil", "temperature", "repeatability", "resolution", "adjustment")
"""Components of a budget, in the order of a report."""

FROM_CONTROL = ("site precision", "bias of checks")
"""Components that stand for all of these but the first where lab.toml asks for the checks in control."""

STATED = "stated"  # the one component where the laboratory states the uncertainty itself, from a study of its own

MODEL = "line or expansion"
"""Component of what is calculated: no oil follows exactly the line or the expansion that the calculation takes."""

CONFIDENCE = 0.95  # coverage probability: k = 1.96 where degrees of freedom are infinite (JCGM 100:2008, table G.2)
_STEP = 1e-6  # relative step of the central difference (JCGM 100:2008, 5.1.3 note 2)


@dataclass(frozen=True)
class Effect:
    """What one source of uncertainty does to one result.

    Sources of one name are one source, in however many results it appears; its ``source`` says where its size is from.
    """

    component: str  # one of ``COMPONENTS``, ``FROM_CONTROL``, ``STATED`` or ``MODEL``
    source: InputQuantity
    sensitivity: float  # change of the result for one unit of the source, [unit of the result / unit of the source]

    @classmethod
    def of(cls, component: str, name: str, size: float, source: str, sensitivity: float = 1.0, **more: Any) -> Effect:
        """Return what a source of a standard uncertainty does; one of unknown size is NaN with its reason, never zero.

        more : Degrees of freedom, distribution, unit, as ``InputQuantity`` takes them.
        """
        return cls(component, InputQuantity(name, 0.0, size, source=source, **more), sensitivity)

    @property
    def contribution(self) -> float:
        """Part of the result's standard uncertainty, signed, [unit of the result]; NaN where unknown."""
        return self.sensitivity * self.source.standard_uncertainty


@dataclass(frozen=True)
class Uncertain:
    """A quantity, by what each source of uncertainty does to it."""

    effects: tuple[Effect, ...] = field(default=(), kw_only=True)
    """What each source does to the value; empty where there is nothing to carry."""

    @cached_property
    def budget(self) -> UncertaintyBudget:
        """The uncertainty by its sources, first order, with effective degrees of freedom and k (JCGM 100:2008, G.4);
        NaN where one is unknown, and where there is none."""
        if not self.effects:
            return UncertaintyBudget(math.nan, math.nan, math.nan, math.nan)
        degrees = [effect.source.degrees_of_freedom for effect in self.effects]
        return uncertainty_budget([effect.contribution for effect in self.effects], degrees, confidence=CONFIDENCE)

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty (95 %), in the unit of the value; NaN where unknown."""
        return self.budget.expanded_uncertainty


def varied(values: Sequence[float]) -> NDArray[np.float64]:
    """Return the points that tell a function's value and slopes: the values, each a little up, each a little down.

    One row an argument, 2 n + 1 columns: a formula takes them all at once.
    """
    point = np.asarray(values, dtype=float)[:, np.newaxis]
    step = np.diag(_STEP * np.abs(point[:, 0]))
    return np.hstack([point, point + step, point - step])


def carried(outcomes: ArrayLike, values: Sequence[float], effects: Sequence[Sequence[Effect]]) -> tuple[Effect, ...]:
    r"""Carry the sources of several results through a function of them.

    .. math:: \frac{\partial f}{\partial e_j} = \sum_i \frac{\partial f}{\partial x_i} \frac{\partial x_i}{\partial e_j}

    outcomes : The function at the points of ``varied``.
    values : The results, in the function's order; none of them 0.
    effects : The sources of each result.
    Returns : What each source does to the function; one that appears in several results counts once, with its sign.
    """
    number, found = len(values), np.asarray(outcomes, dtype=float)
    differences = found[1 : number + 1] - found[number + 1 :]
    slopes = (differences / (2.0 * _STEP * np.abs(np.asarray(values, dtype=float)))).tolist()
    totals: dict[str, Effect] = {}
    for slope, of_result in zip(slopes, effects, strict=True):
        for effect in of_result:
            name, before = effect.source.name, totals.get(effect.source.name)
            sensitivity = slope * effect.sensitivity + (before.sensitivity if before else 0.0)
            totals[name] = Effect(effect.component, effect.source, sensitivity)
    return tuple(totals.values())


def by_component(effects: Sequence[Effect]) -> Mapping[str, float]:
    """Return the standard uncertainty that each component contributes, [unit of the result]; its sources are added."""
    squares: dict[str, float] = {}
    for effect in effects:
        squares[effect.component] = squares.get(effect.component, 0.0) + effect.contribution**2
    return MappingProxyType({component: math.sqrt(square) for component, square in squares.items()})
