"""Runs of one layout as a stack, and the paths that a cause takes through their rows as its size grows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.walther import double_log_argument, solved_viscosity
from labcalc.judgement.causes.catalogue import CAUSES
from labcalc.judgement.causes.evidence import Evidence

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

PIECES = 20
DEVIATIONS = np.linspace(-3.0, 3.0, PIECES + 1)
"""Nodes of a path in standard deviations of its log-normal size."""

_LOWEST_ORDINATE, _HIGHEST_ORDINATE = -1.57, 0.86
"""The chart's ends: 0.21 and 2e7 mm²/s."""


@dataclass(frozen=True, eq=False)
class Stack:
    """Runs of one layout: their rows differ in numbers only, and all or none of them have a run before."""

    layout: Evidence
    """Any of them."""
    mean: Array
    """What was expected, ln ν and ρ, run by row."""
    before: Sequence[Evidence]
    """The runs, for what was before each; empty where nothing was."""

    @classmethod
    def of(cls, runs: Sequence[Evidence]) -> Stack:
        """Return runs of one layout as a stack."""
        return cls(runs[0], np.stack([one.mean for one in runs]), runs if runs[0].before is not None else ())

    @property
    def viscous(self) -> Mask:
        """Where the quantity is kinematic viscosity."""
        return self.layout.viscous


@dataclass(frozen=True, eq=False)
class Paths:
    """The curves of one cause through the rows of one run or of many."""

    cause: str
    where: tuple[str, ...]
    """Where it sits or what it is, in words, one a path."""
    weights: Array
    """Share of each path, together 1."""
    sizes: Array
    """Signed size at each node, path by node."""
    effects: Array
    """What it does to ln ν and ρ [kg/m³]: (run by) path by node by row."""

    def of_run(self, number: int) -> Paths:
        """Return the paths of one run of many."""
        return Paths(self.cause, self.where, self.weights, self.sizes, self.effects[number])


def sizes_of(cause: str) -> Array:
    """Return the sizes at the nodes of a path, in the unit that the physics computes with."""
    scale = CAUSES[cause].scale
    assert scale is not None
    return np.asarray(scale.median * scale.factor**DEVIATIONS)


def ordinate_of(log_viscosity: Array) -> Array:
    """Return the ordinate of the viscosity-temperature chart of ln ν."""
    return np.asarray(np.log10(np.log10(double_log_argument(np.exp(log_viscosity)))))


def log_viscosity_of(ordinate: Array) -> Array:
    """Return ln ν of an ordinate; beyond the chart, at its end."""
    return np.asarray(np.log(solved_viscosity(np.clip(ordinate, _LOWEST_ORDINATE, _HIGHEST_ORDINATE))))
