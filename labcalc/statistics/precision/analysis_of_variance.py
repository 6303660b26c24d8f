"""Analysis of variance, nested to any depth, with expected mean squares of unbalanced data."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.precision._nesting import Nesting, nesting
from labcalc.statistics.series import Array, finite_series


@dataclass(frozen=True)
class AnalysisLine:
    """One line of an analysis of variance; ``groups`` is how many there are of it."""

    name: str
    groups: int
    sum_of_squares: float
    degrees_of_freedom: int

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
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
        """Mean square of each line."""
        return np.array([line.mean_square for line in self.lines])

    @property
    def degrees_of_freedom(self) -> Array:
        """Degrees of freedom of each line."""
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
            raise ValueError(
                f"{here}: {of_here} in {of_above} of {above}, one each: what comes from the one can't be told from the "
                f"other; at least one of {above} with two was expected"
            )
    values = (taken - taken[0])[nest.order]
    rest = values - values.mean()  # what groups differ by stays, since each holds every material
    squares = sums_of_squares(rest - (np.bincount(materials, rest) / np.bincount(materials))[materials], nest)
    return NestedAnalysis(
        number=nest.number,
        mean=float(taken[0] + nest.means(values)[0][0]),
        lines=tuple(
            AnalysisLine(name, number, float(square), int(f))
            for name, number, square, f in zip(names, groups, squares, degrees, strict=True)
        ),
        coefficients=tuple(tuple(map(float, row)) for row in expected_coefficients(nest)),
        layout=nest,
    )


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
