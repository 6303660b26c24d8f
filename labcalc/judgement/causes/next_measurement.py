r"""What to measure next: the fill with all that it gives whose outcome is expected to tell most, over all causes.

Outcomes are drawn from what each cause predicts, in its share of the causes now, and each outcome is weighed as it
would be afterwards: the gain is how much more probability the true cause then has, whichever it is. Two causes are
told apart where their odds change 19 to 1 or more in favour of the true one, if either is true and both were as likely.

The run's rows r and the new rows n are normal together, so for each hypothesis, E what it does and C its covariance,

.. math:: m = \mu_n + E_n + K (z_r - \mu_r - E_r), \quad V = C_{nn} - K C_{rn}, \quad K = C_{nr} C_{rr}^{-1}
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.catalogue import PRIOR_ODDS, Array
from labcalc.judgement.causes.evidence import KINDS, Evidence, Row, assembled, nearest_oil
from labcalc.judgement.causes.ranking import Weighed, covariances, weigh

_KEPT = 10  # hypotheses of a cause that are predicted with: the likeliest
DECIDED_ODDS = 19.0  # odds from which two causes count as told apart, [-]: 95 %
RECORD_TELLS = 0.95  # how often the original page or file is there and legible, [-]: labcalc's own choice
_LEAST_WORTH = 0.02  # a measurement that gains less than this is not proposed, [-]: our own choice
_APART_K, _MIDDLE_C = 20.0, 60.5  # from the first temperature to a second where none is usual; towards what, [K], [°C]
_DRAWS = 64


@dataclass(frozen=True, eq=False)
class Prediction:
    """What new rows would show in ln ν and ρ: hypothesis by row."""

    weighed: Weighed
    cause: NDArray[np.object_]
    share: Array  # probability of each hypothesis within its cause, [-]
    mean: Array
    covariance: Array  # with the noise of single determinations


def predict(evidence: Evidence, new: Sequence[Row], odds: Mapping[str, float] = PRIOR_ODDS) -> Prediction:
    """Return what new rows would show for each cause; their measured values are not looked at."""
    known = len(evidence.rows)
    weighed = weigh(assembled((*evidence.rows, *new), evidence), odds, known)
    order = np.argsort(-weighed.log_posterior)
    kept = np.concatenate([order[weighed.hypotheses.cause[order] == one][:_KEPT] for one in weighed.probabilities])
    these, logs = weighed.hypotheses.only(kept), weighed.log_posterior[kept]
    C = covariances(weighed.evidence, these)
    gain = np.swapaxes(np.linalg.solve(C[:, :known, :known], C[:, :known, known:]), 1, 2)
    away = (weighed.evidence.deviation - these.effect)[:, :known, np.newaxis]
    share = np.zeros(logs.size)
    for cause in weighed.probabilities:
        here = these.cause == cause
        within = np.exp(logs[here] - logs[here].max())
        share[here] = within / within.sum()
    mean = weighed.evidence.mean[known:] + these.effect[:, known:] + (gain @ away)[..., 0]
    return Prediction(weighed, these.cause, share, mean, C[:, known:, known:] - gain @ C[:, :known, known:])


@dataclass(frozen=True)
class Candidate:
    """A measurement that can be made: a quantity at a temperature [°C]."""

    kind: str
    quantity: str
    temperature_C: float


@dataclass(frozen=True)
class NextMeasurement(Candidate):
    """The fill that tells most: the row of it that tells most, and all rows."""

    rows: tuple[tuple[str, float], ...]  # quantity and temperature [°C]
    gain: float  # how much more probability the true cause has afterwards, [-]
    sentence: str = ""


def candidates(evidence: Evidence) -> tuple[Candidate, ...]:
    """Return the measurements that can be made next, each once: every kind at the temperatures of the run, for the
    quantities that it measured; a new fill at two or more, for both quantities where the instrument gives them."""
    rows = [evidence.rows[place] for place in np.flatnonzero(evidence.of_run)]
    own, found = list(dict.fromkeys((row.quantity, round(row.temperature_C, 1)) for row in rows)), []
    for kind in sorted(KINDS, key=lambda kind: KINDS[kind].effort):
        places = own if kind in ("original record", "same fill again") else _whole_fill(evidence, own)
        found += [Candidate(kind, *one) for one in places if kind != "reference oil" or _certified(evidence, *one)]
    return tuple(found)


def _whole_fill(evidence: Evidence, own: Sequence[tuple[str, float]]) -> list[tuple[str, float]]:
    """Return what a new fill gives: both quantities if the instrument has them, at two temperatures or more."""
    temperatures, measured = evidence.temperatures, {quantity for quantity, _ in own}
    courses = {"kinematic viscosity": evidence.course.viscosity, "density": evidence.course.density}
    gives = [one for one, course in courses.items() if one in measured or (evidence.before and course.nodes)]
    if len(temperatures) == 1:
        (only,) = temperatures
        usual = (node.temperature_C for one in gives for node in courses[one].nodes)
        other = max(usual, key=lambda T: abs(T - only), default=only)
        near = abs(other - only) < _APART_K
        temperatures = [only, only + math.copysign(_APART_K, _MIDDLE_C - only) if near else other]
    return [(quantity, T) for quantity in gives for T in temperatures]


def _certified(evidence: Evidence, quantity: str, temperature: float) -> bool:
    if not evidence.reference_oils:
        return False
    liquid = nearest_oil(evidence, temperature)
    values = liquid.viscosities if quantity == "kinematic viscosity" else liquid.densities
    return any(abs(T - temperature) <= 0.05 for T, _ in values)


class Discrimination:
    """Every fill that can be made, by what each cause predicts for it; worked out once for a run."""

    def __init__(
        self, weighed: Weighed, odds: Mapping[str, float] = PRIOR_ODDS, wanted: Sequence[Candidate] | None = None
    ) -> None:
        self.weighed, self.odds = weighed, odds
        self._known: dict[tuple[int, ...], tuple[Any, ...]] = {}
        every = candidates(weighed.evidence) if wanted is None else tuple(wanted)
        self.records = tuple(one for one in every if one.kind == "original record")
        self.candidates = tuple(one for one in every if one.kind != "original record")
        self._places: dict[str, list[int]] = defaultdict(list)  # which candidates one fill of a kind gives
        for place, one in enumerate(self.candidates):
            self._places[one.kind].append(place)

    @cached_property
    def prediction(self) -> Prediction:
        """What each candidate would show, hypothesis by candidate."""
        evidence = self.weighed.evidence
        return predict(evidence, [_row(evidence, one) for one in self.candidates], self.odds)

    @cached_property
    def best(self) -> NextMeasurement | None:
        """The measurement that gains most beyond its effort; None where none gains anything."""
        gains = {kind: self._gain(places) for kind, places in self._places.items()}
        if (record := self._read()) is not None:
            gains["original record"] = record.gain
        worth = [kind for kind, gain in gains.items() if gain > _LEAST_WORTH]
        kind = max(worth, key=lambda kind: gains[kind] - KINDS[kind].effort, default=None)
        if kind is None or kind == "original record":
            return record if kind else None
        places = self._places[kind]
        each = [self._gain([place]) for place in places]
        told = next(place for place, gain in zip(places, each, strict=True) if gain >= max(each) - _LEAST_WORTH)
        rows = tuple((self.candidates[one].quantity, self.candidates[one].temperature_C) for one in places)
        return NextMeasurement(**vars(self.candidates[told]), rows=rows, gain=gains[kind])

    def _gain(self, places: list[int]) -> float:
        prediction, now = self.prediction, self.weighed.probabilities
        weights = prediction.share * [now.get(cause, 0.0) for cause in prediction.cause]
        log_density = self._drawn(places, _systematic(weights))
        shares = np.exp(log_density - log_density.max(axis=1, keepdims=True)) * weights
        causes = dict.fromkeys(prediction.cause)
        after = np.stack([shares[:, prediction.cause == one].sum(axis=1) for one in causes], axis=1)
        return float(((after / after.sum(axis=1, keepdims=True)) ** 2).sum(axis=1).mean()) - _squares(now)

    def _drawn(self, places: list[int], chosen: NDArray[np.int64]) -> Array:
        """Draw an outcome of each chosen hypothesis; return ln of its density under each: outcome by hypothesis."""
        mean, factor, inverse, half_log = self._blocks(tuple(places))
        drawn = mean[chosen] + np.einsum("sij,sj->si", factor[chosen], _normal(len(chosen), len(places)))
        white = np.swapaxes(drawn[:, np.newaxis] - mean, 0, 1) @ np.swapaxes(inverse, 1, 2)
        return np.asarray(-half_log - 0.5 * np.einsum("hsi,hsi->sh", white, white))

    def _blocks(self, places: tuple[int, ...]) -> tuple[Any, ...]:
        if places not in self._known:
            factor = np.linalg.cholesky(self.prediction.covariance[:, places][:, :, places])
            half_log = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
            self._known[places] = self.prediction.mean[:, places], factor, np.linalg.inv(factor), half_log
        return self._known[places]

    def decides(self, cause: str, rival: str) -> float:
        """Return how likely the best measurement tells two causes apart 19 to 1, [-]."""
        choice = self.best
        if choice is None:
            return 0.0
        if choice.kind == "original record":
            return RECORD_TELLS if "slip" in (cause, rival) else 0.0
        places, prediction, told = self._places[choice.kind], self.prediction, []
        for true, other in ((cause, rival), (rival, cause)):
            logs = self._drawn(places, _systematic(prediction.share * (prediction.cause == true)))
            dense = np.exp(logs - logs.max(axis=1, keepdims=True)) * prediction.share
            right, wrong = (dense[:, prediction.cause == one].sum(axis=1) for one in (true, other))
            told.append(float((right >= DECIDED_ODDS * wrong).mean()))
        return sum(told) / 2.0

    def _read(self) -> NextMeasurement | None:
        """Only a slip shows in the original record: the value that it touches most is read there."""
        now = self.weighed.probabilities
        share = now.get("slip", 0.0)
        if not (share and self.records):
            return None
        evidence, every = self.weighed.evidence, self.weighed.hypotheses
        likeliest = np.where(every.cause == "slip", self.weighed.log_posterior, -np.inf).argmax()
        touched = evidence.rows[int(np.argmax(np.abs(every.effect[likeliest]) / np.sqrt(np.diag(evidence.error))))]
        others = _squares({cause: p for cause, p in now.items() if cause != "slip"})
        gain = RECORD_TELLS * (share + others / max(1.0 - share, 1e-12) - _squares(now))
        for one in self.records:
            if one.quantity == touched.quantity and abs(one.temperature_C - touched.temperature_C) <= 0.1:
                return NextMeasurement(**vars(one), rows=((one.quantity, one.temperature_C),), gain=gain)
        return None


def _squares(shares: Mapping[str, float]) -> float:
    """Return the probability of the true cause as it is expected, by the shares themselves, [-]."""
    return sum(share**2 for share in shares.values())


def _systematic(weights: Array) -> NDArray[np.int64]:
    """Return hypotheses in proportion to their weights."""
    edges = np.cumsum(weights) / weights.sum()
    return np.minimum(np.searchsorted(edges, (np.arange(_DRAWS) + 0.5) / _DRAWS), weights.size - 1)


@lru_cache(maxsize=64)
def _normal(draws: int, rows: int) -> Array:
    return np.random.default_rng(20260101).standard_normal((draws, rows))


def _row(evidence: Evidence, one: Candidate) -> Row:
    """Return a row for what may be measured; the value stands for nothing."""
    oil = nearest_oil(evidence, one.temperature_C).name if one.kind == "reference oil" else ""
    fill = evidence.fills[-1] if one.kind == "same fill again" else max(evidence.replicate.tolist()) + 1
    return Row(one.quantity, one.temperature_C, fill, 1.0, one.kind, oil)
