"""The causes that a strange result is looked at for, as ``data/causes.toml`` tells each, and the form of their curves.

Odds and sizes are labcalc's own choice; a laboratory that knows better gives ``rank_causes`` its own odds.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from labcalc.formulae.curves.walther import double_log_argument, solved_viscosity
from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS, SPITS

_CAUTIONS = {"solvents": f"{SOLVENTS} {PRESSED_AIR}", "hot": HOT, "spits": SPITS, "": ""}


@dataclass(frozen=True)
class Cause:
    """One cause: its stable key, how often a run has it, its size where it has one, its words and its repair."""

    key: str
    title: str
    odds: float  # share of runs that have it before anything was measured, [-]
    repair: str  # what confirms and repairs it; how to fill and clean is told by ``FILLING_AND_CLEANING``
    sentence: str = "{title}{place}: {its.shift}."  # filled in by ``words.opening_of``
    median: float = 0.0  # of its log-normal size, in kelvin or as a fraction; 0 where it has no size
    factor: float = 1.0  # one standard deviation of the size up or down, as a factor
    unit: str = ""  # what people tell the size in
    shown: float = 1.0  # what turns a size into ``unit``
    caution: str = ""


_TOLD = tomllib.loads(files("labcalc.data").joinpath("causes.toml").read_text("utf-8"))

CAUSES: Mapping[str, Cause] = MappingProxyType(
    {key: Cause(key, **one | {"caution": _CAUTIONS[one.get("caution", "")]}) for key, one in _TOLD.items()}
)
"""Every cause by its key."""

PRIOR_ODDS: Mapping[str, float] = MappingProxyType({key: one.odds for key, one in CAUSES.items()})
"""Share of runs that have each cause, [-], together 1: our own choice."""

SURE = 0.95  # probability of the leading cause above which its repair is told instead of what tells it apart, [-]

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
    return np.asarray(CAUSES[cause].median * CAUSES[cause].factor ** DEVIATIONS)


def ordinate_of(log_viscosity: Array) -> Array:
    """Return the ordinate of the viscosity-temperature chart of ln ν."""
    return np.asarray(np.log10(np.log10(double_log_argument(np.exp(log_viscosity)))))


def log_viscosity_of(ordinate: Array) -> Array:
    """Return ln ν of an ordinate; beyond the chart, at its end."""
    return np.asarray(np.log(solved_viscosity(np.clip(ordinate, _LOWEST_ORDINATE, _HIGHEST_ORDINATE))))
