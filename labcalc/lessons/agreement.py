"""Simulation beside theory: how far apart, in standard errors of the simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

_FURTHEST = 4.0  # standard errors apart that still count as agreement: chance goes further in one case of 16 000
_FOUND_AT = 6.0
"""Standard errors by which a theory has to be wrong for 98 % of such simulations to show it: 4 and the 2 of chance."""


@dataclass(frozen=True, eq=False)
class Agreement:
    """One number by theory and by simulation, with the standard error of the simulation."""

    what: str
    theory: float
    unit: str
    draws: NDArray[np.float64]  # the simulated cases, [unit]; of a share 100 for a hit and 0 for none
    kind: Literal["share", "mean", "spread"]

    @property
    def number(self) -> int:
        """Number of simulated cases."""
        return self.draws.size

    @cached_property
    def simulated(self) -> float:
        """The number by simulation; NaN for the spread of a single case."""
        if self.kind == "spread":
            return float(np.std(self.draws, ddof=1)) if self.number > 1 else math.nan
        return float(np.mean(self.draws))

    @cached_property
    def standard_error(self) -> float:
        """Standard error of the simulation; that of a spread by the fourth moment, so that it holds for any law."""
        if self.kind == "share":
            return math.sqrt(self.theory * (100.0 - self.theory) / self.number)
        if self.number < 2:
            return math.nan
        if self.kind == "mean":
            return float(np.std(self.draws, ddof=1)) / math.sqrt(self.number)
        squares = (self.draws - np.mean(self.draws)) ** 2
        return float(np.std(squares, ddof=1)) / math.sqrt(self.number) / (2.0 * self.simulated)

    @property
    def apart(self) -> float:
        """Distance of the two in standard errors."""
        return (self.simulated - self.theory) / self.standard_error

    @property
    def agrees(self) -> bool:
        """Whether the distance is no more than chance gives."""
        return abs(self.apart) <= _FURTHEST

    @property
    def shows(self) -> float:
        """How wrong the theory has to be for this check to show it, [unit]."""
        return _FOUND_AT * self.standard_error

    def first(self, number: int) -> Agreement:
        """Return what the first few of the simulated cases say."""
        return replace(self, draws=self.draws[:number])


@lru_cache(maxsize=8)
def normal_draws(seed: int, *shape: int) -> NDArray[np.float64]:
    """Return standard normal numbers; the same ones for the same seed and shape, and nobody may change them."""
    drawn = np.random.default_rng([seed, *shape]).standard_normal(shape)
    drawn.setflags(write=False)
    return drawn


def agreement_of_share(what: str, theory: float, hits: ArrayLike) -> Agreement:
    """Compare a probability [-], above 0 and below 1, with the share of hits among simulated cases, in percent."""
    return Agreement(what, 100.0 * theory, "%", 100.0 * np.asarray(hits, dtype=float), "share")


def agreement_of_mean(what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
    """Compare an expectation with the mean of simulated values, [unit of the values]."""
    return Agreement(what, theory, unit, np.asarray(values, dtype=float), "mean")


def agreement_of_spread(what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
    """Compare a standard deviation with that of simulated values, [unit of the values]."""
    return Agreement(what, theory, unit, np.asarray(values, dtype=float), "spread")
