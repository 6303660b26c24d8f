"""Run lengths by seeded simulation: for rules without a finite chain."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.statistics.charts.run_rules import RunRule, run_rule_signals

_BLOCK = 128  # results that are drawn at a time


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

    >>> from labcalc.statistics import NELSON
    >>> found = simulated_run_length(NELSON, 1.0, charts=500)
    >>> 8.5 < found.average < 11.0
    True
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
    return SimulatedRunLength(
        float(np.mean(lengths)), float(np.std(lengths, ddof=1)) / math.sqrt(charts), lengths, seed
    )
