"""Analysis of variance, nested to any depth, with expected mean squares of unbalanced data."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array, finite_series


@dataclass(frozen=True)
class Nesting:
    """Results in an order in which every group stands together; ``starts`` is where each group begins, a level each.

    Level 0 is all results, the last level the innermost factor's groups.
    """

    names: tuple[str, ...]
    order: NDArray[np.intp]
    starts: tuple[NDArray[np.intp], ...]

    @property
    def number(self) -> int:
        return self.order.size

    @cached_property
    def sizes(self) -> tuple[Array, ...]:
        """Results in each group, a level each."""
        return tuple(np.diff(one, append=self.number).astype(float) for one in self.starts)

    @cached_property
    def parents(self) -> tuple[NDArray[np.intp], ...]:
        """Group of the level above that each group stands in, from level 1 on."""
        levels = zip(self.starts[:-1], self.starts[1:], strict=True)
        return tuple(np.searchsorted(above, here, side="right") - 1 for above, here in levels)

    def children(self, level: int) -> NDArray[np.intp]:
        """Where the groups of a level begin among the groups of the level below."""
        return np.searchsorted(self.starts[level + 1], self.starts[level])

    def degrees_of_freedom(self) -> Array:
        """Degrees of freedom of each factor and, last, of the results within the innermost groups."""
        return np.diff([*(one.size for one in self.starts), self.number]).astype(float)

    def effective_degrees(self, variances: Array) -> Array:
        """Return the degrees of freedom of the chi-square that each mean square comes nearest to.

        The groups' means of unbalanced data differ in variance: a mean square then has fewer than it counts, the more
        so the larger the components above the lowest are (Welch and Satterthwaite, two moments).
        """
        inner = (self._effective_degrees(level, variances) for level in range(1, len(self.starts)))
        return np.array([*inner, self.degrees_of_freedom()[-1]])

    def _effective_degrees(self, level: int, variances: Array) -> float:
        size, above, first = self.sizes[level], self.sizes[level - 1], self.children(level - 1)
        spread = self._spread_of_means(level, variances)
        weighted = np.add.reduceat(size**2 * spread, first) / above
        expected = np.add.reduceat(size * spread, first) - weighted
        left = 1.0 - 2.0 * size / np.repeat(above, np.diff(first, append=size.size))
        squared = np.add.reduceat(size**2 * spread**2 * left, first) + weighted**2
        return float(expected.sum()) ** 2 / float(squared.sum())

    def _spread_of_means(self, level: int, variances: Array) -> Array:
        """Variance of each group's mean about what its level above gives."""
        size, ancestor = self.sizes[level], np.arange(self.sizes[level].size)
        spread = variances[level - 1] + variances[-1] / size
        for below in range(level + 1, len(self.starts)):
            ancestor = ancestor[self.parents[below - 1]]
            spread = spread + variances[below - 1] * np.bincount(ancestor, self.sizes[below] ** 2) / size**2
        return np.asarray(spread)

    def means(self, values: Array) -> tuple[Array, ...]:
        """Return the mean of each group, a level each; ``values`` in the order, a column a set of results."""
        found = []
        for starts, counts in zip(self.starts, self.sizes, strict=True):
            sizes = counts.reshape((-1,) + (1,) * (values.ndim - 1))
            means = np.add.reduceat(values, starts) / sizes
            rest = values - np.repeat(means, counts.astype(np.intp), axis=0)  # what the first pass has left over
            found.append(means + np.add.reduceat(rest, starts) / sizes)
        return tuple(found)


def nesting(factors: Mapping[str, ArrayLike], number: int) -> Nesting:
    """Return groups within groups by the codes of factors, outermost first; a code counts within its outer group."""
    path, marks = np.zeros(number, dtype=np.intp), [np.zeros(number, dtype=np.intp)]
    for name, codes in factors.items():
        own = _codes(name, codes, number)
        path = np.unique(path * (own.max() + 1) + own, return_inverse=True)[1]
        marks.append(path)
    order = np.argsort(path, kind="stable")
    starts = tuple(np.flatnonzero(np.diff(one[order], prepend=-1)) for one in marks)
    return Nesting(tuple(factors), order, starts)


def _codes(name: str, codes: ArrayLike, number: int) -> NDArray[np.intp]:
    given = np.asarray(codes)
    if given.shape != (number,):
        raise ValueError(f"{name}: codes of shape {given.shape} for {number} results: one code each was expected")
    missing = np.flatnonzero(given != given)
    if missing.size:
        raise ValueError(f"{name}: the code of result {missing[0] + 1} is missing")
    return np.unique(given, return_inverse=True)[1]


@dataclass(frozen=True)
class AnalysisLine:
    """One line of an analysis of variance; ``groups`` is how many there are of it."""

    name: str
    groups: int
    sum_of_squares: float
    degrees_of_freedom: int

    @property
    def mean_square(self) -> float:
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True)
class NestedAnalysis:
    """Lines from the outermost factor to the results within the innermost groups.

    ``coefficients[i][j]`` is how often component j counts in the expected mean square of line i: 0 for j above i.
    """

    number: int
    mean: float
    lines: tuple[AnalysisLine, ...]
    coefficients: tuple[tuple[float, ...], ...]
    layout: Nesting = field(repr=False, compare=False)

    @property
    def mean_squares(self) -> Array:
        return np.array([line.mean_square for line in self.lines])

    @property
    def degrees_of_freedom(self) -> Array:
        return np.array([line.degrees_of_freedom for line in self.lines], dtype=float)


