"""Which curve of viscosity over temperature do the points speak for? And when can't they decide?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._least_squares import points_of_curves, straight_line
from labcalc.formulae._temperatures import kelvin
from labcalc.formulae._vogel import vogel_coefficients
from labcalc.formulae.line_uncertainty import ordinate_of_percent
from labcalc.formulae.walther import solved_viscosity, walther_ordinate

EDITION = "corrected information criterion: Hurvich and Tsai 1989; Burnham and Anderson 2002"

VISCOSITY_MODELS = ("ASTM D341", "Vogel", "Andrade")
"""The models that are compared, in the order of the last axis of the results."""

_COEFFICIENTS = (2, 3, 2)
_DECISIVE = 2.0
"""Difference of the criterion from which the points decide: below it the runner-up has substantial support too."""
_ALONE = 1e-9
"""Distance of a leverage from 1 below which the other points fix no curve."""
_ROUND_OFF = 1e-13
"""Scatter below which nothing but the rounding of binary arithmetic is left, in ln ν."""


@dataclass(frozen=True, eq=False)
class ModelComparison:
    """How three models describe the same points; last axis the models, in the order of ``VISCOSITY_MODELS``."""

    number_of_points: int
    scatter_percent: NDArray[np.float64]
    """Root mean square of the points about each curve, [%]."""
    leave_one_out_percent: NDArray[np.float64]
    """Root mean square error in telling each point from the others, [%]; NaN where too few are left to do so."""
    criterion: NDArray[np.float64]
    """Corrected information criterion AICc, [-], lower is better; NaN where there are too few points for it."""
    best: NDArray[np.str_]
    """Name of the model that the points decide for, or ``undecided``."""

    @property
    def reason(self) -> str:
        """What the points can decide at all, in a sentence."""
        n = self.number_of_points
        if n == 2:
            return "Two points lie on a curve of any model: they can't decide."
        if n < 5:
            return f"{n} points can't decide: a model with two coefficients needs five, Vogel's six."
        if n == 5:
            return "Five points can decide between ASTM D341 and Andrade; Vogel's curve needs six."
        return (
            f"The {n} points decide where the criterion of one model is lower than all others by {_DECISIVE:g} or more."
        )


def compare_viscosity_models(temperature_C: ArrayLike, kinematic_viscosity: ArrayLike) -> ModelComparison:
    r"""Compare the line of ASTM D341 with the curves of Vogel and of Andrade on the same points.

    All three are fitted to equal relative scatter, so that their criteria may be compared.

    .. math:: AIC_c = n \ln \frac{S}{n} + 2 k + \frac{2 k (k + 1)}{n - k - 1}

    with S the sum of squares in ln ν and k the coefficients and the scatter.

    Parameters
    ----------
    temperature_C : array_like of float
        Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : array_like of float
        Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.

    Returns
    -------
    ModelComparison
        Scatter and errors, [%], and the criterion, [-]; NaN where a point is NaN, or no curve of Vogel bends so.

    Raises
    ------
    OutOfRangeError
        A viscosity is outside the range, or an oil has fewer than two different temperatures.

    References
    ----------
    .. [1] C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989) 297; K. P. Burnham and D. R. Anderson, Model Selection and
       Multimodel Inference (2002), 2.4 and 2.6: a difference below 2 leaves the runner-up substantial support.

    Examples
    --------
    >>> two = compare_viscosity_models([40.0, 100.0], [73.30, 8.86])
    >>> two.best, two.reason
    (np.str_('undecided'), "Two points lie on a curve of any model: they can't decide.")
    """
    temperature, viscosity = points_of_curves(
        temperature_C, kinematic_viscosity, needed=2, what="curves", reason="a comparison of models needs two"
    )
    T, y = np.broadcast_to(kelvin(temperature), viscosity.shape), np.log(viscosity)
    W = walther_ordinate(viscosity)
    line, line_left_out = _d341(T, viscosity, np.asarray(W))
    andrade, andrade_left_out = _andrade(T, y)
    errors = np.stack([line, _vogel(T, y, T, y), andrade], axis=-2)
    left_out = np.stack([line_left_out, _vogel_left_out(T, y), andrade_left_out], axis=-2)
    scatter = np.sqrt(np.mean(errors**2, axis=-1))
    criterion = _criterion(scatter, temperature.shape[-1])
    return ModelComparison(
        temperature.shape[-1],
        100.0 * scatter,
        100.0 * np.sqrt(np.mean(left_out**2, axis=-1)),
        criterion,
        _decided(criterion),
    )


Errors = NDArray[np.float64]
"""Curve less point in ln ν, last axis the points."""


def _d341(T: NDArray[np.float64], viscosity: NDArray[np.float64], W: NDArray[np.float64]) -> tuple[Errors, Errors]:
    on_chart = _line_errors(np.log10(T), W, ordinate_of_percent(viscosity) ** -2.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a line through wild points may leave the viscosities
        errors, left_out = (np.log(solved_viscosity(W + error) / viscosity) for error in on_chart)
    return errors, left_out


def _andrade(T: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[Errors, Errors]:
    return _line_errors(1.0 / T, y, np.ones_like(y))


def _line_errors(x: NDArray[np.float64], y: NDArray[np.float64], weights: NDArray[np.float64]) -> tuple[Errors, Errors]:
    """Return the line less each point, with all points and with that point left out."""
    fit = straight_line(x, y, weights)
    errors = fit.at(x) - y
    leverage = fit.leverage(x, weights)
    left = np.where(leverage > 1.0 - _ALONE, np.nan, 1.0 - leverage)  # a point that the others can't tell of
    return errors, errors / left


def _vogel(T: NDArray[np.float64], y: NDArray[np.float64], at: NDArray[np.float64], of: NDArray[np.float64]) -> Errors:
    if T.shape[-1] < 3:
        return np.full_like(of, np.nan)
    a, b, T0 = (values[..., None] for values in vogel_coefficients(T, y))
    return np.asarray(a + b / (at - T0) - of)


def _vogel_left_out(T: NDArray[np.float64], y: NDArray[np.float64]) -> Errors:
    points = range(T.shape[-1])
    each = [slice(i, i + 1) for i in points]
    return np.concatenate(
        [_vogel(np.delete(T, i, -1), np.delete(y, i, -1), T[..., each[i]], y[..., each[i]]) for i in points], axis=-1
    )


def _criterion(scatter: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    k = np.array(_COEFFICIENTS) + 1.0  # the scatter is estimated too
    enough = n - k - 1.0 > 0.0
    correction = 2.0 * k * (k + 1.0) / np.where(enough, n - k - 1.0, np.nan)
    return np.asarray(2.0 * n * np.log(np.maximum(scatter, _ROUND_OFF)) + 2.0 * k + correction)


def _decided(criterion: NDArray[np.float64]) -> NDArray[np.str_]:
    ranked = np.sort(criterion, axis=-1)  # NaN last
    clear = ranked[..., 1] - ranked[..., 0] >= _DECISIVE
    winner = np.argmin(np.where(np.isnan(criterion), np.inf, criterion), axis=-1)
    return np.asarray(np.where(clear, np.array(VISCOSITY_MODELS)[winner], "undecided"))[()]
