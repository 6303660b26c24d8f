r"""What to measure next: the measurement that tells two causes apart best, by what each predicts for it.

Two normal predictions are d apart, d² being the sum of both Kullback-Leibler divergences (for equal variances the
distance of the means in standard deviations, squared). If either cause is true and both were as likely, ln of the odds
after the measurement is normal with mean d²/2 in favour of the true one and variance d². It decides where the odds are
19 to 1 or more:

.. math:: P = \Phi\left( \frac{d^2 / 2 - \ln 19}{d} \right)

For causes with a size it is the mean over the thirds of both sizes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.added_measurements import nearest_oil
from labcalc.judgement.causes.affected_rows import run_fills, run_temperatures
from labcalc.judgement.causes.catalogue import CAUSES
from labcalc.judgement.causes.evidence import Evidence, Row
from labcalc.judgement.causes.prediction import Prediction, predict
from labcalc.judgement.causes.ranking import Fit, fits_of, weigh
from labcalc.judgement.certificates import UNITS

Array = NDArray[np.float64]

DECIDED_ODDS = 19.0
"""Odds from which two causes count as told apart, [-]: 95 %."""

RECORD_TELLS = 0.95
"""How often the original page or file is there and legible, [-]: labcalc's own choice."""

_LEAST_WORTH = 0.05
"""A measurement less likely to decide than this is not proposed, [-]: our own choice."""

_REPEATS = (1, 2, 3)

_EFFORTS = {
    "original record": -0.06,
    "refill and repeat": 0.0,
    "same fill again": 0.01,
    "reference oil": 0.02,
    "another temperature": 0.03,
    "another instrument": 0.03,
    "retained sample": 0.04,
}
"""What a measurement has to be better by than a refill, [-], our own choice: it breaks ties. To read costs nothing; a
refill gives the result that is wanted anyway."""

_EFFORT_A_REPEAT = 0.02


@dataclass(frozen=True)
class Candidate:
    """A measurement that can be made: so many ``repeats`` of a quantity at a temperature [°C]."""

    kind: str
    quantity: str
    temperature_C: float
    repeats: int = 1


@dataclass(frozen=True)
class Outcome:
    """What a measurement would show if a cause were true: mean and central 95 %, in ``unit``."""

    cause: str
    title: str
    probability: float
    """Of the cause now, [-]."""
    value: float
    lowest: float
    highest: float
    unit: str


@dataclass(frozen=True)
class Choice:
    """The measurement that tells a cause from a rival best, and how likely it decides, [-]."""

    candidate: Candidate
    rival: str
    probability_of_deciding: float


def candidates(evidence: Evidence) -> tuple[Candidate, ...]:
    """Return the measurements that can be made next, each once; ``repeats`` is free.

    Parameters
    ----------
    evidence : Evidence
        The evidence so far.

    Returns
    -------
    tuple of Candidate
        Every kind at the temperatures of the run, for the quantities that it measured.
    """
    found = []
    for quantity, temperature in dict.fromkeys(
        (row.quantity, round(row.temperature_C, 1)) for row in evidence.rows if row.kind in ("run", "original record")
    ):
        for kind in _EFFORTS:
            if kind == "another temperature" or (
                kind == "reference oil" and not _certified(evidence, quantity, temperature)
            ):
                continue
            found.append(Candidate(kind, quantity, temperature))
    between = _between(run_temperatures(evidence))
    found += [Candidate("another temperature", quantity, between) for quantity in dict.fromkeys(evidence.quantity)]
    return tuple(found)


def _between(temperatures: Sequence[float]) -> float:
    """Return a temperature that the run didn't have: a round one in the middle, or 20 K above where there is none."""
    cold, hot = temperatures[0], temperatures[-1]
    return round((cold + hot) / 20.0) * 10.0 if hot - cold > 20.0 else hot + 20.0


def _certified(evidence: Evidence, quantity: str, temperature: float) -> bool:
    if not evidence.reference_oils:
        return False
    name = nearest_oil(evidence, temperature)
    liquid = next(oil.liquid for oil in evidence.reference_oils if oil.liquid.name == name)
    values = liquid.viscosities if quantity == "kinematic viscosity" else liquid.densities
    return any(abs(T - temperature) <= 0.05 for T, _ in values)


