"""Propagation of distributions by Monte Carlo, and the check of a first-order budget against it (GUM, supplement 1)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics import InputQuantity, UncertaintyBudget
from tests.statistics.propagation import checked_correlation

MOST_TRIALS = 5_000_000
"""Where an adaptive run gives up."""

_LEAST_BLOCK = 10_000


@dataclass(frozen=True)
class MonteCarloResult:
    """What the propagation of distributions gives for the output; the same seed gives the same numbers.

    ``settled`` is false where an adaptive run reached its last trial before its numbers had settled to the asked
    digits; a run of a fixed number of trials has nothing to settle and says true.
    """

    value: float
    standard_uncertainty: float
    confidence: float
    symmetric_interval: tuple[float, float]
    shortest_interval: tuple[float, float]
    trials: int
    settled: bool
    seed: int


@dataclass(frozen=True)
class Validation:
    """Whether a first-order result stands: both ends of its interval within the tolerance of the Monte Carlo one."""

    tolerance: float
    lower_difference: float
    upper_difference: float

    @property
    def passed(self) -> bool:
        """Both ends agree (JCGM 101:2008, 8.1)."""
        return max(self.lower_difference, self.upper_difference) <= self.tolerance


def monte_carlo(
    function: Callable[..., ArrayLike],
    inputs: Sequence[InputQuantity],
    *,
    correlation: ArrayLike | None = None,
    confidence: float = 0.95,
    trials: int | None = None,
    digits: int = 2,
    seed: int = 1,
) -> MonteCarloResult:
    """Propagate the inputs' distributions through a model."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence:g}: more than 0 and less than 1 was expected")
    factor = _factor(inputs, correlation)
    generator = np.random.default_rng(seed)

    def block(size: int) -> NDArray[np.float64]:
        drawn = _draw(inputs, factor, generator, size)
        return np.broadcast_to(np.asarray(function(*drawn), dtype=float), (size,))

    if trials is not None:
        return _summary(block(trials), confidence, seed, settled=True)
    outputs, settled = _adaptive(block, confidence, digits)
    return _summary(outputs, confidence, seed, settled=settled)


def _adaptive(
    block: Callable[[int], NDArray[np.float64]], confidence: float, digits: int
) -> tuple[NDArray[np.float64], bool]:
    """JCGM 101:2008, 7.9.4: blocks until twice the deviation of every mean is below the tolerance."""
    size = max(math.ceil(100.0 / (1.0 - confidence)), _LEAST_BLOCK)
    blocks = [block(size)]
    estimates = [_estimates(blocks[0], confidence)]
    while len(blocks) * size < MOST_TRIALS:
        blocks.append(block(size))
        estimates.append(_estimates(blocks[-1], confidence))
        deviations = np.std(estimates, axis=0, ddof=1) / math.sqrt(len(blocks))
        spread = float(np.mean(estimates, axis=0)[1])
        if np.all(2.0 * deviations <= numerical_tolerance(spread, digits)):
            return np.concatenate(blocks), True
    return np.concatenate(blocks), False


def _estimates(outputs: NDArray[np.float64], confidence: float) -> tuple[float, float, float, float]:
    return (float(np.mean(outputs)), float(np.std(outputs, ddof=1)), *_symmetric(np.sort(outputs), confidence))


def _summary(outputs: NDArray[np.float64], confidence: float, seed: int, *, settled: bool) -> MonteCarloResult:
    ordered = np.sort(outputs)
    return MonteCarloResult(
        float(np.mean(outputs)),
        float(np.std(outputs, ddof=1)),
        confidence,
        _symmetric(ordered, confidence),
        _shortest(ordered, confidence),
        outputs.size,
        settled,
        seed,
    )


def _symmetric(ordered: NDArray[np.float64], confidence: float) -> tuple[float, float]:
    """JCGM 101:2008, 7.7.2: as many outputs below the interval as above it."""
    inside = min(round(confidence * ordered.size), ordered.size - 1)
    lowest = (ordered.size - inside) // 2
    return float(ordered[lowest]), float(ordered[min(lowest + inside, ordered.size - 1)])


