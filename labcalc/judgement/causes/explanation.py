"""The causes of a strange result as a chemist reads them: ranked, sized, in words, with the next step."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes.catalogue import CAUSES, PRIOR_ODDS
from labcalc.judgement.causes.evidence import Evidence
from labcalc.judgement.causes.exchange import other_half
from labcalc.judgement.causes.next_measurement import Candidate, Discrimination
from labcalc.judgement.causes.ranking import ELSE, UNLIKELY as UNLIKELY, Fit, Weighed, fits_of, weigh
from labcalc.judgement.causes.words import next_step, sentence_of, titled
from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS
from labcalc.wording import probability

Array = NDArray[np.float64]

_ALIKE = 0.2
"""Probability of a rival from which the leading cause's sentence says that the numbers don't tell them apart, [-]."""

_RATHER_THAN_NOT = 0.5
_OF_THE_INSTRUMENT = ("cell temperature", "instrument bias", "solvent", "residue")

_CLEAN_CELL = f"{SOLVENTS} {PRESSED_AIR} {HOT}"


@dataclass(frozen=True)
class NextMeasurement(Candidate):
    """What to measure next to tell a cause from its strongest rival."""

    separates: str = ""  # key of the rival
    probability_of_deciding: float = 0.0  # how likely the two are told apart 19 to 1 by it, [-]
    sentence: str = ""
    rows: tuple[tuple[str, float], ...] = ()  # all that the fill gives: quantity and temperature [°C]
    gain: float = 0.0  # how much more probability the true cause has afterwards, [-]


@dataclass(frozen=True, eq=False)
class Explanation:
    """One cause, as far as the numbers allow it."""

    cause: str
    title: str
    probability: float  # among the causes looked at, [-]
    size: float  # in ``unit``; NaN where the cause has none
    lowest: float  # end of the central 95 % of the size, in ``unit``
    highest: float  # the other end
    unit: str
    where: str  # at which temperature or fill, or which product or slip; empty where there is nothing to say
    misfit: float  # Chi-square of all quantities together, [-]
    degrees_of_freedom: int
    p_value: float
    """How often a misfit as large comes by chance if it is the cause, [-]; NaN without degrees of freedom."""
    predicted: Array  # what it predicts beside the measured values of the evidence, [mm²/s] or [kg/m³]
    sentence: str
    next_measurement: NextMeasurement | None
    """None where nothing that can be measured tells it from its strongest rival."""
    caution: str


def rank_causes(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS) -> tuple[Explanation, ...]:
    """Rank the causes that the numbers allow.

    evidence : A run beside what was expected.
    odds : How often each cause happens before anything is measured, [-]; a cause without odds is left out. They need
        not add up to 1.
    Returns : The most probable first; probabilities add up to 1.
    Raises EvidenceError : The odds name an unknown cause, or leave none that is possible.
    """
    weighed = weigh(evidence, odds)
    fits = fits_of(weighed)
    apart = Discrimination(weighed, odds)
    return tuple(_explained(weighed, fit, apart) for fit in fits)


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
    """Return the most probable cause without looking for what to measure next; see ``rank_causes``.

    evidence : A run beside what was expected.
    odds : How often each cause happens, [-].
    Returns : With probabilities in [-].
    """
    weighed = weigh(evidence, odds)
    fit, share = fits_of(weighed)[0], weighed.probabilities[weighed.leading]
    which = f", {fit.where}" if fit.cause in ("slip", "two at once") else ""
    who = "Noise and spread alone explain it" if fit.cause == "noise" else f"Most likely {titled(fit.cause)}{which}"
    sentence = f"{who} (probability {probability(share, 1.0)})"
    if partner := _exchanged_with(weighed, fit):
        sentence += f"; {partner}"
    if fit.p_value < UNLIKELY or fit.cause == ELSE:
        nearest = next((titled(one) for one in weighed.probabilities if one not in (ELSE, "noise")), titled(fit.cause))
        sentence = f"None of the listed causes fits; nearest: {nearest}"
    return LeadingCause(fit.cause, share, weighed.probabilities.get("noise", 0.0), sentence)


def _explained(weighed: Weighed, fit: Fit, apart: Discrimination) -> Explanation:
    cause = CAUSES[fit.cause]
    unit, shown = _unit(weighed.evidence, fit)
    size, lowest, highest = (shown(value) for value in (fit.size, fit.lowest, fit.highest))
    step = _next(weighed, fit, apart)
    return Explanation(
        cause=fit.cause,
        title=cause.title,
        probability=weighed.probabilities[fit.cause],
        size=size,
        lowest=lowest,
        highest=highest,
        unit=unit,
        where=fit.where,
        misfit=fit.misfit,
        degrees_of_freedom=fit.degrees_of_freedom,
        p_value=fit.p_value,
        predicted=fit.predicted,
        sentence=sentence_of(weighed.evidence, fit) + _rivals(weighed, fit),
        next_measurement=step,
        caution=_caution(cause.caution, step),
    )


def _unit(evidence: Evidence, fit: Fit) -> tuple[str, Callable[[float], float]]:
    """Return the unit of a size and what turns the size into it; a shift of ln ν is told in per cent."""
    scale = CAUSES[fit.cause].scale
    if scale is not None:
        return scale.unit, lambda size: size * scale.shown
    if math.isnan(fit.size):
        return "", lambda size: size
    return ("%", lambda size: 100.0 * math.expm1(size)) if evidence.viscous.any() else ("kg/m³", lambda size: size)


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
    return f"its bottle seems exchanged with {found.sample} (run {found.run}, same day)" if found else ""


def _next(weighed: Weighed, fit: Fit, apart: Discrimination) -> NextMeasurement | None:
    rival, choice = next((one for one in weighed.probabilities if one != fit.cause), None), apart.best
    if choice is None or rival is None:
        return None
    chance = apart.decides(fit.cause, rival)
    return NextMeasurement(
        **vars(choice.candidate),
        separates=rival,
        probability_of_deciding=chance,
        sentence=next_step(choice.candidate, choice.rows, fit.cause, rival, chance),
        rows=choice.rows,
        gain=choice.gain,
    )


def _caution(of_cause: str, step: NextMeasurement | None) -> str:
    if step is None or step.kind in ("same fill again", "original record"):
        return of_cause
    return _CLEAN_CELL if of_cause in _CLEAN_CELL else f"{_CLEAN_CELL} {of_cause}"
