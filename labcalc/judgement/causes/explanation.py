"""The causes of a strange result as a chemist reads them: ranked, sized, in words, with the next step."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from labcalc.judgement.causes.catalogue import CAUSES, OTHER, PRIOR_ODDS
from labcalc.judgement.causes.evidence import Evidence, Row, assembled, rows_of
from labcalc.judgement.causes.expectation import Expectation
from labcalc.judgement.causes.likelihood import misfits
from labcalc.judgement.causes.next_measurement import Discrimination, NextMeasurement
from labcalc.judgement.causes.ranking import UNLIKELY as UNLIKELY, Fit, Weighed, fit_of, weigh
from labcalc.judgement.causes.surroundings import determinations_of
from labcalc.judgement.causes.words import next_step, sentence_of, titled
from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS
from labcalc.wording import probability

_NAMED_FROM = 20.0  # odds, among the day's bottles of the product, from which one is named, [-]: labcalc's own choice

_ALIKE = 0.2
"""Probability of a rival from which the leading cause's sentence says that the numbers don't tell them apart, [-]."""

_RATHER_THAN_NOT = 0.5
_OF_THE_INSTRUMENT = ("cell temperature", "instrument bias", "solvent", "residue")
_CLEAN_CELL = f"{SOLVENTS} {PRESSED_AIR} {HOT}"


def other_half(evidence: Evidence, product: str) -> tuple[str, str] | None:
    """Return the run, and its sample, of a product that shows this run's product instead; None where none clearly does.

    Its numbers are weighed as this run's product (its lot, where earlier runs tell) and as its own.
    """
    own = next((one.expectation for one in evidence.house if one.name == product), None)
    if own is None or evidence.day is None:
        return None
    day = evidence.day[evidence.day["product"] == product]
    odds = {
        (str(run), str(table["sample"].iloc[0])): _odds(evidence, rows_of(determinations_of(table)), own)
        for run, table in day.groupby("run", sort=False)
    }
    best = max(odds, key=lambda one: odds[one], default=None)
    return best if best is not None and odds[best] >= math.log(_NAMED_FROM * len(odds)) else None


def _odds(evidence: Evidence, rows: Sequence[Row], own: Expectation) -> float:
    """Return ln of how much likelier rows are of the run's product than of their own."""
    if not rows:
        return -math.inf
    kept = {"viscosity" if row.quantity == "kinematic viscosity" else "density" for row in rows}
    if not all(getattr(course, name).nodes for course in (evidence.course, own) for name in kept):
        return -math.inf
    as_this, as_own = (assembled(rows, replace(evidence, course=course)) for course in (evidence.course, own))
    this, its = (float(misfits(one.deviation, one.spread + one.error)[1]) for one in (as_this, as_own))
    return this - its


@dataclass(frozen=True, eq=False, kw_only=True)
class Explanation(Fit):
    """One cause in words, with what to do next."""

    probability: float  # among the causes looked at, [-]
    sentence: str
    next_measurement: NextMeasurement | None
    """None where nothing that can be measured tells it from its strongest rival."""
    caution: str

    @property
    def title(self) -> str:
        """What the cause is."""
        return CAUSES[self.cause].title


def rank_causes(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS) -> tuple[Explanation, ...]:
    """Rank the causes that the numbers allow.

    odds : How often each cause happens before anything is measured, [-]; a cause without odds is left out. They need
        not add up to 1.
    Returns : The most probable first; probabilities add up to 1.
    Raises EvidenceError : The odds name an unknown cause, or leave none that is possible.
    """
    weighed = weigh(evidence, odds)
    apart = Discrimination(weighed, odds)
    return tuple(_explained(weighed, fit_of(weighed, cause), apart) for cause in weighed.probabilities)


@dataclass(frozen=True)
class LeadingCause:
    """The most probable cause of a run, and what is left for noise and spread alone, [-]."""

    cause: str
    probability: float
    noise_probability: float
    sentence: str

    @property
    def title(self) -> str:
        """The cause as part of a sentence."""
        return titled(self.cause)

    @property
    def is_of_the_instrument(self) -> bool:
        """Whether it is rather than not one that other runs of the instrument's day may share."""
        return self.cause in _OF_THE_INSTRUMENT and self.probability >= _RATHER_THAN_NOT


def leading_cause(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS) -> LeadingCause:
    """Return the most probable cause without looking for what to measure next; see ``rank_causes``."""
    weighed = weigh(evidence, odds)
    fit, share = fit_of(weighed, weighed.leading), weighed.probabilities[weighed.leading]
    which = f", {fit.where}" if fit.cause in ("slip", "two at once") else ""
    who = "Noise and spread alone explain it" if fit.cause == "noise" else f"Most likely {titled(fit.cause)}{which}"
    sentence = f"{who} (probability {probability(share, 1.0)})"
    if partner := _exchanged_with(weighed, fit):
        sentence += f"; {partner}"
    if fit.p_value < UNLIKELY or fit.cause == OTHER:
        nearest = next((titled(one) for one in weighed.probabilities if one not in (OTHER, "noise")), titled(fit.cause))
        sentence = f"None of the listed causes fits; nearest: {nearest}"
    return LeadingCause(fit.cause, share, weighed.probabilities.get("noise", 0.0), sentence)


def _explained(weighed: Weighed, fit: Fit, apart: Discrimination) -> Explanation:
    rival, step = next((one for one in weighed.probabilities if one != fit.cause), None), apart.best
    caution = CAUSES[fit.cause].caution
    if step is not None and rival is not None:
        words = next_step(step, fit.cause, rival, apart.decides(fit.cause, rival))
        step = replace(step, sentence=words)
        if step.kind not in ("same fill again", "original record"):
            caution = _CLEAN_CELL if caution in _CLEAN_CELL else f"{_CLEAN_CELL} {caution}"
    return Explanation(
        **vars(fit),
        probability=weighed.probabilities[fit.cause],
        sentence=sentence_of(weighed.evidence, fit) + _rivals(weighed, fit),
        next_measurement=None if rival is None else step,
        caution=caution,
    )


def _rivals(weighed: Weighed, fit: Fit) -> str:
    """Say which other causes look alike, for the leading one, and which bottle it seems exchanged with."""
    if fit.cause != weighed.leading:
        return ""
    if partner := _exchanged_with(weighed, fit):
        return f" {partner[0].upper()}{partner[1:]}."
    alike = [titled(one) for one, p in weighed.probabilities.items() if one != fit.cause and p >= _ALIKE]
    return f" These numbers hardly tell it from: {'; '.join(alike)}." if alike else ""


def _exchanged_with(weighed: Weighed, fit: Fit) -> str:
    """Return the other half of a swap that leads, where one of the day's bottles is it."""
    if fit.cause != "another product" or weighed.probabilities[fit.cause] < _RATHER_THAN_NOT:
        return ""
    found = other_half(weighed.evidence, fit.where)
    return f"its bottle seems exchanged with {found[1]} (run {found[0]}, same day)" if found else ""
