"""Repeatability and reproducibility of a method from a study, with intervals, and how they depend on the level."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from labcalc.statistics.coverage import effective_degrees_of_freedom
from labcalc.statistics.precision.interlaboratory import InterlaboratoryCells
from labcalc.statistics.precision.nested_components import combination_interval
from labcalc.statistics.precision.within_laboratory import spread_interval
from labcalc.statistics.series import Array, finite_series

LIMIT_FACTOR = 2.8  # from a standard deviation to the limits r and R: 1.96 √2 as ASTM E691 and ISO 5725 print it


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
        zero = "the variance between laboratories came out negative and was set to 0"
        where = f"level{'s' if len(names) > 1 else ''} {', '.join(names)}"
        return (f"{where}: {zero}, so that the reproducibility is the repeatability",)


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
    Source : ISO 5725-2:2019, calculation of the general mean and the variances (memory); ASTM E691-23.
    Source : F. A. Graybill and C.-M. Wang, JASA 75 (1980), 869; R. K. Burdick and F. A. Graybill, Confidence Intervals
        on Variance Components (1992), 3.2 and 4.3 (unweighted means).
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
    ends = [combination_interval([1.0, 1.0], *one) for one in zip(steady, degrees, strict=True)]
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


RelationForm: TypeAlias = Literal["constant", "proportional", "linear", "power"]

_PARAMETERS = {"constant": 1, "proportional": 1, "linear": 2, "power": 2}
_ROUNDS = 100
_AGREEMENT = 1e-12


@dataclass(frozen=True)
class PrecisionRelation:
    """A standard deviation as a function of the level m.

    constant: s = a; proportional: s = b m; linear: s = a + b m; power: s = a m^b. ``deviance`` is how badly the study's
    standard deviations fit, by their own degrees of freedom: about the number of levels less that of the parameters
    where the form is right. It is infinite for a line that gives no positive standard deviation at some level.
    """

    form: RelationForm
    intercept: float
    slope: float
    deviance: float
    degrees_of_freedom: int
    p_value: float

    @property
    def penalised_deviance(self) -> float:
        """Deviance with 2 for each parameter: the smallest is chosen."""
        return self.deviance + 2.0 * _PARAMETERS[self.form]

    def deviation_at(self, level: ArrayLike) -> Array:
        """Return the standard deviation at a level, [unit of the results].

        level : Level m, [unit of the results].
        """
        return _curve(self.form, self.intercept, self.slope, np.asarray(level, dtype=float))


def precision_relations(
    level: ArrayLike, deviation: ArrayLike, degrees_of_freedom: ArrayLike
) -> tuple[PrecisionRelation, ...]:
    r"""Fit every form, coefficients in [unit of the levels], the best first.

    The forms are fitted as the standard says: constant and proportional by plain averages (of s and of s/m), the power
    by a straight line through the logarithms, the line by weights 1/s², put right until they agree with the line.
    They are compared by the deviance of variances with their degrees of freedom,

    .. math:: D = \sum \nu (q - 1 - \ln q), \quad q = s^2 / \hat s^2

    and 2 for each parameter (Akaike): a second parameter has to earn its place. Five levels say little about a form;
    look at the picture, and take the simplest that serves.

    level : Mean of each level, [any unit], above 0, 3 or more.
    deviation : Repeatability or reproducibility standard deviation at each level, [unit of the levels], above 0.
    degrees_of_freedom : Degrees of freedom of each, [-], above 0. Reproducibilities of one study share their
        laboratories, so that their deviance is a guide only.
    Source : ISO 5725-2:2019, functional relationship between precision values and the mean level (memory: forms I to
        III and the iteration of form II).
    """
    names = ("level", "deviation", "degrees_of_freedom")
    data = [finite_series(one, 3, "a relation of precision to level") for one in (level, deviation, degrees_of_freedom)]
    for name, one in zip(names, data, strict=True):
        if one.size != data[0].size or not np.all(one > 0.0):
            raise ValueError(f"{name} {one.tolist()}: {data[0].size} values above 0 were expected")
    fits = [_judged(form, *_FITS[form](data[0], data[1]), *data) for form in _FITS]
    return tuple(sorted(fits, key=lambda fit: fit.penalised_deviance))


def _curve(form: RelationForm, intercept: float, slope: float, level: Array) -> Array:
    return np.asarray(intercept * level**slope if form == "power" else intercept + slope * level)


def _power(level: Array, deviation: Array) -> tuple[float, float]:
    intercept, slope = _weighted_line(np.log(level), np.log(deviation), np.ones_like(level))
    return math.exp(intercept), slope


def _linear(level: Array, deviation: Array) -> tuple[float, float]:
    """Return the weighted line, or NaN where it isn't positive at every level."""
    on_line = deviation
    for _ in range(_ROUNDS):
        before = on_line
        intercept, slope = _weighted_line(level, deviation, 1.0 / before**2)
        on_line = intercept + slope * level
        if not np.all(on_line > 0.0):
            break
        if np.allclose(on_line, before, rtol=_AGREEMENT, atol=0.0):
            return intercept, slope
    return math.nan, math.nan


def _weighted_line(x: Array, y: Array, weight: Array) -> tuple[float, float]:
    centre = np.average(x, weights=weight), np.average(y, weights=weight)
    across = x - centre[0]
    slope = float(np.sum(weight * across * (y - centre[1])) / np.sum(weight * across**2))
    return float(centre[1] - slope * centre[0]), slope


_FITS: dict[RelationForm, Callable[[Array, Array], tuple[float, float]]] = {
    "constant": lambda level, deviation: (float(np.mean(deviation)), 0.0),
    "proportional": lambda level, deviation: (0.0, float(np.mean(deviation / level))),
    "linear": _linear,
    "power": _power,
}


def _judged(
    form: RelationForm, intercept: float, slope: float, level: Array, deviation: Array, degrees: Array
) -> PrecisionRelation:
    free = level.size - _PARAMETERS[form]
    if math.isnan(slope):
        return PrecisionRelation(form, intercept, slope, math.inf, free, 0.0)
    ratio = (deviation / _curve(form, intercept, slope, level)) ** 2
    deviance = float(np.sum(degrees * (ratio - 1.0 - np.log(ratio))))
    return PrecisionRelation(form, intercept, slope, deviance, free, float(chdtrc(free, deviance)))
