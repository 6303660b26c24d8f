"""Components of variance of nested results, by mean squares with intervals, or by restricted maximum likelihood."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, fdtri

from labcalc.statistics.precision.analysis_of_variance import NestedAnalysis, Nesting, nested_analysis, sums_of_squares
from labcalc.statistics.series import Array

_TAIL = 0.025  # of intervals of 95 %
_STEP = 1e-30  # imaginary part of a complex step: nothing is lost, as nothing is subtracted
_SMALLEST = 1e-12  # share of the variance of all results that the lowest component has at least
_LEVEL = 1e-4  # slope of twice ln likelihood, by shares of the variance, that the end of the search may be left with


class _Variance:
    variance: float
    interval: tuple[float, float]  # of 95 %

    @property
    def deviation(self) -> float:
        return math.sqrt(self.variance)

    @property
    def deviation_interval(self) -> tuple[float, float]:
        return math.sqrt(self.interval[0]), math.sqrt(self.interval[1])


@dataclass(frozen=True)
class VarianceComponent(_Variance):
    """What one level adds to the variance of a single result; ``unbiased`` is below 0 where chance made it so."""

    name: str
    variance: float
    unbiased: float
    interval: tuple[float, float]
    share: float
    degrees_of_freedom: float  # of the level's mean square; effective ones where the data are unbalanced

    @property
    def set_to_zero(self) -> bool:
        return self.unbiased < 0.0


@dataclass(frozen=True)
class VarianceSum(_Variance):
    """Variance of results between which the named levels change; its root is an intermediate precision."""

    names: tuple[str, ...]
    variance: float
    interval: tuple[float, float]
    degrees_of_freedom: float  # effective ones


@dataclass(frozen=True)
class VarianceComponents:
    """Components from the outermost level to the lowest; ``sums[i]`` is the sum of component i and all below it."""

    components: tuple[VarianceComponent, ...]
    sums: tuple[VarianceSum, ...]

    @property
    def set_to_zero(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.components if one.set_to_zero)

    @property
    def total(self) -> VarianceSum:
        """Variance of results between which every level changes."""
        return self.sums[0]


def variance_components(analysis: NestedAnalysis) -> VarianceComponents:
    r"""Estimate the components of variance by equating mean squares to what is expected of them.

    The interval of the lowest component is exact (chi-square). Those of the others and of sums are modified
    large-sample intervals on effective degrees of freedom. Simulated, intervals of 95 % hold 94 to 96.5 % in balanced
    layouts and 93 to 97 % in strongly unbalanced ones (groups of 1 beside groups of 20); of a component that is 0 they
    hold 97.5 %, since its lower end can't be wrong.

    analysis : Mean squares, [unit of the results squared], with their coefficients.
    Returns : Variances with intervals, [unit of the results squared]; a negative estimate stands as 0, and sums add up
        what stands (ISO 5725-2 does the same with the variance between laboratories).
    Source : ISO 5725-3:1994, annexes B and C (memory).
    Source : NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.3 (the same layout in pooled deviations).
    """
    squares = analysis.mean_squares
    weights = component_weights(np.array(analysis.coefficients))
    unbiased = weights @ squares
    variances = np.maximum(unbiased, 0.0)
    total = float(variances.sum())
    degrees = analysis.degrees_of_freedom
    if variances.any():  # of the lowest line they are what it counts
        degrees = np.append(analysis.layout.effective_degrees(variances)[:-1], degrees[-1])
    names, components, sums = tuple(line.name for line in analysis.lines), [], []
    for line in zip(names, variances.tolist(), unbiased.tolist(), weights, degrees.tolist(), strict=True):
        name, variance, estimate, weight, freedom = line
        interval, share = _single_interval(weight, squares, degrees), variance / total if total > 0.0 else math.nan
        components.append(VarianceComponent(name, variance, estimate, interval, share, freedom))
    for place, weight in enumerate(sum_weights(weights)):
        interval, freedom = _single_interval(weight, squares, degrees), _effective_degrees(weight * squares, degrees)
        sums.append(VarianceSum(names[place:], float(variances[place:].sum()), interval, freedom))
    return VarianceComponents(tuple(components), tuple(sums))


def component_weights(coefficients: Array) -> Array:
    """Return how each mean square counts in each component, a component a row."""
    weights = np.linalg.inv(coefficients)
    weights[np.abs(weights) < 1e-12 * np.abs(weights).max(axis=1, keepdims=True)] = 0.0
    return np.asarray(weights)


def sum_weights(weights: Array) -> Array:
    """Return how each mean square counts in the sum of each component and all below it, a sum a row."""
    sums = np.cumsum(weights[::-1], axis=0)[::-1].copy()
    sums[np.abs(sums) < 1e-12] = 0.0
    return np.asarray(sums)


def _single_interval(weights: Array, squares: Array, degrees: Array) -> tuple[float, float]:
    low, high = combination_interval(weights, squares, degrees)
    return float(low), float(high)


def _effective_degrees(parts: Array, degrees: Array) -> float:
    """Welch and Satterthwaite, for a sum of mean squares: JCGM 100:2008, equation G.2b."""
    spread = float((parts**2 / degrees).sum())
    return float(parts.sum()) ** 2 / spread if spread > 0.0 else math.nan


def combination_interval(
    weights: ArrayLike, mean_squares: ArrayLike, degrees_of_freedom: ArrayLike
) -> tuple[Array, Array]:
    r"""Return the modified large-sample interval of 95 %, [unit squared], of a sum or difference of mean squares.

    .. math:: \hat\gamma = \sum_i c_i M_i, \quad L = \hat\gamma - \sqrt{V_L}, \quad U = \hat\gamma + \sqrt{V_U}

    V holds a term for each mean square, such that L and U are exact where all others are 0, and one for each pair of
    mean squares of which at least one is subtracted.

    Weights c, of either sign, and degrees of freedom, 1 or more, are one for each independent mean square, last axis;
    no end is below 0.

    Source : Graybill and Wang, J. Am. Stat. Assoc. 75 (1980) 869 (sums).
    Source : Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Stat. Comput. Simul. 35 (1990) 135 (differences; memory).
    """
    weight, degrees = np.asarray(weights, dtype=float), np.asarray(degrees_of_freedom, dtype=float)
    used = weight != 0.0
    parts = (np.asarray(mean_squares, dtype=float) * weight)[..., used]
    added = weight[used] > 0.0
    lower, upper = (_variance_form(one, degrees[used]) for one in (added, ~added))
    estimate = parts.sum(axis=-1)
    below, above = (np.einsum("...i,ij,...j->...", np.abs(parts), form, np.abs(parts)) for form in (lower, upper))
    low, high = estimate - np.sqrt(np.maximum(below, 0.0)), estimate + np.sqrt(np.maximum(above, 0.0))
    return np.maximum(low, 0.0), np.maximum(high, 0.0)


def _variance_form(added: NDArray[np.bool_], degrees: Array) -> Array:
    """Return V_L for the mean squares that are added; with the signs changed it is V_U."""
    shrink = 1.0 - degrees / chdtri(degrees, _TAIL)  # G = 1 - 1 / F(α; n, ∞)
    stretch = degrees / chdtri(degrees, 1.0 - _TAIL) - 1.0  # H = 1 / F(1 - α; n, ∞) - 1
    form = np.diag(np.where(added, shrink, stretch) ** 2)
    if added.all() or not added.any():
        return form
    plus, minus = np.flatnonzero(added), np.flatnonzero(~added)
    for q in plus:
        for r in minus:
            form[q, r] = form[r, q] = _crossed(shrink[q], stretch[r], degrees[q], degrees[r]) / 2.0
    for place, q in enumerate(plus):
        for t in plus[place + 1 :]:
            term = _alike(shrink[q], shrink[t], degrees[q], degrees[t]) / (plus.size - 1)
            form[q, t] = form[t, q] = term / 2.0
    return form


def _crossed(shrink: float, stretch: float, above: float, below: float) -> float:
    """G_qr, such that the lower end is 0 where the two mean squares stand at F(α; n_q, n_r)."""
    f = float(fdtri(above, below, 1.0 - _TAIL))
    return ((f - 1.0) ** 2 - shrink**2 * f**2 - stretch**2) / f


def _alike(one: float, other: float, n_one: float, n_other: float) -> float:
    """G*_qt, for two mean squares on the same side."""
    n = n_one + n_other
    together = (1.0 - n / float(chdtri(n, _TAIL))) ** 2
    return together * n**2 / (n_one * n_other) - one**2 * n_one / n_other - other**2 * n_other / n_one


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
    names, variances = tuple(line.name for line in analysis.lines), tuple(map(float, found.x * scale**2))
    log_likelihood = -0.5 * (float(doubled) + constant)
    return LikelihoodComponents(names, variances, analysis.mean + scale * float(mean), log_likelihood)


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
