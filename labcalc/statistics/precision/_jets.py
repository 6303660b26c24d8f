"""Numbers that carry their first and second derivatives along: exact gradients and curvatures of a likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.statistics.series import Array


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
