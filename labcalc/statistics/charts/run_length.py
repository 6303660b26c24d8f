"""How many results pass before a chart signals: average, deviation and distribution.

A chart is a chain of states that ends in a signal: for run rules, states are what the rules must remember, steps are
zones of the chart. From its matrix Q of steps without a signal all is had: the average (I - Q)^-1 1, and the
probability that no signal has come yet by repeated multiplication. Rules without a finite chain are simulated.
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from labcalc.statistics.charts.run_rules import Beyond, RunRule, Within, run_rule_signals
from labcalc.statistics.series import Array

Step: TypeAlias = Callable[[int], int]

_SETTLED = 1e-12  # relative change from one result to the next at which the rest is taken as geometric
_SPENT = 1e-15  # probability that is taken for none: the rounding of the sums
_CELLS = 401  # odd, so that the middle one holds the centre line
_BLOCK = 128  # results that are drawn at a time
_NEVER = 1e-12  # probability of a signal from one result to the next below which (I - Q) can't be solved to any use
_SIGNAL = -1
_MOST_STATES = 4_000  # more take minutes to solve; the usual rule sets have some hundred


@dataclass(frozen=True, eq=False)
class RuleChain:
    """``following[state, zone]`` is the next state, -1 for a signal; zones lie between ``edges``, from below."""

    edges: Array
    following: NDArray[np.intp]

    def zone_probabilities(self, shift: float) -> Array:
        """Return the probability of each zone for a normal result off the centre line by a shift in sigmas."""
        below = self.edges - shift
        # Differences in the nearer tail: no digits are lost far from the centre.
        lower, upper = np.diff(ndtr(below), prepend=0.0, append=1.0), -np.diff(ndtr(-below), prepend=1.0, append=0.0)
        middle = np.append(below, np.inf) > 0.0
        return np.asarray(np.where(middle, upper, lower))


@lru_cache(maxsize=16)
def rule_chain(rules: tuple[RunRule, ...]) -> RuleChain:
    """Build the chain of a rule set, state by state from an empty chart, which is state 0."""
    thresholds = sorted({t for rule in rules for t in (_sigmas(rule), -_sigmas(rule))})
    edges = np.array(thresholds)
    centres = [edges[0] - 1.0, *(edges[1:] + edges[:-1]) / 2.0, edges[-1] + 1.0]
    steps = [[tracker for rule in rules for tracker in _trackers(rule, zone)] for zone in centres]
    start = (0,) * len(steps[0])
    known, queue, following = {start: 0}, deque([start]), []
    while queue:
        if len(known) > _MOST_STATES:
            said = ", ".join(map(str, rules))
            raise ValueError(f"run rules '{said}' have more than {_MOST_STATES} states: use simulated_run_length")
        state = queue.popleft()
        row = []
        for zone in steps:
            after = tuple(step(memory) for step, memory in zip(zone, state, strict=True))
            if _SIGNAL in after:
                row.append(_SIGNAL)
                continue
            if after not in known:
                known[after] = len(known)
                queue.append(after)
            row.append(known[after])
        following.append(row)
    return RuleChain(edges, np.array(following, dtype=np.intp))


def _sigmas(rule: RunRule) -> float:
    if isinstance(rule, Beyond | Within):
        return rule.sigmas
    raise ValueError(f"run rule '{rule}' has no finite chain: use simulated_run_length")


def _trackers(rule: RunRule, zone: float) -> list[Step]:
    """Return what each memory of a rule becomes after a result in a zone."""
    if isinstance(rule, Within):
        return [_counter(rule.count, abs(zone) <= rule.sigmas)]
    assert isinstance(rule, Beyond)
    alone = rule.side == "either" or rule.window == 1
    hits = [abs(zone) > rule.sigmas] if alone else [zone > rule.sigmas, zone < -rule.sigmas]
    if rule.count == rule.window:
        return [_counter(rule.count, hit) for hit in hits]
    return [_register(rule.count, rule.window, hit) for hit in hits]


def _counter(count: int, hit: bool) -> Step:
    """Remember how long the run is."""

    def step(memory: int) -> int:
        length = memory + 1 if hit else 0
        return _SIGNAL if length == count else length

    return step


def _register(count: int, window: int, hit: bool) -> Step:
    """Remember which of the last points were hits, the newest in the lowest bit."""
    mask = (1 << (window - 1)) - 1

    def step(memory: int) -> int:
        marks = (memory << 1) | hit
        return _SIGNAL if hit and marks.bit_count() >= count else marks & mask

    return step


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


def rules_run_length(rules: tuple[RunRule, ...], shift: float = 0.0) -> RunLength:
    """Return the run length, [results], of a chart of individual results under run rules.

    rules : Rules that look at zones, [-]; trends and alternation have no finite chain: ``simulated_run_length``.
    shift : True mean off the centre line, [sigma].
    Source : Champ, C. W., Woodall, W. H.: Technometrics 29 (1987) 393.
    """
    from scipy.sparse import csr_array

    chain = rule_chain(rules)
    probabilities = chain.zone_probabilities(shift)
    states = len(chain.following)
    source, zone = np.nonzero(chain.following >= 0)
    matrix = csr_array((probabilities[zone], (source, chain.following[source, zone])), shape=(states, states))
    return chain_run_length(matrix, 0)


def ewma_run_length(
    weight: float, multiple: float = 3.0, shift: float = 0.0, *, individuals_limit: float = math.inf
) -> RunLength:
    """Return the run length of an EWMA chart with constant limits, alone or together with limits of individuals.

    The averages within the limits fall into 401 cells, the states of a chain.

    weight : Weight λ of the newest result, [-], above 0 up to 1.
    multiple : Half width L of the limits in standard deviations of the average, [-], above 0.
    shift : True mean off the centre line, [sigma].
    individuals_limit : Half width of the limits of individual results on the same chart, [sigma]; infinite: EWMA alone.
    Returns : Distribution of the run length, [results]; its average within 1e-3 for weights of 0.05 and more, within
        4e-3 for 0.01.
    Source : Lucas, J. M., Saccucci, M. S.: Technometrics 32 (1990) 1, the chain of Brook and Evans.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"EWMA weight {weight:g}: more than 0, up to 1 was expected")
    if not min(multiple, individuals_limit) > 0.0:
        raise ValueError(f"limits of {multiple:g} and {individuals_limit:g} sigma: more than 0 was expected")
    limit = multiple * math.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-limit, limit, _CELLS + 1)
    kept = (1.0 - weight) * (edges[1:] + edges[:-1])[:, np.newaxis] / 2.0
    # the results that lead from the middle of a cell to the edges of every other one, as far as their limits allow
    results = np.clip((edges - kept) / weight, -individuals_limit, individuals_limit)
    return chain_run_length(np.diff(ndtr(results - shift)), _CELLS // 2)


def chain_run_length(matrix: Any, start: int) -> RunLength:
    """Return the run length of a chain by the probabilities of its steps without a signal (Brook and Evans 1972).

    ``start`` is the state of an empty chart; an average of more than 1e12 is infinite.
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


@dataclass(frozen=True, eq=False)
class SimulatedRunLength:
    """Average run length with its Monte Carlo standard error; ``run_lengths`` are the single charts'."""

    average: float
    standard_error: float
    run_lengths: NDArray[np.int64]
    seed: int


def simulated_run_length(
    rules: tuple[RunRule, ...], shift: float = 0.0, *, charts: int = 10_000, seed: int = 1
) -> SimulatedRunLength:
    """Draw charts of normal results until each has signalled, and average their run lengths, [results].

    rules : Any rules, [-].
    shift : True mean off the centre line, [sigma].
    charts : Number of charts, [-].
    seed : Seed of the generator, [-].
    """
    generator = np.random.default_rng(seed)
    lengths = np.zeros(charts, dtype=np.int64)
    memory, going, passed = max(rule.window for rule in rules) - 1, np.arange(charts), 0
    tail = np.full((charts, 0), np.nan)
    while going.size:
        z = np.hstack([tail, shift + generator.standard_normal((going.size, _BLOCK))])
        beyond = run_rule_signals(z, rules).beyond[:, tail.shape[1] :]
        signalled = beyond.any(axis=1)
        lengths[going[signalled]] = passed + 1 + np.argmax(beyond[signalled], axis=1)
        going, passed = going[~signalled], passed + _BLOCK
        tail = z[~signalled, z.shape[1] - min(memory, z.shape[1]) :]
    error = float(np.std(lengths, ddof=1)) / math.sqrt(charts)
    return SimulatedRunLength(float(np.mean(lengths)), error, lengths, seed)
