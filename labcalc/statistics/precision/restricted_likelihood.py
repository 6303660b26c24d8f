"""Components of variance by restricted maximum likelihood: never negative, and efficient for unbalanced data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision._nesting import Nesting
from labcalc.statistics.precision.analysis_of_variance import nested_analysis, sums_of_squares
from labcalc.statistics.precision.nested_components import variance_components
from labcalc.statistics.series import Array

_MOST_STEPS = 200
_SMALLEST_GAIN = 1e-16  # twice the gain in ln likelihood that the next step promises, below which it isn't taken
_ROUNDING = 1e-12  # relative fall of ln likelihood that rounding may feign


@dataclass(frozen=True)
class LikelihoodComponents:
    """Variances from the outermost level to the lowest, and where they make the results likeliest."""

    names: tuple[str, ...]
    variances: tuple[float, ...]
    mean: float
    log_likelihood: float
    steps: int

    @property
    def deviations(self) -> tuple[float, ...]:
        """Standard deviations."""
        return tuple(math.sqrt(one) for one in self.variances)


@dataclass(frozen=True)
class _Point:
    """The logarithm of the restricted likelihood at some variances, its score, observed and expected information."""

    log_likelihood: float
    score: Array
    observed: Array
    expected: Array
    mean: float  # weighted mean of all results there


def likelihood_components(
    results: ArrayLike, factors: Mapping[str, ArrayLike], *, lowest: str = "result"
) -> LikelihoodComponents:
    r"""Estimate the components of variance of nested results by restricted maximum likelihood.

    Newton steps on the exact score and curvature, which follow from the groups of each level in one pass from the
    lowest up: the time grows with the number of results, not with its square or cube. A component at 0 stays there
    while the likelihood falls with it.

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
    analysis = nested_analysis(results, factors, lowest=lowest)
    series, nest = np.asarray(results, dtype=float), analysis.layout
    if not analysis.mean_squares[-1] > 0.0:
        raise ValueError(f"{lowest}: results within the innermost groups are all alike: no likelihood has a maximum")
    scale = float(np.std(series - analysis.mean))
    values = ((series - series[0]) / scale)[nest.order]
    values -= values.mean()
    start = np.array([one.variance for one in variance_components(analysis).components]) / scale**2
    variances, point, steps = _climb(_Means.of(values, nest), start)
    constant = (nest.number - 1) * (math.log(2.0 * math.pi) + 2.0 * math.log(scale))
    return LikelihoodComponents(
        names=tuple(line.name for line in analysis.lines),
        variances=tuple(map(float, variances * scale**2)),
        mean=analysis.mean + scale * point.mean,
        log_likelihood=point.log_likelihood - constant / 2.0,
        steps=steps,
    )


@dataclass(frozen=True)
class _Means:
    """What the likelihood needs of the results: means of the innermost groups, and what lies within these."""

    nest: Nesting
    means: Array
    within: float

    @staticmethod
    def of(values: Array, nest: Nesting) -> _Means:
        return _Means(nest, nest.means(values)[-1], float(sums_of_squares(values, nest)[-1]))

    def at(self, variances: Array) -> _Point:
        """Return the likelihood with its derivatives.

        The mean of a group has a variance: its level's component adds to it, and the group above weighs the means of
        its parts by the reciprocals. By the matrix determinant lemma, each component adds ln(v + σ²) - ln v.
        """
        nest, number = self.nest, variances.size
        component = [Jet.parameter(float(one), place, number) for place, one in enumerate(variances)]
        lowest, size = component[-1], nest.sizes[-1]
        spread, mean = lowest.times(1.0 / size), _constant(self.means, number)
        # the logarithm of the determinant, and the sum of squares about the weighted means
        determinant = lowest.log().times(np.array([nest.number - size.size]))
        squares = lowest.reciprocal().times(np.array([self.within]))
        for level in range(number - 2, -1, -1):
            spread = spread + component[level]
            determinant = determinant + _total(spread.log())
            first, parent = nest.children(level), nest.parents[level]
            weight = spread.reciprocal()
            spread = weight.summed(first).reciprocal()
            above = (weight * mean).summed(first) * spread
            rest = mean - above.taken(parent)
            squares = squares + _total(weight * rest * rest)
            determinant = determinant - _total(spread.log())
            mean = above
        return self._point(determinant, squares, mean, spread)

    def _point(self, determinant: Jet, squares: Jet, mean: Jet, spread: Jet) -> _Point:
        doubled = determinant + squares
        return _Point(
            log_likelihood=-0.5 * float(doubled.value[0]) - 0.5 * float(np.log(self.nest.sizes[-1]).sum()),
            score=-0.5 * doubled.slope[0],
            observed=0.5 * doubled.bend[0],
            expected=-0.5 * determinant.bend[0],
            mean=float(mean.value[0]),
        )


