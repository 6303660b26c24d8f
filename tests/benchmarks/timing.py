"""How the benchmarks time: other work on the machine doesn't count, and one lucky or unlucky call doesn't decide.

It is CPU time of this process (or of its children), not the clock's, after a call that isn't counted, as it imports
modules and fills caches that last. There are several rounds, each long enough for the clock. A time is the least of its
rounds; a ratio comes from pairs of rounds taken in turn, as the machine's pace changes, and is the median of theirs.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

ROUNDS = 5
SHORTEST_S = 0.02
"""A round has as many calls as take this long, [s]."""

HOW = f"CPU time of a call, the least of {ROUNDS} rounds of {SHORTEST_S:g} s or one call, after one that isn't counted"

Made = TypeVar("Made")


@dataclass(frozen=True)
class Ratio:
    """How many times as long one piece of work takes as another: median, least and most of the pairs."""

    median: float
    least: float
    most: float

    def __str__(self) -> str:
        return f"{self.median:.3g} × ({self.least:.3g} to {self.most:.3g})"


def cpu_seconds(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the CPU time of a call, [s]."""
    number = _calls(work)
    return min(_spent(work, number) for _ in range(rounds))


def fresh_cpu_seconds(make: Callable[[], Made], work: Callable[[Made], object], rounds: int = ROUNDS) -> float:
    """Return the CPU time of a call, [s], with something made anew for each, so that no cache in it helps."""
    times = []
    for _ in range(rounds + 1):
        made = make()
        times.append(_spent(lambda made=made: work(made), 1))
    return min(times[1:])


def cpu_ratio(slow: Callable[[], object], fast: Callable[[], object], per: float = 1.0, rounds: int = 9) -> Ratio:
    """Return how many times as long the slow one takes; ``per`` calls of it do what one of the fast one does."""
    slow_calls, fast_calls = _calls(slow), _calls(fast)
    found = [per * _spent(slow, slow_calls) / _spent(fast, fast_calls) for _ in range(rounds)]
    return Ratio(statistics.median(found), min(found), max(found))


def children_cpu_seconds() -> float:
    """Return the CPU time of the child processes that have ended, and of theirs, [s]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def report(name: str, against: str, values: int, work: Callable[[], object], base: float) -> None:
    """Time some work and print it beside its base."""
    taken = cpu_seconds(work)
    print(f"{name:40} {taken / values * 1e9:8.0f} ns a value   {taken / base:5.2f} × {against}")


def _calls(work: Callable[[], object]) -> int:
    work()
    return max(1, round(SHORTEST_S / max(_spent(work, 1), 1e-9)))


def _spent(work: Callable[[], object], number: int) -> float:
    began = time.process_time()
    for _ in range(number):
        work()
    return (time.process_time() - began) / number