def nested_analysis(
    results: ArrayLike, factors: Mapping[str, ArrayLike], *, lowest: str = "result", series: ArrayLike | None = None
) -> NestedAnalysis:
    r"""Split the spread of results by groups within groups: operators, days within operators, runs within days.

    .. math:: E(M_i) = \sum_{j \ge i} k_{ij} \sigma_j^2, \quad
        k_{ij} = \frac{1}{f_i} \left[ \sum_{h \in j} n_h^2 \left( 1/n_{g(h)} - 1/n_{g'(h)} \right) \right]

    with n the results in a group, g(h) and g'(h) the groups of level i and of the level above it that h stands in.

    results : Results, [any unit].
    factors : Code of each result, [-], by the factor's name, outermost factor first; a code counts within its outer
        group. None: the plain spread of the results.
    lowest : What the results within the innermost groups are called.
    series : Material of each result, [-], where several materials, each with a mean of its own, were measured side by
        side: every innermost group holds each equally often. The lowest line loses their degrees of freedom.
    Returns : Sums of squares, [unit of the results squared], degrees of freedom and coefficients of the components,
        [-].
    Raises ValueError : A level without degrees of freedom: it can't be told from the one below or above; a result that
        is not finite; an innermost group that doesn't hold every material equally often.
    Source : ISO 5725-3:1994, annexes B and C (fully nested experiments; memory).
    Source : Searle, Casella and McCulloch, Variance Components (1992), 3.3 and appendix F (unbalanced; memory).

    >>> found = nested_analysis([1.0, 1.2, 2.0, 2.4, 3.0, 3.2], {"day": [1, 1, 2, 2, 3, 3]})
    >>> [(line.name, line.degrees_of_freedom) for line in found.lines], found.coefficients
    ([('day', 2), ('result', 3)], ((2.0, 1.0), (0.0, 1.0)))
    """
    taken = finite_series(results, 2, "an analysis of variance")
    nest = nesting(factors, taken.size)
    materials = _materials(series, nest)
    degrees = nest.degrees_of_freedom()
    degrees[-1] -= materials.max()
    groups, names = [*(one.size for one in nest.starts[1:]), nest.number], (*nest.names, lowest)
    levels = zip(("all results", *nest.names), names, (one.size for one in nest.starts), groups, degrees, strict=True)
    for above, here, of_above, of_here, freedom in levels:
        if freedom <= 0:
            untold = "one each: what comes from the one can't be told from the other"
            expected = f"at least one of {above} with two was expected"
            raise ValueError(f"{here}: {of_here} in {of_above} of {above}, {untold}; {expected}")
    values = (taken - taken[0])[nest.order]
    rest = values - values.mean()  # what groups differ by stays, since each holds every material
    squares = sums_of_squares(rest - (np.bincount(materials, rest) / np.bincount(materials))[materials], nest)
    told = zip(names, groups, squares, degrees, strict=True)
    lines = tuple(AnalysisLine(name, number, float(square), int(f)) for name, number, square, f in told)
    coefficients = tuple(tuple(map(float, row)) for row in expected_coefficients(nest))
    return NestedAnalysis(nest.number, float(taken[0] + nest.means(values)[0][0]), lines, coefficients, nest)


def _materials(series: ArrayLike | None, nest: Nesting) -> NDArray[np.intp]:
    """Return the number of each result's material, from 0 on, in the nesting's order."""
    if series is None:
        return np.zeros(nest.number, dtype=np.intp)
    names, materials = np.unique(np.asarray(series), return_inverse=True)
    ordered = materials[nest.order]
    counts = np.add.reduceat(ordered[:, None] == np.arange(names.size), nest.starts[-1], axis=0, dtype=int)
    uneven = np.flatnonzero(np.ptp(counts, axis=1))
    if uneven.size:
        held = ", ".join(f"{count} of {name}" for name, count in zip(names, counts[uneven[0]], strict=True))
        raise ValueError(f"an innermost group holds {held}: each equally often was expected")
    return ordered


def sums_of_squares(values: Array, nest: Nesting) -> Array:
    """Return the sum of squares of each line, a column a set of results; ``values`` in the nesting's order, about 0."""
    means = nest.means(values)
    shape = (-1,) + (1,) * (values.ndim - 1)
    squares = [
        (size.reshape(shape) * (here - above[parent]) ** 2).sum(axis=0)
        for above, here, parent, size in zip(means[:-1], means[1:], nest.parents, nest.sizes[1:], strict=True)
    ]
    rest = values - np.repeat(means[-1], nest.sizes[-1].astype(np.intp), axis=0)
    return np.array([*squares, (rest**2).sum(axis=0)])


def expected_coefficients(nest: Nesting) -> Array:
    """Return how often each component counts in the expected mean square of each line."""
    levels, degrees = len(nest.starts), nest.degrees_of_freedom()
    table = np.zeros((levels, levels))
    # the sums over h of n_h² / n_g, g of level i: row i; the last column is the results themselves, n_h = 1
    sums = np.zeros((levels + 1, levels))
    for component in range(1, levels):
        ancestor = np.arange(nest.starts[component].size)
        for level in range(component, -1, -1):
            sums[level, component - 1] = (nest.sizes[component] ** 2 / nest.sizes[level][ancestor]).sum()
            ancestor = nest.parents[level - 1][ancestor] if level else ancestor
    sums[:levels, -1], sums[levels, -1] = [one.size for one in nest.starts], nest.number
    for line in range(levels):
        table[line, line:] = (sums[line + 1, line:] - sums[line, line:]) / degrees[line]
    return table
