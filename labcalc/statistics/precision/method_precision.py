"""Repeatability and reproducibility of a method from an interlaboratory study, with intervals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.statistics.coverage import effective_degrees_of_freedom
from labcalc.statistics.precision.interlaboratory import InterlaboratoryCells
from labcalc.statistics.precision.long_term_precision import spread_interval
from labcalc.statistics.precision.nested_components import combination_interval
from labcalc.statistics.series import Array

LIMIT_FACTOR = 2.8
"""What a standard deviation is multiplied by for the limits r and R: 1.96 √2 as ASTM E691 and ISO 5725 print it."""


@dataclass(frozen=True)
class InterlaboratoryPrecision:
    """Precision of a method, level by level.

    ``negative_between`` tells where s_L² came out below 0 and was set to 0: the laboratories' means scatter less than
    their own repeats allow, so that s_R is s_r. ``deviation_of_means`` is the plain standard deviation of the cell
    means (s_x̄ of ASTM E691). Intervals have a lower and an upper row.
    """

    levels: tuple[str, ...]
    laboratories: NDArray[np.int64]
    results: NDArray[np.int64]
    mean: Array
    deviation_of_means: Array
    repeatability_deviation: Array
    between_laboratory_deviation: Array
    reproducibility_deviation: Array
    negative_between: NDArray[np.bool_]
    repeatability_degrees_of_freedom: Array
    reproducibility_degrees_of_freedom: Array
    repeatability_interval: Array
    reproducibility_interval: Array

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the numbers has to know, a sentence each."""
        names = [level for level, negative in zip(self.levels, self.negative_between, strict=True) if negative]
        if not names:
            return ()
        return (
            f"level{'s' if len(names) > 1 else ''} {', '.join(names)}: the variance between laboratories came out "
            "negative and was set to 0, so that the reproducibility is the repeatability",
        )


def interlaboratory_precision(cells: InterlaboratoryCells) -> InterlaboratoryPrecision:
    r"""Return repeatability and reproducibility of every level from the cells kept.

    One analysis of variance serves both standards: with equal numbers of results in all cells it is
    :math:`s_R = \max(s_r, \sqrt{s_{\bar x}^2 + s_r^2 (n - 1)/n})` of ASTM E691, to the last digit.

    The interval of s_r is that of a variance of normal results. That of s_R is by modified large samples on the
    unweighted cell means (Graybill & Wang; Thomas & Hultquist where numbers differ): where laboratories differ, the
    usual one by Satterthwaite's degrees of freedom holds the truth in only 92 to 94 cases of 100. Those degrees are
    given nevertheless, for they say what the study's s_R is worth.

    cells : The study without what was left out, [any unit]; two laboratories a level at least, one with repeats.
    Returns : Means, standard deviations and 95 % intervals, [unit of the results], and degrees of freedom, [-].
    Raises ValueError : A level with fewer than two laboratories or without repeats, named.
    Source : ISO 5725-2:2019, calculation of the general mean and the variances (memory); ASTM E691-23.
    Source : F. A. Graybill and C.-M. Wang, JASA 75 (1980), 869; R. K. Burdick and F. A. Graybill, Confidence Intervals
        on Variance Components (1992), 3.2 and 4.3 (unweighted means).

    >>> from labcalc.statistics.precision.interlaboratory import interlaboratory_cells
    >>> cells = interlaboratory_cells([*"AABBCC"], ["1"] * 6, [10.0, 10.2, 10.1, 10.1, 10.4, 10.7])
    >>> found = interlaboratory_precision(cells)
    >>> found.repeatability_deviation.round(3), found.reproducibility_deviation.round(3)
    (array([0.147]), array([0.28]))
    """
    counts = cells.counts.astype(float)
    laboratories, results = np.sum(counts > 0, axis=0), np.sum(counts, axis=0)
    within = results - laboratories
    for level, number, repeats in zip(cells.levels, laboratories.tolist(), within.tolist(), strict=True):
        if number < 2 or repeats < 1:
            found = f"level {level}: {number} laboratories and {repeats:g} repeats"
            raise ValueError(f"{found}; two laboratories or more, and one with a repeat at least, were expected")
    pooled = np.nansum((counts - 1.0) * cells.deviations**2, axis=0) / within
    plain, weighted = (np.nansum(w * cells.means, axis=0) / np.sum(w, axis=0) for w in (counts > 0, counts))
    between = laboratories - 1.0
    # ISO 5725-2: s_d², n̿ and s_L² of a level
    spread = np.nansum(counts * (cells.means - weighted) ** 2, axis=0) / between
    average = (results - np.sum(counts**2, axis=0) / results) / between
    component = (spread - pooled) / average
    reproducibility = np.maximum(component, 0.0) + pooled
    of_means = np.nansum((cells.means - plain) ** 2, axis=0) / between
    repeats, others = np.sqrt(pooled), np.sqrt(reproducibility)
    degrees = np.column_stack([between, within])
    parts = np.sqrt(np.column_stack([spread / average, (1.0 - 1.0 / average) * pooled]))
    filled = counts > 0  # 1 − 1/ñ, with the harmonic mean ñ of the numbers of results of the cells
    unweighted = 1.0 - np.sum(np.divide(1.0, counts, where=filled, out=np.zeros_like(counts)), 0) / filled.sum(0)
    steady = np.column_stack([of_means, unweighted * pooled])
    levels = zip(steady, degrees, strict=True)
    ends = [combination_interval([1.0, 1.0], *one) for one in levels]
    return InterlaboratoryPrecision(
        levels=cells.levels,
        laboratories=laboratories,
        results=results.astype(np.int64),
        mean=weighted,
        deviation_of_means=np.sqrt(of_means),
        repeatability_deviation=repeats,
        between_laboratory_deviation=np.sqrt(np.maximum(component, 0.0)),
        reproducibility_deviation=others,
        negative_between=component < 0.0,
        repeatability_degrees_of_freedom=within,
        reproducibility_degrees_of_freedom=np.array([*map(effective_degrees_of_freedom, parts, degrees)]),
        repeatability_interval=np.array([spread_interval(*one) for one in zip(repeats, within, strict=True)]).T,
        reproducibility_interval=np.sqrt(ends).T,
    )
