"""The causes of a strange result as a chemist reads them: ranked, sized, in words, with the next step; what would be
seen if something were so, and what a measurement that was made, or might be, adds."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import chdtrc

from labcalc.errors import EvidenceError
from labcalc.judgement.causes.catalogue import CAUSES, OTHER, PRIOR_ODDS, Array
from labcalc.judgement.causes.evidence import KINDS, Evidence, Row, assembled, nearest_oil, rows_of
from labcalc.judgement.causes.expectation import Expectation
from labcalc.judgement.causes.mixtures import FUEL, mixture
from labcalc.judgement.causes.next_measurement import Discrimination, NextMeasurement
from labcalc.judgement.causes.ranking import UNLIKELY as UNLIKELY, Fit, Weighed, fit_of, misfits, weigh
from labcalc.judgement.causes.surroundings import determinations_of
from labcalc.judgement.causes.temperature_and_air import aired, warmed
from labcalc.judgement.causes.words import next_step, sentence_of, titled
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.lab.practice import HOT, PRESSED_AIR, SOLVENTS
from labcalc.wording import at_celsius, celsius, counted, numeral, p_value, plain, probability, signed

_NAMED_FROM = 20.0  # odds, among the day's bottles of the product, from which one is named, [-]: labcalc's own choice
_ALIKE = 0.2  # probability of a rival from which a leading cause is said to be hardly told from it, [-]
_RATHER_THAN_NOT = 0.5
_OF_THE_INSTRUMENT = ("cell temperature", "instrument bias", "solvent", "residue")
_CLEAN_CELL = f"{SOLVENTS} {PRESSED_AIR} {HOT}"
_MEASURED = {"kinematic viscosity": (0.01, 1e7), "density": (300.0, 2000.0)}  # of liquids, [mm²/s] and [kg/m³]


def other_half(evidence: Evidence, product: str) -> tuple[str, str] | None:
    """Return the run, and its sample, of a product that shows this run's product instead; None where none clearly does.
    Its numbers are weighed as this run's product (its lot, where earlier runs tell) and as its own."""
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
    next_measurement: NextMeasurement | None  # None where nothing tells it from its strongest rival
    caution: str

    @property
    def title(self) -> str:
        return CAUSES[self.cause].title


@lru_cache(maxsize=1)
def _weighed(evidence: Evidence) -> Weighed:
    """Return each cause of a run weighed once: its leading one is asked for first, then all of them."""
    return weigh(evidence)


def rank_causes(evidence: Evidence, odds: Mapping[str, float] = PRIOR_ODDS) -> tuple[Explanation, ...]:
    """Rank the causes that the numbers allow, the most probable first; probabilities add up to 1.

    odds : How often each cause happens before anything is measured, [-]; a cause without odds is left out.
    Raises EvidenceError : The odds name an unknown cause, or leave none that is possible.
    """
    weighed = _weighed(evidence) if odds is PRIOR_ODDS else weigh(evidence, odds)
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
    weighed = _weighed(evidence) if odds is PRIOR_ODDS else weigh(evidence, odds)
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
        step = replace(step, sentence=next_step(step, fit.cause, rival, apart.decides(fit.cause, rival)))
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


@dataclass(frozen=True, eq=False)
class WhatIf:
    """What a guess predicts and how far the run is from that; arrays stand beside those of the evidence."""

    predicted: Array  # [mm²/s] or [kg/m³]
    residual_sd: Array  # measured less predicted in standard deviations, noise and spread of the product together, [-]
    misfit: float  # Chi-square of all quantities together, [-]
    degrees_of_freedom: int
    p_value: float  # how often a misfit as large comes by chance, [-]
    sentence: str


