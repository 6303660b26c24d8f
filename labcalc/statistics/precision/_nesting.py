"""Which result belongs to which group, when groups stand within groups: runs within days within operators."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics.series import Array


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
        """Number of results."""
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
        inner = range(1, len(self.starts))
        return np.array(
            [*(self._effective_degrees(level, variances) for level in inner), self.degrees_of_freedom()[-1]]
        )

    def _effective_degrees(self, level: int, variances: Array) -> float:
        size, above, first = self.sizes[level], self.sizes[level - 1], self.children(level - 1)
        spread = self._spread_of_means(level, variances)
        weighted = np.add.reduceat(size**2 * spread, first) / above
        expected = np.add.reduceat(size * spread, first) - weighted
        squared = np.add.reduceat(
            size**2 * spread**2 * (1.0 - 2.0 * size / np.repeat(above, np.diff(first, append=size.size))), first
        )
        squared = squared + weighted**2
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
