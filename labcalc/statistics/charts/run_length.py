"""How many results pass before a chart signals: average, deviation and distribution, from the chart as a chain.

A chart is a chain of states that ends in a signal. From its matrix Q of steps without one all is had: the average
(I - Q)^-1 1, and the probability that no signal has come yet by repeated multiplication.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from labcalc.statistics.series import Array

_SETTLED = 1e-12  # relative change from one result to the next at which the rest is taken as geometric
_SPENT = 1e-15  # probability that is taken for none: the rounding of the sums
_NEVER = 1e-12  # probability of a signal from one result to the next below which (I - Q) can't be solved to any use


@dataclass(frozen=True, eq=False)
class RunLength:
    """Number of results up to and including the first signal.

    ``survival[n]`` is the probability that n results pass without a signal; beyond its end it falls by ``decay`` with
    each result.
    """

    average: float
    standard_deviation: float
    survival: Array
    decay: float

    def probability_within(self, results: int) -> float:
        """Return the probability, [-], of a signal within a number of results.

        results : Number of results, [-], 0 or more.
        """
        last = self.survival.size - 1
        if results <= last:
            return 1.0 - float(self.survival[results])
        return 1.0 - float(self.survival[-1]) * self.decay ** (results - last)

    def quantile(self, probability: float) -> int:
        """Return the smallest number of results, [-], within which a signal comes with a probability.

        probability : Probability, [-], above 0 and below 1; 0.5 for the median.
        Raises ValueError : The probability is not between 0 and 1, or a signal practically never comes.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"probability {probability:g}: more than 0 and less than 1 was expected")
        if self.decay == 1.0:
            raise ValueError("limits so wide that a signal practically never comes: no number of results can be given")
        left = 1.0 - probability
        if self.survival[-1] <= left:
            return int(np.argmax(self.survival <= left))
        return self.survival.size - 1 + math.ceil(math.log(left / self.survival[-1]) / math.log(self.decay))


def chain_run_length(matrix: Any, start: int) -> RunLength:
    """Return the run length of a chart that is given as a chain.

    matrix : Probabilities of a step from each state to each other one without a signal, [-].
    start : State of an empty chart, [-].
    Returns : Distribution of the run length, [results]; an infinite average where it is more than 1e12.
    Source : Brook, D., Evans, D. A.: Biometrika 59 (1972) 539.
    """
    survival, decay = _survival(matrix, start)
    if decay > 1.0 - _NEVER:
        return RunLength(math.inf, math.inf, np.ones(1), 1.0)
    average, second = _moments(matrix)
    # E[N^2] = 2 (I - Q)^-1 E[N] - E[N]; where the first result always signals, rounding may leave some -1e-16.
    variance = 2.0 * second[start] - average[start] - average[start] ** 2
    return RunLength(float(average[start]), math.sqrt(max(float(variance), 0.0)), survival, decay)


def _moments(matrix: Any) -> tuple[Array, Array]:
    ones = np.ones(matrix.shape[0])
    if isinstance(matrix, np.ndarray):
        inverse = np.asarray(np.linalg.inv(np.eye(ones.size) - matrix), dtype=np.float64)
        return inverse @ ones, inverse @ (inverse @ ones)
    from scipy.sparse import eye_array
    from scipy.sparse.linalg import splu

    solver = splu((eye_array(ones.size) - matrix).tocsc())
    average = solver.solve(ones)
    return average, solver.solve(average)


def _survival(matrix: Any, start: int) -> tuple[Array, float]:
    """Multiply until every further result takes the same part of what is left, whatever the state."""
    left, survival, decay = np.ones(matrix.shape[0]), [1.0], 1.0
    while survival[-1] > 0.0:
        before, left = left, matrix @ left
        survival.append(float(left[start]) if left[start] > _SPENT else 0.0)
        decay = survival[-1] / survival[-2]
        if np.max(np.abs(left - decay * before)) <= _SETTLED * np.max(left):
            break
    return np.array(survival), decay