def what_if(
    evidence: Evidence,
    temperature_offset_K: float = 0.0,
    residue_fraction: float = 0.0,
    dilution_fraction: float = 0.0,
    bubble_fraction: float = 0.0,
) -> WhatIf:
    """Return what a guess predicts for every row of a run, and what stays unexplained; mixtures by ASTM D7152.

    temperature_offset_K : How much warmer the cell is than it says, at every temperature, [K], -20 to 20.
    residue_fraction : Share of the sample before in every fill, by volume, [-], 0 to 0.9.
    dilution_fraction : Share of a gas oil in the sample, by volume, [-], 0 to 0.9.
    bubble_fraction : Share of air in the density cell in every fill, [-], 0 to 0.9.
    Raises EvidenceError : A size is outside its range, or a residue is asked for without a run before.
    """
    if not abs(temperature_offset_K) <= 20.0:
        raise EvidenceError(f"temperature offset {plain(temperature_offset_K)} K: expected −20 K to 20 K")
    for fraction in (residue_fraction, dilution_fraction, bubble_fraction):
        if not 0.0 <= fraction <= 0.9:
            raise EvidenceError(f"fraction {plain(fraction)}: expected 0 to 0.9")
    if residue_fraction and evidence.before is None:
        raise EvidenceError(f"run {evidence.run}: the record holds no run before it that could leave a residue")
    at = evidence.temperature_C
    in_cell, in_sample = evidence.in_cell.astype(float), evidence.in_bottle.astype(float)
    effect = warmed(evidence, np.where(evidence.same_instrument, temperature_offset_K, 0.0))
    if residue_fraction and evidence.before is not None:
        liquid = evidence.before.liquid
        effect += mixture(evidence, residue_fraction * in_cell, liquid.ordinate_at(at), liquid.density_at(at))
    effect += mixture(evidence, dilution_fraction * in_sample, FUEL.ordinate_at(at), FUEL.density_at(at))
    effect += aired(evidence, bubble_fraction * in_cell, evidence.coupled is not False)
    covariance, left = evidence.spread + evidence.error, evidence.deviation - effect
    misfit, number = float(left @ np.linalg.solve(covariance, left)), len(evidence.rows)
    p, residual = float(chdtrc(number, misfit)), left / np.sqrt(np.diag(covariance))
    furthest = int(np.abs(residual).argmax())
    row, degrees = evidence.rows[furthest], counted(number, "degree of freedom", "degrees of freedom")
    told = f"{at_celsius(row.quantity, row.temperature_C)}, {signed(residual[furthest], 1)} standard deviations"
    sentence = f"Chi-square {numeral(misfit, 1)} with {degrees} ({p_value(p)}); furthest left: {told}."
    return WhatIf(evidence.in_units(evidence.mean + effect), residual, misfit, number, p, sentence)


def with_measurement(evidence: Evidence, quantity: str, temperature_C: float, value: float, kind: str) -> Evidence:
    """Add a measurement that was made, or that might be, to the evidence.

    value : What was measured, [mm²/s] or [kg/m³]. Of a reference oil: of the one nearest in viscosity to the sample.
    kind : One of ``KINDS``; with ``original record`` the value takes the place of the one in the run.
    Raises EvidenceError : The kind or the quantity is none, value or temperature is none of a liquid, no reference oil
        is certified there, or the run holds no such value to correct.
    """
    if kind not in KINDS:
        raise EvidenceError(f"'{kind}' is no kind of measurement; there are: {', '.join(KINDS)}")
    if quantity not in _MEASURED:
        raise EvidenceError(f"'{quantity}' can't be added; it is kinematic viscosity or density")
    lowest, highest = _MEASURED[quantity]
    if not (lowest <= value <= highest and -100.0 <= temperature_C <= 400.0):
        usual = f"{plain(lowest)} to {plain(highest, 8)} at −100 °C to 400 °C is expected"
        raise EvidenceError(f"{quantity} {plain(value)} at {celsius(temperature_C)}: {usual}")
    if kind == "original record":
        return _corrected(evidence, quantity, temperature_C, value)
    oil = nearest_oil(evidence, temperature_C).name if kind == "reference oil" else ""
    row = Row(quantity, temperature_C, _fill(evidence, quantity, temperature_C, kind), value, kind, oil)
    return assembled((*evidence.rows, row), evidence)


def _fill(evidence: Evidence, quantity: str, temperature_C: float, kind: str) -> int:
    """Return the number of the fill: viscosity and density of one kind at one temperature share it in their order."""
    if kind == "same fill again":
        return max(row.replicate for row in evidence.rows if row.kind == "run")
    taken = [(row.replicate, row.quantity, row.temperature_C) for row in evidence.rows if row.kind == kind]
    newest = max((fill for fill, *_ in taken), default=0)
    is_new = not taken or (newest, quantity, temperature_C) in taken
    return max(evidence.replicate.tolist()) + 1 if is_new else newest


def _corrected(evidence: Evidence, quantity: str, temperature_C: float, value: float) -> Evidence:
    near = evidence.of_sample & (np.abs(evidence.temperature_C - temperature_C) <= SAME_TEMPERATURE_K)
    places = np.flatnonzero(near & (evidence.viscous == (quantity == "kinematic viscosity"))).tolist()
    if not places:
        raise EvidenceError(f"run {evidence.run} holds no {at_celsius(quantity, temperature_C)} to correct")
    worst, rows = max(places, key=lambda place: abs(float(evidence.residual_sd[place]))), list(evidence.rows)
    rows[worst] = replace(rows[worst], measured=value, kind="original record")
    return assembled(rows, evidence)
