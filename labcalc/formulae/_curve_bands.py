"""How well a fitted curve is known: the noise of its points, carried through its least squares to first order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import Array
from labcalc.formulae._series import keeps_index
from labcalc.formulae._stated import refuse_level, stated_percent, two_sided_quantile


@dataclass(frozen=True, eq=False)
class FittedPoints:
    """Points that a curve was fitted to by least squares of an ordinate, last axis; all sure to the same percentage."""

    jacobian: Array
    """Derivatives of the ordinate by the coefficients, the last axis the coefficients, [-]."""
    ordinate_of_percent: Array  # change of the ordinate for 1 % of the viscosity, [-]
    residuals_percent: Array  # curve minus point, [% of the point's viscosity]

    def half_width(
        self,
        derivatives: Array,
        ordinate_of_percent: Array,
        noise_percent: ArrayLike | None,
        level: float,
        results: int,
    ) -> Array:
        """Return half the interval of the curve, in its ordinate, and of so many further results."""
        refuse_level(level)
        noise, freedom = self._noise(noise_percent)
        known = np.isfinite(self.jacobian).all(axis=(-2, -1), keepdims=True)
        shares = np.einsum("...k,...kn->...n", derivatives, np.linalg.pinv(np.where(known, self.jacobian, 0.0)))
        of_curve = np.sum((shares * self.ordinate_of_percent) ** 2, axis=-1)
        return np.asarray(
            two_sided_quantile(level, freedom) * noise * np.sqrt(of_curve + results * ordinate_of_percent**2)
        )

    def _noise(self, stated: ArrayLike | None) -> tuple[Array, float]:
        """Return the standard deviation of a result, [%], stated or by the scatter of the points, and its freedom."""
        if stated is not None:
            return stated_percent(stated, self.residuals_percent[..., 0]), np.inf
        points, coefficients = self.jacobian.shape[-2:]
        if points <= coefficients:
            reason = f"a curve with {coefficients} coefficients leaves no scatter; state the noise of the results"
            told = "too few for the uncertainty of this curve"
            raise OutOfRangeError("number of results", float(points), "[-]", told=told, reason=reason)
        return np.sqrt(np.sum(self.residuals_percent**2, axis=-1) / (points - coefficients)), float(
            points - coefficients
        )


@dataclass(frozen=True, eq=False)
class ViscosityBand:
    """A line and the interval about it, at the temperatures that were asked for."""

    lowest: Array  # lower end, [mm²/s]
    line: Array  # the line, [mm²/s]
    highest: Array  # upper end, [mm²/s]


class CurveWithBands:
    """A fitted curve that says how well it is known."""

    @keeps_index
    def confidence_band(
        self,
        temperature_C: ArrayLike,
        *,
        noise_percent: ArrayLike | None = None,
        level: float = 0.95,
        extrapolate: bool = False,
    ) -> ViscosityBand:
        """Return the interval that holds the true viscosity of an oil that follows the curve.

        The noise of the points is carried through the fit to first order. How far the oil is from the curve isn't in
        it: the band of ``estimate_viscosity_temperature`` knows of that.

        Parameters
        ----------
        temperature_C : Temperature, [°C], within the fitted ones.
        noise_percent : Standard deviation of a result, [%], one for all of an oil, such as repeatability limit / 2.8;
            without it, the scatter of the points about the curve.
        level : Probability, [-], between 0 and 1.
        extrapolate : Also go outside the fitted temperatures, with an ExtrapolationWarning; the interval grows.

        Returns
        -------
        Curve and interval, [mm²/s] or [mPa·s].

        Raises
        ------
        OutOfRangeError : A temperature is outside the fitted ones, the level is no probability, or the noise is not
            positive, or neither stated nor told by more points than coefficients.
        """
        return self._band(temperature_C, noise_percent, level, extrapolate, 0)

    @keeps_index
    def prediction_band(
        self,
        temperature_C: ArrayLike,
        *,
        noise_percent: ArrayLike | None = None,
        level: float = 0.95,
        extrapolate: bool = False,
    ) -> ViscosityBand:
        """Return the interval that holds one further result with the same noise.

        Parameters
        ----------
        temperature_C : Temperature, [°C], within the fitted ones.
        noise_percent : As ``confidence_band``, [%].
        level : Probability, [-], between 0 and 1.
        extrapolate : As ``confidence_band``.

        Returns
        -------
        Curve and interval, [mm²/s] or [mPa·s].

        Raises
        ------
        OutOfRangeError : As ``confidence_band``.
        """
        return self._band(temperature_C, noise_percent, level, extrapolate, 1)

    def _band(
        self, temperature_C: ArrayLike, noise_percent: ArrayLike | None, level: float, extrapolate: bool, results: int
    ) -> ViscosityBand:
        raise NotImplementedError
