"""Components of variance by restricted maximum likelihood: never negative, and efficient for unbalanced data."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision._nesting import Nesting
from labcalc.statistics.precision.analysis_of_variance import nested_analysis, sums_of_squares
from labcalc.statistics.precision.nested_components import variance_components
from labcalc.statistics.series import Array

_STEP = 1e-30  # imaginary part of a complex step: nothing is lost, as nothing is subtracted
_SMALLEST = 1e-12  # share of the variance of all results that the lowest component has at least
_LEVEL = 1e-4  # slope of twice ln likelihood, by shares of the variance, that the end of the search may be left with


@dataclass(frozen=True)
class LikelihoodComponents:
    """Variances from the outermost level to the lowest, and where they make the results likeliest."""

    names: tuple[str, ...]
    variances: tuple[float, ...]
    mean: float
    log_likelihood: float


def likelihood_components(
    results: ArrayLike, factors: Mapping[str, ArrayLike], *, lowest: str = "result"
) -> LikelihoodComponents:
    r"""Estimate the components of variance of nested results by restricted maximum likelihood.

    The likelihood follows from the groups of each level in one pass from the lowest up, its slope by complex steps: the
    time grows with the number of results, not with its square or cube.

    results : Results, [any unit].
    factors : Code of each result, [-], by the factor's name, outermost factor first; a code counts within its outer
        group. None: the plain spread of the results.
    lowest : What the results within the innermost groups are called.
    Returns : Variances, [unit of the results squared]. For balanced data they are those of the analysis of variance
        where none of these is negative.
    Raises ValueError : As for ``nested_analysis``, or results that are all alike within the innermost groups.
    Source : Patterson and Thompson, Biometrika 58 (1971) 545; Searle, Casella and McCulloch, Variance Components
        (1992), 6.6 (memory).
    """
    from scipy.optimize import minimize

    analysis = nested_analysis(results, factors, lowest=lowest)
    series, nest = np.asarray(results, dtype=float), analysis.layout
    if not analysis.mean_squares[-1] > 0.0:
        raise ValueError(f"{lowest}: results within the innermost groups are all alike: no likelihood has a maximum")
    scale = float(np.std(series - analysis.mean))
    values = ((series - series[0]) / scale)[nest.order]
    values -= values.mean()
    means, within = nest.means(values)[-1], float(sums_of_squares(values, nest)[-1])

    def slope(variances: Array) -> Array:
        steps = variances + 1j * _STEP * np.eye(variances.size)
        return np.array([_deviance(nest, means, within, one)[0].imag / _STEP for one in steps])

    start = np.array([one.variance for one in variance_components(analysis).components]) / scale**2
    how = {"method": "L-BFGS-B", "options": {"ftol": 0.0, "gtol": 1e-10}}
    bounds = [*[(0.0, None)] * len(factors), (_SMALLEST, None)]
    found = minimize(lambda one: _deviance(nest, means, within, one)[0], start, jac=slope, bounds=bounds, **how)
    left = np.where(found.x > 0.0, np.abs(found.jac), -found.jac)
    if left.max() > _LEVEL:
        raise ArithmeticError(f"the likelihood had no maximum after {found.nit} steps, at {found.x.tolist()}")
    doubled, mean = _deviance(nest, means, within, found.x)
    constant = (nest.number - 1) * math.log(2.0 * math.pi * scale**2) + float(np.log(nest.sizes[-1]).sum())
    return LikelihoodComponents(
        names=tuple(line.name for line in analysis.lines),
        variances=tuple(map(float, found.x * scale**2)),
        mean=analysis.mean + scale * float(mean),
        log_likelihood=-0.5 * (float(doubled) + constant),
    )


def _deviance(nest: Nesting, means: NDArray[Any], within: float, variances: NDArray[Any]) -> tuple[Any, Any]:
    """Return minus twice the restricted ln likelihood but for its constant, and the weighted mean of all results.

    The mean of a group has a variance: its level's component adds to it, and the group above weighs the means of its
    parts by the reciprocals. By the matrix determinant lemma, each component adds ln(v + σ²) - ln v.
    """
    lowest, sizes = variances[-1], nest.sizes[-1]
    spread = lowest / sizes
    doubled = np.log(lowest) * (nest.number - sizes.size) + within / lowest
    for level in range(variances.size - 2, -1, -1):
        spread = spread + variances[level]
        weight, first = 1.0 / spread, nest.children(level)
        of_group = 1.0 / np.add.reduceat(weight, first)
        above = np.add.reduceat(weight * means, first) * of_group
        squares = weight * (means - above[nest.parents[level]]) ** 2
        doubled = doubled + np.log(spread).sum() - np.log(of_group).sum() + squares.sum()
        spread, means = of_group, above
    return doubled, means[0]
