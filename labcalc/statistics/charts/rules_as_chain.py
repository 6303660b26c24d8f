"""Run rules as a finite chain: states are what the rules must remember, steps are zones of the chart."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from labcalc.statistics.charts.run_rules import Beyond, RunRule, Within
from labcalc.statistics.series import Array

Memory: TypeAlias = int
Step: TypeAlias = Callable[[Memory], Memory]

_SIGNAL = -1
_MOST_STATES = 4_000  # more take minutes to solve; the usual rule sets have some hundred


@dataclass(frozen=True, eq=False)
class RuleChain:
    """``following[state, zone]`` is the next state, -1 for a signal; zones lie between ``edges``, from below."""

    edges: Array
    following: NDArray[np.intp]

    def zone_probabilities(self, shift: float) -> Array:
        """Return the probability, [-], of each zone for a normal result, from the lowest zone up.

        shift : True mean off the centre line, [sigma].
        """
        from scipy.special import ndtr

        below = self.edges - shift
        # Differences in the nearer tail: no digits are lost far from the centre.
        lower, upper = np.diff(ndtr(below), prepend=0.0, append=1.0), -np.diff(ndtr(-below), prepend=1.0, append=0.0)
        middle = np.append(below, np.inf) > 0.0
        return np.asarray(np.where(middle, upper, lower))


@lru_cache(maxsize=16)
def rule_chain(rules: tuple[RunRule, ...]) -> RuleChain:
    """Build the chain of a rule set, state by state from an empty chart, which is state 0.

    rules : Rules that look at zones, [-].
    Raises ValueError : A rule looks at trends or alternation, which no finite number of states can remember; or more
        than 4000 states.
    """
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
    if rule.side == "either" or rule.window == 1:
        hits = [abs(zone) > rule.sigmas]
    else:
        hits = [zone > rule.sigmas, zone < -rule.sigmas]
    if rule.count == rule.window:
        return [_counter(rule.count, hit) for hit in hits]
    return [_register(rule.count, rule.window, hit) for hit in hits]


def _counter(count: int, hit: bool) -> Step:
    """Remember how long the run is."""

    def step(memory: Memory) -> Memory:
        length = memory + 1 if hit else 0
        return _SIGNAL if length == count else length

    return step


def _register(count: int, window: int, hit: bool) -> Step:
    """Remember which of the last points were hits, the newest in the lowest bit."""
    mask = (1 << (window - 1)) - 1

    def step(memory: Memory) -> Memory:
        marks = (memory << 1) | hit
        return _SIGNAL if hit and marks.bit_count() >= count else marks & mask

    return step
