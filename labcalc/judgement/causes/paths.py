"""The paths that a cause takes through the rows of a run as its size grows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.walther import double_log_argument, solved_viscosity
from labcalc.judgement.causes.catalogue import CAUSES

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

DEVIATIONS = np.linspace(-3.0, 3.0, 13)  # nodes of a path in standard deviations of its log-normal size
_LOWEST_ORDINATE, _HIGHEST_ORDINATE = -1.57, 0.86  # the chart's ends: 0.21 and 2e7 mm²/s


@dataclass(frozen=True, eq=False)
class Paths:
    """The curves of one cause through the rows of a run."""

    cause: str
    where: tuple[str, ...]  # where it sits or what it is, in words, one a path
    weights: Array  # share of each path, together 1
    sizes: Array  # signed size at each node, path by node
    effects: Array  # what it does to ln ν and ρ [kg/m³]: path by node by row
    unequal: tuple[float, ...] = ()
    """How unequal its size is from fill to fill and from temperature to temperature, as a share, one a path."""
    axes: tuple[tuple[int, bool], ...] = ()
    """The paths as a grid, its last axis the quickest: lengths, and whether what lies between two is possible."""
    told: Array | None = None  # ln of how much likelier each node is by what else is known of the day, path by node


TAIL = 20.0  # degrees of freedom of all deviations together; a single row far off is left to 'something else'


def tail_log(z: Array | float) -> Array:
    """Return how much less likely z standard deviations are than none, as -ln, with the tails of Student's t."""
    return np.asarray((TAIL + 1.0) / 2.0 * np.log1p(np.square(z) / TAIL))


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
