"""How the precision of a method depends on the level: constant, in proportion, along a line, or by a power."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from labcalc.statistics.series import Array, finite_series

RelationForm: TypeAlias = Literal["constant", "proportional", "linear", "power"]

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
    def parameters(self) -> int:
        """Number of parameters."""
        return 1 if self.form in ("constant", "proportional") else 2

    @property
    def penalised_deviance(self) -> float:
        """Deviance with 2 for each parameter: the smallest is chosen."""
        return self.deviance + 2.0 * self.parameters

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
    Raises ValueError : Fewer than three levels, lists of different length, or a value that isn't above 0.
    Source : ISO 5725-2:2019, functional relationship between precision values and the mean level (memory: forms I to
        III and the iteration of form II).

    >>> best = precision_relations([1.0, 10.0, 100.0, 1000.0], [0.011, 0.09, 1.05, 9.8], [30] * 4)[0]
    >>> best.form, round(best.slope, 4)
    ('proportional', 0.0101)
    """
    names = ("level", "deviation", "degrees_of_freedom")
    series = [
        finite_series(one, 3, "a relation of precision to level") for one in (level, deviation, degrees_of_freedom)
    ]
    for name, one in zip(names, series, strict=True):
        if one.size != series[0].size or not np.all(one > 0.0):
            raise ValueError(f"{name} {one.tolist()}: {series[0].size} values above 0 were expected")
    fits = [_judged(form, *_FITS[form](series[0], series[1]), *series) for form in _FITS]
    return tuple(sorted(fits, key=lambda fit: fit.penalised_deviance))


def _curve(form: RelationForm, intercept: float, slope: float, level: Array) -> Array:
    if form == "power":
        return np.asarray(intercept * level**slope)
    return np.asarray(intercept + slope * level)


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


_FITS: Mapping[RelationForm, Callable[[Array, Array], tuple[float, float]]] = MappingProxyType(
    {
        "constant": lambda level, deviation: (float(np.mean(deviation)), 0.0),
        "proportional": lambda level, deviation: (0.0, float(np.mean(deviation / level))),
        "linear": _linear,
        "power": _power,
    }
)


def _judged(
    form: RelationForm, intercept: float, slope: float, level: Array, deviation: Array, degrees: Array
) -> PrecisionRelation:
    from scipy.special import chdtrc

    free = level.size - (1 if form in ("constant", "proportional") else 2)
    if math.isnan(slope):
        return PrecisionRelation(form, intercept, slope, math.inf, free, 0.0)
    ratio = (deviation / _curve(form, intercept, slope, level)) ** 2
    deviance = float(np.sum(degrees * (ratio - 1.0 - np.log(ratio))))
    return PrecisionRelation(form, intercept, slope, deviance, free, float(chdtrc(free, deviance)))
