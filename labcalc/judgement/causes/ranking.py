"""Which causes the numbers allow, and how likely each is: every cause fitted, weighed, and ranked."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import CAUSES, PRIOR_ODDS
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.likelihood import Along, Whitener, along, best_size, log_sum, posterior_of_size
from labcalc.judgement.causes.paths import Paths, Stack
from labcalc.judgement.causes.shifts import Shift, shifts_of, slips_of
from labcalc.judgement.causes.temperature_and_air import paths_of

Array = NDArray[np.float64]

THIRDS = (1.0 / 6.0, 0.5, 5.0 / 6.0)
"""Shares of the posterior below the middle of each third of it, [-]."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """Every cause weighed; what a fit needs is kept."""

    evidence: Evidence
    probabilities: dict[str, float]
    """By cause, together 1, the most probable first."""
    whitener: Whitener
    paths: dict[str, tuple[Paths, Along]]
    points: dict[str, list[tuple[str, float, Array]]]
    """Words, ln likelihood with weight, and effect."""
    shifts: dict[str, list[tuple[Shift, float]]]

    @property
    def leading(self) -> str:
        """The most probable cause."""
        return next(iter(self.probabilities))


@dataclass(frozen=True, eq=False)
class Fit:
    """A cause at its best place and size; ``path`` is the number of its path, -1 where it has none."""

    cause: str
    where: str
    path: int
    thirds: tuple[float, ...]
    """Middles of the three thirds of the size's posterior along this path; empty where it has none."""
    size: float
    """Median of the size."""
    lowest: float
    highest: float
    misfit: float
    degrees_of_freedom: int
    effect: Array
    """What it does to ln ν and ρ of the rows."""
    spread: Array
    """Covariance of what was expected if it is so, noise apart."""
    predicted: Array
    """What it predicts in mm²/s and kg/m³, with the batch where it fits best."""

    @property
    def p_value(self) -> float:
        """How often a misfit as large comes by chance, [-]."""
        from scipy.special import chdtrc

        return (
            float(chdtrc(self.degrees_of_freedom, max(self.misfit, 0.0))) if self.degrees_of_freedom > 0 else math.nan
        )


def weigh(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS) -> Weighed:
    """Return the probability of each cause: prior odds times marginal likelihood.

    Causes without odds, and those that can't be here (no run before, no other product), are left out.
    """
    return weigh_alike([evidence], odds)[0]


def weigh_alike(runs: Sequence[Evidence], odds: Mapping[str, float] = PRIOR_ODDS) -> list[Weighed]:
    """Weigh the causes of runs of one layout together."""
    if unknown := set(odds) - set(CAUSES):
        raise EvidenceError(f"'{sorted(unknown)[0]}' is no cause; there are: {', '.join(CAUSES)}")
    deviation = np.stack([one.deviation for one in runs])
    whitener = Whitener.of(np.stack([one.spread + one.error for one in runs]))
    white, noise = whitener(deviation), whitener.log_density(deviation)
    paths = [(one, along(one, white, whitener)) for one in paths_of(Stack.of(runs), odds)]
    shifts = _shifts(runs, deviation)
    return [
        _weighed(
            evidence,
            whitener.of_run(number),
            float(noise[number]),
            {one.cause: (one.of_run(number), found.of_run(number)) for one, found in paths},
            shifts[number],
            odds,
        )
        for number, evidence in enumerate(runs)
    ]


def _shifts(runs: Sequence[Evidence], deviation: Array) -> list[dict[str, list[tuple[Shift, float]]]]:
    """Return each run's normal causes with ln of weight and likelihood."""
    found = [shifts_of(one) for one in runs]
    if len({len(one) for one in found}) > 1:  # not every product of the house tells all that is measured
        return [_shifts([one], deviation[[number]])[0] for number, one in enumerate(runs)]
    spread = np.stack([[shift.spread + run.error for shift in ones] for ones, run in zip(found, runs, strict=True)])
    mean = np.stack([[shift.mean - run.mean for shift in ones] for ones, run in zip(found, runs, strict=True)])
    flat = Whitener.of(spread.reshape(-1, *spread.shape[2:]))
    away = (deviation[:, np.newaxis] - mean).reshape(-1, deviation.shape[-1])
    densities = flat.log_density(away).reshape(mean.shape[:2])
    result: list[dict[str, list[tuple[Shift, float]]]] = []
    for ones, logs in zip(found, densities, strict=True):
        by_cause: dict[str, list[tuple[Shift, float]]] = {}
        for shift, log in zip(ones, logs, strict=True):
            by_cause.setdefault(shift.cause, []).append((shift, math.log(shift.weight) + float(log)))
        result.append(by_cause)
    return result


