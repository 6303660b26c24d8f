"""Uncertainty budget: every component with its share, effective degrees of freedom, expanded uncertainty (GUM)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeAlias

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.coverage import coverage_factor, effective_degrees_of_freedom
from labcalc.statistics.decisions.propagation import propagated_uncertainty, sensitivities
from labcalc.statistics.series import Array

Distribution: TypeAlias = Literal["normal", "rectangular", "triangular", "arcsine"] | Callable[[Generator, int], Array]
"""A shape by name, or a function of a generator and a number that draws from a shape of mean 0 and deviation 1."""

_HALF_WIDTHS: Mapping[str, float] = MappingProxyType(
    {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}
)


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
class BudgetComponent:
    """One line of a budget; ``contribution`` is sensitivity × standard uncertainty, signed, in the output's unit.

    ``share`` is the part of the output's variance; the shares add up to 1. With correlated inputs a component has its
    own term and half of each common one, so that a share can be negative.
    """

    component: str
    value: float
    standard_uncertainty: float
    unit: str
    sensitivity: float
    contribution: float
    share: float
    degrees_of_freedom: float
    source: str


@dataclass(frozen=True)
class UncertaintyBudget:
    """The output with its uncertainty, and the components that make it up in the order of the inputs."""

    quantity: str
    unit: str
    value: float
    standard_uncertainty: float
    effective_degrees_of_freedom: float
    confidence: float
    coverage_factor: float
    expanded_uncertainty: float
    components: tuple[BudgetComponent, ...]

    @property
    def interval(self) -> tuple[float, float]:
        """Coverage interval, value ± expanded uncertainty."""
        return self.value - self.expanded_uncertainty, self.value + self.expanded_uncertainty


def uncertainty_budget(
    function: Callable[..., float],
    inputs: Sequence[InputQuantity],
    *,
    quantity: str,
    unit: str,
    correlation: ArrayLike | None = None,
    confidence: float = 0.95,
) -> UncertaintyBudget:
    """Evaluate a model of a measurement, [unit of the output], with its first-order uncertainty by components.

    function : Model of the measurement, inputs in the order of ``inputs``, [any unit].
    inputs : Estimates with standard uncertainties, [unit of each input].
    quantity : What the output is.
    unit : The output's unit.
    correlation : Correlation coefficients of the inputs, [-], n × n, symmetric; none: uncorrelated.
    confidence : Coverage probability of the expanded uncertainty, [-], above 0 and below 1.
    Raises ValueError : The matrix is not one of correlations, or the confidence is not between 0 and 1.
    Source : JCGM 100:2008, equations 10, 16 and G.2b, clause G.4.

    >>> inputs = [InputQuantity("mass", 10.0, 0.03, "g"), InputQuantity("volume", 5.0, 0.02, "cm³")]
    >>> budget = uncertainty_budget(lambda m, v: m / v, inputs, quantity="density", unit="g/cm³")
    >>> round(budget.standard_uncertainty, 4), [round(c.share, 2) for c in budget.components]
    (0.01, [0.36, 0.64])
    """
    values, spread = [i.value for i in inputs], [i.standard_uncertainty for i in inputs]
    combined = propagated_uncertainty(function, values, spread, correlation)
    slopes = sensitivities(function, values, spread)
    contributions = slopes * spread
    related = np.eye(len(inputs)) if correlation is None else np.asarray(correlation, dtype=float)
    degrees = _effective(contributions, np.array([i.degrees_of_freedom for i in inputs]), related)
    factor = coverage_factor(confidence, degrees)
    shares = contributions * (related @ contributions) / combined**2 if combined != 0.0 else np.zeros(len(inputs))
    told = np.stack([slopes, contributions, shares], axis=-1).tolist()
    components = tuple(
        BudgetComponent(i.name, i.value, i.standard_uncertainty, i.unit, c, y, s, i.degrees_of_freedom, i.source)
        for i, (c, y, s) in zip(inputs, told, strict=True)
    )
    value, expanded = float(function(*values)), factor * combined
    return UncertaintyBudget(quantity, unit, value, combined, degrees, confidence, factor, expanded, components)


def _effective(contributions: Array, degrees: Array, related: Array) -> float:
    """Welch-Satterthwaite over groups: inputs that are correlated count as one component of the smallest number."""
    groups = _groups(related)
    variances = [contributions[g] @ related[np.ix_(g, g)] @ contributions[g] for g in groups]
    return effective_degrees_of_freedom(
        np.sqrt(np.maximum(variances, 0.0)), [float(np.min(degrees[g])) for g in groups]
    )


def _groups(related: Array) -> list[NDArray[np.intp]]:
    """Inputs that hang together by correlation, directly or through others."""
    if np.array_equal(related, np.eye(len(related))):
        return list(np.arange(len(related))[:, None])
    reach = np.linalg.matrix_power((related != 0.0).astype(float), len(related)) > 0.0
    return [np.flatnonzero(row) for row in np.unique(reach, axis=0)]


def standard_from_half_width(half_width: float, distribution: Literal["rectangular", "triangular", "arcsine"]) -> float:
    """Return the standard uncertainty, [unit of the quantity], of what is known to lie within limits.

    half_width : Half of the distance between the limits, [unit of the quantity]; half a step for a resolution.
    distribution : What is known of it between them, [-]; arcsine for a quantity that swings, such as a bath's
        temperature.
    Raises ValueError : The distribution is none of these.
    Source : JCGM 100:2008, equations 7 and 9b; JCGM 101:2008, table 1.
    """
    if distribution not in _HALF_WIDTHS:
        raise ValueError(f"distribution {distribution!r}: one of {', '.join(_HALF_WIDTHS)} was expected")
    return half_width / _HALF_WIDTHS[distribution]
