"""Simulation beside theory: how far apart, in standard errors of the simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

_FURTHEST = 4.0
"""Standard errors apart that still count as agreement: chance goes further in one case of 16 000."""


@dataclass(frozen=True)
class Agreement:
    """One number by theory and by simulation, with the standard error of the simulation."""

    what: str
    theory: float
    simulated: float
    standard_error: float
    unit: str
    number: int
    """Number of simulated cases."""

    @property
    def apart(self) -> float:
        """Distance of the two in standard errors."""
        return (self.simulated - self.theory) / self.standard_error

    @property
    def agrees(self) -> bool:
        """Whether the distance is no more than chance gives."""
        return abs(self.apart) <= _FURTHEST


def agreement_of_share(what: str, theory: float, hits: ArrayLike) -> Agreement:
    """Compare a probability with the share of hits among simulated cases.

    Parameters
    ----------
    what : What is compared.
    theory : Probability by theory, [-], above 0 and below 1.
    hits : One a simulated case.

    Returns
    -------
    In percent, [%].
    """
    cases = np.asarray(hits, dtype=bool)
    error = math.sqrt(theory * (1.0 - theory) / cases.size)
    return Agreement(what, 100.0 * theory, 100.0 * float(np.mean(cases)), 100.0 * error, "%", cases.size)


def agreement_of_mean(what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
    """Compare an expectation with the mean of simulated values, [unit of the values]."""
    drawn = np.asarray(values, dtype=float)
    error = float(np.std(drawn, ddof=1)) / math.sqrt(drawn.size)
    return Agreement(what, theory, float(np.mean(drawn)), error, unit, drawn.size)


def agreement_of_spread(what: str, theory: float, values: ArrayLike, unit: str) -> Agreement:
    """Compare a standard deviation with that of simulated values, [unit of the values].

    Its standard error comes from the fourth moment of the values, so that it holds for any distribution.
    """
    drawn = np.asarray(values, dtype=float)
    squares = (drawn - np.mean(drawn)) ** 2
    spread = float(np.std(drawn, ddof=1))
    error = float(np.std(squares, ddof=1)) / math.sqrt(drawn.size) / (2.0 * spread)
    return Agreement(what, theory, spread, error, unit, drawn.size)