def _weighed(
    evidence: Evidence,
    whitener: Whitener,
    noise: float,
    paths: dict[str, tuple[Paths, Along]],
    shifts: dict[str, list[tuple[Shift, float]]],
    odds: Mapping[str, float],
) -> Weighed:
    points = {"noise": [("", noise, np.zeros(len(evidence.rows)))]}
    if slips := slips_of(evidence):
        densities = whitener.log_density(evidence.deviation - np.stack([slip.effect for slip in slips]))
        points["slip"] = [
            (slip.where, math.log(slip.weight) + log, slip.effect)
            for slip, log in zip(slips, densities.tolist(), strict=True)
        ]
    logs = {cause: float(log_sum(np.log(one.weights) + found.log_likelihood)) for cause, (one, found) in paths.items()}
    logs |= {cause: float(log_sum(np.array([log for _, log in ones]))) for cause, ones in shifts.items()}
    logs |= {cause: float(log_sum(np.array([log for _, log, _ in ones]))) for cause, ones in points.items()}
    return Weighed(evidence, _probabilities(logs, odds), whitener, paths, points, shifts)


def _probabilities(logs: Mapping[str, float], odds: Mapping[str, float]) -> dict[str, float]:
    possible = [cause for cause in logs if odds.get(cause, 0.0) > 0.0]
    if not possible:
        raise EvidenceError("none of the causes asked for is possible for this run")
    weights = np.array([math.log(odds[cause]) + logs[cause] for cause in possible])
    shares = np.exp(weights - log_sum(weights))
    ranked = sorted(zip(possible, shares.tolist(), strict=True), key=lambda pair: -pair[1])
    return dict(ranked)


def fits_of(weighed: Weighed) -> tuple[Fit, ...]:
    """Return each cause at its best, the most probable first."""
    return tuple(_fit(weighed, cause) for cause in weighed.probabilities)


def _fit(weighed: Weighed, cause: str) -> Fit:
    if cause in weighed.paths:
        return _along_path(weighed, cause)
    return _shifted(weighed, cause) if cause in weighed.shifts else _at_point(weighed, cause)


def _along_path(weighed: Weighed, cause: str) -> Fit:
    evidence, (paths, found) = weighed.evidence, weighed.paths[cause]
    best = int((np.log(paths.weights) + found.log_likelihood).argmax())
    nearest, effect, misfit = best_size(paths, found, best)
    sign, white = math.copysign(1.0, nearest), weighed.whitener(evidence.deviation)
    alike = [
        path
        for path, where in enumerate(paths.where)
        if where == paths.where[best] and paths.sizes[path, 0] * sign > 0.0
    ]
    low, middle, high = posterior_of_size(paths, alike, white, weighed.whitener, (0.025, 0.5, 0.975))
    thirds = posterior_of_size(paths, [best], white, weighed.whitener, THIRDS)
    lowest, highest = sorted((sign * low, sign * high))
    return Fit(
        cause,
        paths.where[best],
        best,
        tuple(thirds),
        sign * middle,
        lowest,
        highest,
        misfit,
        len(evidence.rows) - 1,
        effect,
        evidence.spread,
        _predicted(evidence, effect, evidence.spread),
    )


def _at_point(weighed: Weighed, cause: str) -> Fit:
    evidence = weighed.evidence
    where, _, effect = max(weighed.points[cause], key=lambda one: one[1])
    away = weighed.whitener(evidence.deviation - effect)
    predicted = _predicted(evidence, effect, evidence.spread)
    number, nan = len(evidence.rows), math.nan
    return Fit(cause, where, -1, (), nan, nan, nan, float(away @ away), number, effect, evidence.spread, predicted)


def _shifted(weighed: Weighed, cause: str) -> Fit:
    """Take the shift of a bias or a change by its normal posterior, in per cent of the coldest viscosity."""
    evidence = weighed.evidence
    shift = max(weighed.shifts[cause], key=lambda one: one[1])[0]
    away = evidence.deviation + evidence.mean - shift.mean
    solved = np.linalg.solve(shift.spread + evidence.error, away)
    size = low = high = math.nan
    if cause != "another product":
        own = shift.spread - evidence.spread
        place = _coldest(evidence)
        moved = shift.mean - evidence.mean + own @ solved
        variance = own[place, place] - own[place] @ np.linalg.solve(shift.spread + evidence.error, own[place])
        half = 1.96 * math.sqrt(max(float(variance), 0.0))
        size, low, high = (float(moved[place]) + side for side in (0.0, -half, half))
    predicted = _predicted(evidence, shift.mean - evidence.mean, shift.spread)
    effect = shift.mean - evidence.mean
    misfit, number = float(away @ solved), len(evidence.rows)
    return Fit(cause, shift.where, -1, (), size, low, high, misfit, number, effect, shift.spread, predicted)


def _coldest(evidence: Evidence) -> int:
    """Return the row that the size of a shift is told of: the coldest viscosity, else the coldest density."""
    of_run = [place for place, row in enumerate(evidence.rows) if row.kind in ("run", "original record")]
    return min(of_run, key=lambda place: (not evidence.viscous[place], evidence.temperature_C[place]))


def _predicted(evidence: Evidence, effect: Array, spread: Array) -> Array:
    batch = spread @ np.linalg.solve(spread + evidence.error, evidence.deviation - effect)
    return evidence.in_units(evidence.mean + effect + batch)