def _shortest(ordered: NDArray[np.float64], confidence: float) -> tuple[float, float]:
    """JCGM 101:2008, 7.7.3."""
    inside = min(round(confidence * ordered.size), ordered.size - 1)
    lowest = int(np.argmin(ordered[inside:] - ordered[: ordered.size - inside]))
    return float(ordered[lowest]), float(ordered[lowest + inside])


def _factor(inputs: Sequence[InputQuantity], correlation: ArrayLike | None) -> NDArray[np.float64] | None:
    """Return the matrix that turns independent normal draws into correlated ones; none where nothing is correlated."""
    for given in inputs:
        if not math.isfinite(given.standard_uncertainty):
            raise ValueError(f"{given.name}: its standard uncertainty is unknown, nothing can be drawn")
    if correlation is None:
        return None
    matrix = checked_correlation(correlation, len(inputs))
    bound = np.any(matrix - np.diag(np.diag(matrix)) != 0.0, axis=1)
    for given, is_bound in zip(inputs, bound, strict=True):
        if is_bound and (given.distribution != "normal" or math.isfinite(given.degrees_of_freedom)):
            raise ValueError(f"{given.name}: a correlated input must be normal, with infinite degrees of freedom")
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _draw(
    inputs: Sequence[InputQuantity], factor: NDArray[np.float64] | None, generator: Generator, size: int
) -> list[NDArray[np.float64]]:
    if factor is None:
        return [i.value + i.standard_uncertainty * _standard_draws(i, generator, size) for i in inputs]
    normal = factor @ generator.standard_normal((len(inputs), size))
    bound = np.count_nonzero(np.abs(factor @ factor.T) > 1e-12, axis=1) > 1
    return [
        i.value + i.standard_uncertainty * (normal[row] if bound[row] else _standard_draws(i, generator, size))
        for row, i in enumerate(inputs)
    ]


def _standard_draws(given: InputQuantity, generator: Generator, size: int) -> NDArray[np.float64]:
    """JCGM 101:2008, table 1, in units of the standard uncertainty about the estimate."""
    if callable(given.distribution):
        return np.asarray(given.distribution(generator, size), dtype=float)
    if given.distribution == "normal":
        if math.isfinite(given.degrees_of_freedom):
            return generator.standard_t(given.degrees_of_freedom, size)  # 6.4.9.4
        return generator.standard_normal(size)
    if given.distribution == "rectangular":
        return generator.uniform(-math.sqrt(3.0), math.sqrt(3.0), size)
    if given.distribution == "triangular":
        return generator.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), size)
    if given.distribution == "arcsine":
        return math.sqrt(2.0) * np.sin(generator.uniform(0.0, 2.0 * math.pi, size))  # 6.4.6.4
    raise ValueError(
        f"{given.name}: distribution {given.distribution!r} is none of normal, rectangular, triangular, arcsine"
    )


def numerical_tolerance(standard_uncertainty: float, digits: int = 2) -> float:
    """Return half a unit in the last significant digit of a standard uncertainty."""
    if standard_uncertainty == 0.0:
        return 0.0
    exponent = int(f"{standard_uncertainty:.{digits - 1}e}".split("e")[1])
    return 0.5 * 10.0 ** (exponent - digits + 1)


def validated(value: float, budget: UncertaintyBudget, simulated: MonteCarloResult, digits: int = 2) -> Validation:
    """Compare the interval of a first-order budget, value ± U, with that of Monte Carlo at the same probability."""
    lower, upper = value - budget.expanded_uncertainty, value + budget.expanded_uncertainty
    return Validation(
        numerical_tolerance(budget.standard_uncertainty, digits),
        abs(lower - simulated.symmetric_interval[0]),
        abs(upper - simulated.symmetric_interval[1]),
    )
