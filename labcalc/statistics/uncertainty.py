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

from labcalc.statistics.propagation import propagated_uncertainty, sensitivities

__all__ = [
    "BudgetComponent",
    "Distribution",
    "InputQuantity",
    "UncertaintyBudget",
    "coverage_factor",
    "effective_degrees_of_freedom",
    "standard_from_half_width",
    "uncertainty_budget",
    "whole_degrees_of_freedom",
]

Distribution: TypeAlias = (
    Literal["normal", "rectangular", "triangular", "arcsine"] | Callable[[Generator, int], NDArray[np.float64]]
)
"""A shape by name, or a function of a generator and a number that draws from a shape of mean 0 and deviation 1."""

_HALF_WIDTHS: Mapping[str, float] = MappingProxyType(
    {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}
)


@dataclass(frozen=True)
class InputQuantity:
    """One input of a measurement's model: estimate, standard uncertainty, and where they come from.

    The distribution matters to Monte Carlo only. A normal input with a finite number of degrees of freedom is drawn
    from Student's distribution (JCGM 101:2008, 6.4.9).
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
    """Evaluate a model of a measurement with its first-order uncertainty, component by component.

    Parameters
    ----------
    function : callable
        Model of the measurement, inputs in the order of ``inputs``, [any unit].
    inputs : sequence of InputQuantity
        Estimates with standard uncertainties, [unit of each input].
    quantity : str
        What the output is.
    unit : str
        The output's unit.
    correlation : array_like of float, optional
        Correlation coefficients of the inputs, [-], n × n, symmetric; none: uncorrelated.
    confidence : float
        Coverage probability of the expanded uncertainty, [-], above 0 and below 1.

    Returns
    -------
    UncertaintyBudget
        Value, uncertainties and components, [unit of the output].

    Raises
    ------
    ValueError
        The matrix is not one of correlations, or the confidence is not between 0 and 1.

    References
    ----------
    .. [1] JCGM 100:2008, equations 10, 16 and G.2b, clause G.4.

    Examples
    --------
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
    return UncertaintyBudget(
        quantity,
        unit,
        float(function(*values)),
        combined,
        degrees,
        confidence,
        factor,
        factor * combined,
        tuple(
            _component(i, float(c), float(y), float(s))
            for i, c, y, s in zip(inputs, slopes, contributions, shares, strict=True)
        ),
    )


def _component(given: InputQuantity, sensitivity: float, contribution: float, share: float) -> BudgetComponent:
    return BudgetComponent(
        given.name,
        given.value,
        given.standard_uncertainty,
        given.unit,
        sensitivity,
        contribution,
        share,
        given.degrees_of_freedom,
        given.source,
    )


def _effective(contributions: NDArray[np.float64], degrees: NDArray[np.float64], related: NDArray[np.float64]) -> float:
    """Welch-Satterthwaite over groups: inputs that are correlated count as one component of the smallest number."""
    groups = _groups(related)
    variances = [contributions[g] @ related[np.ix_(g, g)] @ contributions[g] for g in groups]
    return effective_degrees_of_freedom(
        np.sqrt(np.maximum(variances, 0.0)), [float(np.min(degrees[g])) for g in groups]
    )


def _groups(related: NDArray[np.float64]) -> list[NDArray[np.intp]]:
    """Inputs that hang together by correlation, directly or through others."""
    if np.array_equal(related, np.eye(len(related))):
        return list(np.arange(len(related))[:, None])
    reach = np.linalg.matrix_power((related != 0.0).astype(float), len(related)) > 0.0
    return [np.flatnonzero(row) for row in np.unique(reach, axis=0)]


def effective_degrees_of_freedom(contributions: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    r"""Return the degrees of freedom of a combined standard uncertainty.

    .. math:: \nu_{\mathrm{eff}} = u_c^4 \Big/ \sum_i u_i^4(y) / \nu_i

    Parameters
    ----------
    contributions : array_like of float
        Independent contributions to the output's standard uncertainty, [unit of the output].
    degrees_of_freedom : array_like of float
        Degrees of freedom of each, [-], infinite where the uncertainty is taken as known.

    Returns
    -------
    float
        Effective degrees of freedom, [-]; infinite where no contribution has finite ones, NaN where one is NaN.

    References
    ----------
    .. [1] JCGM 100:2008, equation G.2b (Welch-Satterthwaite).

    Examples
    --------
    >>> round(effective_degrees_of_freedom([1.0, 1.0], [9, 9]), 6)
    18.0
    """
    variances = np.asarray(contributions, dtype=float) ** 2
    denominator = float(np.sum(variances**2 / np.asarray(degrees_of_freedom, dtype=float)))
    return float(np.sum(variances)) ** 2 / denominator if denominator != 0.0 else math.inf


def coverage_factor(confidence: float, degrees_of_freedom: float = math.inf) -> float:
    """Return the factor from a standard to an expanded uncertainty.

    Parameters
    ----------
    confidence : float
        Coverage probability, [-], above 0 and below 1.
    degrees_of_freedom : float
        Effective degrees of freedom, [-], 1 or more; a fraction is cut to the next lower whole number.

    Returns
    -------
    float
        Coverage factor k, [-]; NaN where the degrees of freedom are.

    Raises
    ------
    ValueError
        The confidence is not between 0 and 1.

    References
    ----------
    .. [1] JCGM 100:2008, equation G.1d and G.4.1 note 1 (cut to a whole number); table G.2.

    Examples
    --------
    >>> round(coverage_factor(0.95), 2), round(coverage_factor(0.99, 16.7), 2)
    (1.96, 2.92)
    """
    from scipy.special import stdtrit

    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence:g}: more than 0 and less than 1 was expected")
    return float(stdtrit(whole_degrees_of_freedom(degrees_of_freedom), 0.5 + confidence / 2.0))


def whole_degrees_of_freedom(degrees_of_freedom: float) -> float:
    """Return effective degrees of freedom cut to a whole number, 1 at least (JCGM 100:2008, G.4.1 note 1).

    Parameters
    ----------
    degrees_of_freedom : float
        Effective degrees of freedom, [-], may be infinite or NaN.

    Returns
    -------
    float
        Whole number, [-].
    """
    # Rounding of the sum may leave 18 degrees at 17.999999.
    return float(np.maximum(np.floor(degrees_of_freedom + 1e-9), 1.0))


def standard_from_half_width(half_width: float, distribution: Literal["rectangular", "triangular", "arcsine"]) -> float:
    """Return the standard uncertainty of a quantity that is known to lie within limits.

    Parameters
    ----------
    half_width : float
        Half of the distance between the limits, [unit of the quantity]; half a step for a resolution.
    distribution : {"rectangular", "triangular", "arcsine"}
        What is known of it between them, [-]; arcsine for a quantity that swings, such as a bath's temperature.

    Returns
    -------
    float
        Standard uncertainty, [unit of the quantity].

    Raises
    ------
    ValueError
        The distribution is none of these.

    References
    ----------
    .. [1] JCGM 100:2008, equations 7 and 9b; JCGM 101:2008, table 1.

    Examples
    --------
    >>> round(standard_from_half_width(0.005, "rectangular"), 6)
    0.002887
    """
    if distribution not in _HALF_WIDTHS:
        raise ValueError(f"distribution {distribution!r}: one of {', '.join(_HALF_WIDTHS)} was expected")
    return half_width / _HALF_WIDTHS[distribution]
