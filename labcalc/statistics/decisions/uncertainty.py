"""Uncertainty budget: what contributions come to together, effective degrees of freedom, expanded uncertainty (GUM)."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labcalc.statistics.coverage import coverage_factor, effective_degrees_of_freedom
from labcalc.statistics.series import Array

Distribution: TypeAlias = Literal["normal", "rectangular", "triangular", "arcsine"] | Callable[[Generator, int], Array]
"""A shape by name, or a function of a generator and a number that draws from a shape of mean 0 and deviation 1."""

_HALF_WIDTHS = {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}


@dataclass(frozen=True)
class InputQuantity:
    """One input of a measurement's model: estimate, standard uncertainty, and where they come from.

    The distribution is for a simulation; the budget is first order. A normal input with a finite number of degrees of
    freedom is drawn from Student's distribution (JCGM 101:2008, 6.4.9).
    """

    name: str
    value: float
    standard_uncertainty: float
    unit: str = ""
    degrees_of_freedom: float = math.inf
    distribution: Distribution = "normal"
    source: str = ""


@dataclass(frozen=True)
class UncertaintyBudget:
    """What contributions come to together, in the unit of the output; k is ``coverage_factor``."""

    standard_uncertainty: float
    effective_degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float


def uncertainty_budget(
    contributions: ArrayLike, degrees_of_freedom: ArrayLike, *, confidence: float = 0.95
) -> UncertaintyBudget:
    """Combine independent contributions to an output's uncertainty, [unit of the output].

    contributions : Sensitivity × standard uncertainty of each, [unit of the output], of either sign; NaN where unknown.
    degrees_of_freedom : Degrees of freedom of each, [-], infinite where the uncertainty is taken as known.
    confidence : Coverage probability of the expanded uncertainty, [-], above 0 and below 1.
    Source : JCGM 100:2008, equations 10, 11a and G.2b, clause G.4.
    """
    combined = float(np.sqrt(np.sum(np.asarray(contributions, dtype=float) ** 2)))
    degrees = effective_degrees_of_freedom(contributions, degrees_of_freedom)
    factor = coverage_factor(confidence, degrees)
    return UncertaintyBudget(combined, degrees, factor, factor * combined)


def standard_from_half_width(half_width: float, distribution: Literal["rectangular", "triangular", "arcsine"]) -> float:
    """Return the standard uncertainty, [unit of the quantity], of what is known to lie within limits.

    half_width : Half of the distance between the limits, [unit of the quantity]; half a step for a resolution.
    distribution : What is known of it between them, [-]; arcsine for a quantity that swings, such as a bath's
        temperature.
    Source : JCGM 100:2008, equations 7 and 9b; JCGM 101:2008, table 1.
    """
    if distribution not in _HALF_WIDTHS:
        raise ValueError(f"distribution {distribution!r}: one of {', '.join(_HALF_WIDTHS)} was expected")
    return half_width / _HALF_WIDTHS[distribution]
