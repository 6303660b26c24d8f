"""Run lengths by seeded simulation: rules without a finite chain, and limits that are themselves estimates."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from labcalc.statistics.charts.control_limits import moving_ranges
from labcalc.statistics.charts.run_rules import RunRule, run_rule_signals

_BLOCK = 128
"""Results that are drawn at a time."""

_D2 = 2.0 / math.sqrt(math.pi)


@dataclass(frozen=True, eq=False)
class SimulatedRunLength:
    """Average run length with its Monte Carlo standard error; ``run_lengths`` are the single charts'."""

    average: float
    standard_error: float
    run_lengths: NDArray[np.int64]
    seed: int


@dataclass(frozen=True, eq=False)
class EstimatedLimitsRunLength:
    """What limits from a baseline really do: the average run length of each of many charts, in rising order."""

    baseline: int
    averages: NDArray[np.float64]
    seed: int

    def quantile(self, probability: float) -> float:
        """Return the average run length below which a part of the charts lies.

        Parameters
        ----------
        probability : float
            Part of the charts, [-], 0 to 1; 0.5 for the median.

        Returns
        -------
        float
            Average run length, [results].
        """
        return float(np.quantile(self.averages, probability))


def simulated_run_length(
    rules: tuple[RunRule, ...], shift: float = 0.0, *, scale: float = 1.0, charts: int = 10_000, seed: int = 1
) -> SimulatedRunLength:
    """Draw charts of normal results until each has signalled.

    Parameters
    ----------
    rules : tuple of RunRule
        Any rules, [-].
    shift : float
        True mean off the centre line, [sigma].
    scale : float
        True standard deviation over the chart's sigma, [-], above 0.
    charts : int
        Number of charts, [-].
    seed : int
        Seed of the generator, [-].

    Returns
    -------
    SimulatedRunLength
        Average run length and its standard error, [results].

    Raises
    ------
    ValueError
        The scale is not above 0.

    Examples
    --------
    >>> from labcalc.statistics import NELSON
    >>> found = simulated_run_length(NELSON, 1.0, charts=500)
    >>> 8.5 < found.average < 11.0
    True
    """
    if not scale > 0.0:
        raise ValueError(f"scale {scale:g}: more than 0 was expected")
    generator = np.random.default_rng(seed)
    lengths = np.zeros(charts, dtype=np.int64)
    memory, going, passed = max(rule.window for rule in rules) - 1, np.arange(charts), 0
    tail = np.full((charts, 0), np.nan)
    while going.size:
        z = np.hstack([tail, shift + scale * generator.standard_normal((going.size, _BLOCK))])
        beyond = run_rule_signals(z, rules).beyond[:, tail.shape[1] :]
        signalled = beyond.any(axis=1)
        lengths[going[signalled]] = passed + 1 + np.argmax(beyond[signalled], axis=1)
        going, passed = going[~signalled], passed + _BLOCK
        tail = z[~signalled, z.shape[1] - min(memory, z.shape[1]) :]
    return SimulatedRunLength(
        float(np.mean(lengths)), float(np.std(lengths, ddof=1)) / math.sqrt(charts), lengths, seed
    )


def estimated_limits_run_length(
    average: Callable[[float, float], float],
    baseline: int,
    shift: float = 0.0,
    *,
    sigma_from: Literal["moving range", "standard deviation"] = "moving range",
    charts: int = 1000,
    seed: int = 1,
) -> EstimatedLimitsRunLength:
    """Return the average run lengths of charts whose limits come from a baseline of few results.

    Parameters
    ----------
    average : callable
        Exact average run length, [results], of a shift, [sigma], and a scale, [-], such as
        ``lambda shift, scale: rules_run_length(rules, shift, scale=scale).average``.
    baseline : int
        Number of results in each baseline, [-], 2 or more.
    shift : float
        Shift of the true mean after the baseline, [true standard deviation].
    sigma_from : {"moving range", "standard deviation"}
        What estimates the spread, [-].
    charts : int
        Number of baselines, [-].
    seed : int
        Seed of the generator, [-].

    Returns
    -------
    EstimatedLimitsRunLength
        Average run length of each chart, [results].

    Raises
    ------
    ValueError
        The baseline has fewer than two results.

    References
    ----------
    .. [1] Quesenberry, C. P.: J. Qual. Technol. 25 (1993) 237, the effect of sample size on estimated limits.

    Examples
    --------
    >>> from labcalc.statistics import RULE_SETS, rules_run_length
    >>> rules = RULE_SETS["limits only"]
    >>> found = estimated_limits_run_length(
    ...     lambda shift, scale: rules_run_length(rules, shift, scale=scale).average, 20, charts=200
    ... )
    >>> 200.0 < found.quantile(0.5) < 350.0
    True
    """
    if baseline < 2:
        raise ValueError(f"baseline of {baseline} results: 2 or more was expected")
    centres, sigmas = _baselines(np.random.default_rng(seed), charts, baseline, sigma_from)
    averages = [average((shift - c) / s, 1.0 / s) for c, s in zip(centres.tolist(), sigmas.tolist(), strict=True)]
    return EstimatedLimitsRunLength(baseline, np.sort(np.array(averages)), seed)


def _baselines(
    generator: Generator, charts: int, baseline: int, sigma_from: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw baselines and estimate centre and sigma of each."""
    drawn = generator.standard_normal((charts, baseline))
    if sigma_from == "standard deviation":
        return drawn.mean(axis=1), drawn.std(axis=1, ddof=1)
    return drawn.mean(axis=1), moving_ranges(drawn)[:, 1:].mean(axis=1) / _D2
