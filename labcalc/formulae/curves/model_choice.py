"""Which curve of viscosity over temperature do the points speak for? And when can't they decide?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._refusals import Array, kelvin
from labcalc.formulae.curves._points import points_of_curves, refuse_rising, stated_percent, straight_line
from labcalc.formulae.curves.viscosity_models import vogel_coefficients
from labcalc.formulae.curves.walther import ordinate_of_percent, solved_viscosity, walther_ordinate

EDITION = "likelihood ratio of models with known noise: Burnham and Anderson 2002"

VISCOSITY_MODELS = ("ASTM D341", "Vogel", "Andrade")  # in the order of the last axis of the results
_CANT_TELL, _NONE = "can't tell", "none of them"
_COEFFICIENTS = np.array((2, 3, 2))
_DECISIVE = 16.0  # difference of two misfits that decides: the points are e⁸, 3000 times, as likely by the better model
_BAD = 0.001  # share of oils that follow a model and yet are called to follow none
_VOGEL_T0_K = (50.0, 230.0)
"""Range of T₀ of liquids, [K]: water 140, mineral oils 160 to 190; below it Vogel's curve is all but Andrade's."""


@dataclass(frozen=True, eq=False)
class ModelComparison:
    """How three models describe the same points; last axis the models, in the order of ``VISCOSITY_MODELS``."""

    number_of_points: int
    scatter_percent: Array  # root mean square of the points about each curve, [%]
    misfit: Array  # squares about each curve over that of the noise, [-]: about points less coefficients if right
    best: NDArray[np.str_]  # name of the model that the points decide for, ``can't tell``, or ``none of them``

    @property
    def reason(self) -> str:
        """What the points can decide at all, in a sentence."""
        n = self.number_of_points
        if n == 2:
            return "Two points lie on a curve of any model: they can't decide."
        three = "; three lie on a curve of Vogel, so they are no evidence for it" if n == 3 else ""
        rare = f"if by every other one they are 3000 times less likely{three}"
        return f"The {n} points decide for a model that they fit within the noise, {rare}."


def compare_viscosity_models(
    temperature_C: ArrayLike, kinematic_viscosity: ArrayLike, noise_percent: ArrayLike
) -> ModelComparison:
    r"""Compare the line of ASTM D341 with the curves of Vogel and of Andrade on the same points, by the known noise.

    .. math:: \chi^2 = \sum_i \left( \frac{\ln \nu_i - \ln \hat\nu_i}{u} \right)^2

    A model is named where the points fit it and the misfit of each other one is greater by 16 or more; Vogel's T₀ is
    kept within 50 K to 230 K. Where a model is named, it is the right one of the three in 19 of 20 cases and more.

    temperature_C : Temperatures, [°C]; the last axis holds the points of an oil, axes before it the oils.
    kinematic_viscosity : Kinematic viscosities at them, [mm²/s], 0.21 to 2e7; broadcasts against the temperatures.
    noise_percent : Standard deviation of a result, [%], such as repeatability limit / 2.8; one for all results of an
        oil.
    Returns : Scatter and errors, [%], and the misfit, [-]; NaN where a point is NaN, or there are too few for Vogel's
        curve.
    Source : K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference (2002), 2.4 and 2.6, for the
        likelihood ratio of models; the threshold is labcalc's own, held by simulation.

    >>> two = compare_viscosity_models([40.0, 100.0], [73.30, 8.86], 0.3)
    >>> two.best, two.reason
    (np.str_("can't tell"), "Two points lie on a curve of any model: they can't decide.")
    """
    what, reason = "curves", "a comparison of models needs two"
    temperature, viscosity = points_of_curves(temperature_C, kinematic_viscosity, needed=2, what=what, reason=reason)
    W = np.asarray(walther_ordinate(viscosity))
    refuse_rising(temperature, viscosity)
    T, y = np.broadcast_to(kelvin(temperature), viscosity.shape), np.log(viscosity)
    noise = stated_percent(noise_percent, viscosity[..., 0])[..., None]
    errors = np.stack([_d341(T, viscosity, W), _vogel(T, y), straight_line(1.0 / T, y).at(1.0 / T) - y], axis=-2)
    scatter = 100.0 * np.sqrt(np.mean(errors**2, axis=-1))
    points = int(temperature.shape[-1])
    misfit = points * (scatter / noise) ** 2
    return ModelComparison(points, scatter, misfit, _decided(misfit, points))


Errors = Array  # curve less point in ln ν, last axis the points


def _d341(T: Array, viscosity: Array, W: Array) -> Errors:
    x = np.log10(T)
    line = straight_line(x, W, ordinate_of_percent(viscosity) ** -2.0).at(x)
    with np.errstate(divide="ignore", invalid="ignore"):  # a line through wild points may leave the viscosities
        return np.asarray(np.log(solved_viscosity(line) / viscosity))


def _vogel(T: Array, y: Array) -> Errors:
    """Return the curve less points; with T₀ at an end of its range where the least squares lie outside."""
    if T.shape[-1] < 3:
        return np.full_like(y, np.nan)
    different = 1 + np.sum(np.diff(np.sort(T, axis=-1), axis=-1) > 0.0, axis=-1, keepdims=True)
    free = [one[..., None] for one in vogel_coefficients(T, y)]
    lowest, highest = _VOGEL_T0_K[0], np.minimum(_VOGEL_T0_K[1], T.min(axis=-1, keepdims=True) - 1.0)
    inside = (free[2] >= lowest) & (free[2] <= highest)
    ends = [_vogel_with(T, y, T0) for T0 in (np.full_like(highest, lowest), highest)]
    of_low, of_high = (np.sum(_less(end, T, y) ** 2, axis=-1, keepdims=True) for end in ends)
    choices = zip(free, *ends, strict=True)
    found = (np.where(inside, own, np.where(of_low < of_high, low, high)) for own, low, high in choices)
    return np.where(different < 3, np.nan, _less(tuple(found), T, y))


def _vogel_with(T: Array, y: Array, T0: Array) -> tuple[Errors, ...]:
    fit = straight_line(1.0 / (T - T0), y)
    return fit.intercept[..., None], fit.slope[..., None], T0


def _less(curve: tuple[Errors, ...], T: Array, y: Array) -> Errors:
    a, b, T0 = curve
    return np.asarray(a + b / (T - T0) - y)


def _decided(misfit: Array, points: int) -> NDArray[np.str_]:
    from scipy.special import chdtri

    freedom = points - _COEFFICIENTS
    fits = misfit <= chdtri(np.maximum(freedom, 1), _BAD)
    least, second = np.moveaxis(np.sort(misfit, axis=-1)[..., :2], -1, 0)  # NaN last
    best = np.argmin(np.where(np.isnan(misfit), np.inf, misfit), axis=-1)
    told = ~np.isnan(misfit).any(axis=-1) & (freedom[best] > 0)
    named = np.where(second - least >= _DECISIVE, np.array(VISCOSITY_MODELS)[best], _CANT_TELL)
    return np.asarray(np.where(told, np.where(fits.any(axis=-1), named, _NONE), _CANT_TELL))[()]