def _constant(values: Array, parameters: int) -> Jet:
    return Jet(values, np.zeros((values.size, parameters)), np.zeros((values.size, parameters, parameters)))


def _total(jets: Jet) -> Jet:
    return jets.summed(np.array([0], dtype=np.intp))


def _climb(means: _Means, start: Array) -> tuple[Array, _Point, int]:
    """Return the variances, 0 or more, at which the likelihood is largest."""
    variances, point = start, means.at(start)
    for step in range(_MOST_STEPS):
        free = (variances > 0.0) | (point.score > 0.0)
        direction = np.zeros(variances.size)
        direction[free] = _uphill(point, free)
        if float(point.score @ direction) < _SMALLEST_GAIN:
            return variances, point, step
        variances, point = _further(means, variances, point, direction)
    raise ArithmeticError(f"the likelihood had no maximum after {_MOST_STEPS} steps, at {variances.tolist()}")


def _uphill(point: _Point, free: NDArray[np.bool_]) -> Array:
    """Return Newton's step, or Fisher's where the likelihood isn't curved downwards."""
    among = np.ix_(free, free)
    observed = point.observed[among]
    information = observed if np.linalg.eigvalsh(observed)[0] > 0.0 else point.expected[among]
    return np.asarray(np.linalg.solve(information, point.score[free]))


def _further(means: _Means, variances: Array, point: _Point, direction: Array) -> tuple[Array, _Point]:
    """Go along the direction, half as far each time, until the likelihood has risen; no component falls below 0."""
    share, least = 1.0, point.log_likelihood - _ROUNDING * abs(point.log_likelihood)
    while share > 1e-12:
        there = np.maximum(variances + share * direction, 0.0)
        if there[-1] > 0.0:
            found = means.at(there)
            if found.log_likelihood >= least:
                return there, found
        share /= 2.0
    return variances, point


@dataclass(frozen=True)
class Jet:
    """Values (n), gradients (n, p) and curvatures (n, p, p) by p parameters."""

    value: Array
    slope: Array
    bend: Array

    @staticmethod
    def parameter(value: float, place: int, parameters: int) -> Jet:
        """Return one parameter as a single jet."""
        slope = np.zeros((1, parameters))
        slope[0, place] = 1.0
        return Jet(np.array([value]), slope, np.zeros((1, parameters, parameters)))

    def __add__(self, other: Jet) -> Jet:
        return Jet(self.value + other.value, self.slope + other.slope, self.bend + other.bend)

    def __sub__(self, other: Jet) -> Jet:
        return self + other.times(-1.0)

    def __mul__(self, other: Jet) -> Jet:
        crossed = self.slope[:, :, None] * other.slope[:, None, :]
        return Jet(
            self.value * other.value,
            self.value[:, None] * other.slope + other.value[:, None] * self.slope,
            self.value[:, None, None] * other.bend
            + other.value[:, None, None] * self.bend
            + crossed
            + crossed.transpose(0, 2, 1),
        )

    def times(self, factor: Array | float) -> Jet:
        """Return the jets times constants; a single jet times n constants gives n jets."""
        constant = np.atleast_1d(np.asarray(factor, dtype=float))
        return Jet(constant * self.value, constant[:, None] * self.slope, constant[:, None, None] * self.bend)

    def reciprocal(self) -> Jet:
        """Return 1 / x."""
        return self._through(1.0 / self.value, -1.0 / self.value**2, 2.0 / self.value**3)

    def log(self) -> Jet:
        """Return ln x."""
        return self._through(np.log(self.value), 1.0 / self.value, -1.0 / self.value**2)

    def _through(self, value: Array, first: Array, second: Array) -> Jet:
        squared = self.slope[:, :, None] * self.slope[:, None, :]
        return Jet(
            value, first[:, None] * self.slope, first[:, None, None] * self.bend + second[:, None, None] * squared
        )

    def summed(self, starts: NDArray[np.intp]) -> Jet:
        """Return the sum of each group of neighbours."""
        return Jet(*(np.add.reduceat(part, starts, axis=0) for part in (self.value, self.slope, self.bend)))

    def taken(self, places: NDArray[np.intp]) -> Jet:
        """Return the jets at these places."""
        return Jet(self.value[places], self.slope[places], self.bend[places])