class Discrimination:
    """Every candidate's prediction by every cause; worked out once for a run."""

    def __init__(self, evidence: Evidence, fits: Sequence[Fit], wanted: Sequence[Candidate] | None = None) -> None:
        self.evidence, self.fits = evidence, tuple(fits)
        every = candidates(evidence) if wanted is None else tuple(wanted)
        self.records = tuple(one for one in every if one.kind == "original record")
        self.candidates = tuple(one for one in every if one.kind != "original record")

    @cached_property
    def prediction(self) -> Prediction:
        """What each candidate would show, cause by candidate."""
        return predict(self.evidence, self.fits, [_row(self.evidence, one) for one in self.candidates])

    def best(self, cause: str, rival: str) -> Choice | None:
        """Return the measurement that tells a cause from a rival best; None where none does better than chance."""
        found = [*self._measured(cause, rival), *self._read(cause, rival)]
        worth, choice = max(found, key=lambda pair: pair[0], default=(0.0, None))
        return choice if worth > _LEAST_WORTH else None

    def _measured(self, cause: str, rival: str) -> list[tuple[float, Choice]]:
        if not self.candidates:
            return []
        names = self.prediction.causes
        a, b = names.index(cause), names.index(rival)
        found = []
        for repeats in _REPEATS:
            variance = self.prediction.total(repeats)
            first, second = (
                (self.prediction.mean[one].reshape(shape), variance[one].reshape(shape))
                for one, shape in ((a, (3, 1, -1)), (b, (1, 3, -1)))
            )
            decides = probability_of_deciding(*first, *second).mean(axis=(0, 1))
            for one, probability in zip(self.candidates, decides.tolist(), strict=True):
                worth = probability - _EFFORTS[one.kind] - _EFFORT_A_REPEAT * (repeats - 1)
                made = Candidate(one.kind, one.quantity, one.temperature_C, repeats)
                found.append((worth, Choice(made, rival, probability)))
        return found

    def _read(self, cause: str, rival: str) -> list[tuple[float, Choice]]:
        """Only a slip shows in the original record: a value that it touches is read there."""
        if "slip" not in (cause, rival):
            return []
        slip = next(fit for fit in self.fits if fit.cause == "slip")
        touched = self.evidence.rows[int(np.argmax(np.abs(slip.effect) / np.sqrt(np.diag(self.evidence.error))))]
        return [
            (RECORD_TELLS - _EFFORTS[one.kind], Choice(one, rival, RECORD_TELLS))
            for one in self.records
            if one.quantity == touched.quantity and abs(one.temperature_C - touched.temperature_C) <= 0.1
        ]


def probability_of_deciding(first: Array, first_variance: Array, second: Array, second_variance: Array) -> Array:
    """Return how likely a measurement tells two causes apart 19 to 1, if either is true and both were as likely."""
    from scipy.special import ndtr

    ratio = first_variance / second_variance
    apart = (first - second) ** 2 * (1.0 / first_variance + 1.0 / second_variance) / 2.0
    d2 = np.maximum(apart + (ratio + 1.0 / ratio) / 2.0 - 1.0, 1e-12)
    return np.asarray(ndtr((d2 / 2.0 - math.log(DECIDED_ODDS)) / np.sqrt(d2)))


def _row(evidence: Evidence, one: Candidate) -> Row:
    """Return a row for what may be measured; the value stands for nothing."""
    oil = nearest_oil(evidence, one.temperature_C) if one.kind == "reference oil" else ""
    fills = run_fills(evidence)
    fill = fills[-1] if one.kind == "same fill again" else max(evidence.replicate.tolist()) + 1
    return Row(one.quantity, one.temperature_C, fill, 1.0, one.kind, oil)


def expected_outcomes(evidence: Evidence, candidate: Candidate) -> tuple[Outcome, ...]:
    """Return what a measurement would show if each cause were true.

    Parameters
    ----------
    evidence : Evidence
        The evidence so far.
    candidate : Candidate
        The measurement; the mean of its repeats is meant.

    Returns
    -------
    tuple of Outcome
        One a cause, the most probable first, in [mm²/s] or [kg/m³].

    Raises
    ------
    EvidenceError
        The reference oil is not certified for it.
    """
    weighed = weigh(evidence)
    fits = fits_of(weighed)
    centre, half = (
        _record(evidence, fits, candidate) if candidate.kind == "original record" else _range(evidence, fits, candidate)
    )
    viscous = candidate.quantity == "kinematic viscosity"
    value, lowest, highest = (
        np.exp(end) if viscous else end for end in (centre, centre - 1.96 * half, centre + 1.96 * half)
    )
    return tuple(
        Outcome(
            cause=fit.cause,
            title=CAUSES[fit.cause].title,
            probability=weighed.probabilities[fit.cause],
            value=float(value[number]),
            lowest=float(lowest[number]),
            highest=float(highest[number]),
            unit=UNITS[candidate.quantity],
        )
        for number, fit in enumerate(fits)
    )


def _range(evidence: Evidence, fits: Sequence[Fit], candidate: Candidate) -> tuple[Array, Array]:
    prediction = predict(evidence, fits, [_row(evidence, candidate)])
    mean, variance = prediction.mean[..., 0], prediction.total(candidate.repeats)[..., 0]
    return mean.mean(axis=1), np.sqrt(variance.mean(axis=1) + mean.var(axis=1))


def _record(evidence: Evidence, fits: Sequence[Fit], candidate: Candidate) -> tuple[Array, Array]:
    """The record shows what was measured, or with a slip what ought to stand there."""
    place = next(
        i
        for i, row in enumerate(evidence.rows)
        if row.quantity == candidate.quantity and abs(row.temperature_C - candidate.temperature_C) <= 0.1
    )
    read = float((evidence.mean + evidence.deviation)[place])
    centre = np.array([read - (float(fit.effect[place]) if fit.cause == "slip" else 0.0) for fit in fits])
    return centre, np.zeros(len(fits))
