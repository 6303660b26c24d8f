"""Does the product comply, and is it as it usually is? Limits, typical values of lab.toml, and earlier runs."""

import math
from dataclasses import dataclass, replace

import numpy as np

from labcalc import statistics
from labcalc.errors import EvidenceError
from labcalc.exports import QUANTITY_COLUMNS
from labcalc.judgement.certificates import SAME_TEMPERATURE_K
from labcalc.judgement.checks import Check, HeldLimit
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import independent_results
from labcalc.judgement.uncertainty.results import Consequence, Result, Results, reported_value
from labcalc.lab import Limit
from labcalc.statistics import DECISION_RULES, DecisionRule, decide_conformity, rounded
from labcalc.wording import at_celsius, celsius, numeral, plain, probability, signed

TYPICAL_DEVIATIONS = 3.0  # how many standard deviations a product may be from its typical value: common practice
_LOOKED_INTO = 2.0  # standard deviations from which all results together are looked into, [-]: our own choice
_TOGETHER = 2e-3  # probability of noise and spread below which all results are doubtful, [-]: own choice, far out
_FALLBACK = DECISION_RULES["rounding"]  # the rule that needs nothing to be known but the limit
_NO_ROOM = "the limits leave the method no room (ISO 4259: 4 R between two limits, 2 R above zero for one)"
NOISE_PROBABILITY = 0.05  # of noise alone, below which a run is doubtful, [-]: own choice; 1 good run in 100 is below
_STANDS_OUT_PERCENT, _STANDS_OUT_DENSITY = 0.6, 0.25  # asks for causes, [%], [kg/m³]: our own choice, some 3 deviations


def specification_checks(
    dossier: Dossier, results: Results, consequences: tuple[Consequence, ...]
) -> tuple[Check, ...]:
    """Compare each limit of the product's specification with the result, by the stated decision rule."""
    name = "Specification"
    if dossier.is_reference:
        return ()
    if dossier.product is None:
        return (_unheld(name, "lab.toml knows no product of this name"),)
    if not dossier.product.limits:
        return (_unheld(name, f"lab.toml gives {dossier.product.name} no limits"),)
    return tuple(_specification(limit, dossier, results, consequences) for limit in dossier.product.limits)


def _unheld(name: str, why: str) -> Check:
    return Check(name, "not checked", f"nothing was held against a specification: {why}", missed=True)


def typical_check(dossier: Dossier, results: Results) -> Check | None:
    """Compare the results with the product's typical values; None for a reference oil."""
    name = "Typical values"
    if dossier.is_reference:
        return None
    typical = dossier.product.typical if dossier.product else ()
    finding = "lab.toml gives this product no typical value that was measured here"
    if not typical:
        return Check(name, "not checked", finding)
    pairs = [(value, found) for value in typical if (found := results.of(value.quantity, value.temperature_C))]
    scores = [(found.value - value.mean) / value.standard_deviation for value, found in pairs]
    score = max(scores, key=abs, default=0.0)
    elsewhere = {one.quantity for one in typical} - {one.quantity for one, _ in pairs}
    looked_into = not pairs or abs(score) > _LOOKED_INTO or any(one.quantity in elsewhere for one in results)
    far = abs(score) > TYPICAL_DEVIATIONS
    together = noise_explains(dossier) if looked_into and not far else 1.0
    if pairs:
        value, found = pairs[scores.index(score)]
        away = f"{numeral(abs(score), 1)} standard deviations {'above' if score > 0 else 'below'}"
        finding = f"{found.place}, {found.reported} {found.unit}, is {away} the typical {plain(value.mean)}; limit "
        finding += f"{TYPICAL_DEVIATIONS:g}" + (f" (the worst of {len(pairs)})" if len(pairs) > 1 else "")
        explained = "with all results together noise and spread explain it"
    else:
        explained = "beside those that it gives, carried here, noise and spread explain the run"
    if not pairs or together < _TOGETHER:
        finding += f"; {explained} with a probability of {probability(together)}"
    basis = "typical values of lab.toml; limit by common practice"
    return Check(name, "doubtful" if far or together < _TOGETHER else "met", finding, basis)


def _specification(limit: Limit, dossier: Dossier, results: Results, consequences: tuple[Consequence, ...]) -> Check:
    name = f"Specification: {at_celsius(limit.quantity, limit.temperature_C)}"
    found = _found(limit, results, consequences)
    if isinstance(found, str):
        why = f"the limit could not be held: {found}"
        return Check(name, "doubtful", why, _title(dossier, limit), limit=_limit(limit))
    choices = dossier.laboratory.conformity
    rule = DECISION_RULES[limit.decision_rule or choices.decision_rule]
    if rule.band == "R":
        held = _held_by_method(rule, found, limit, dossier)
    else:
        held = _held_by_laboratory(rule, found, choices.guard_band)
    state = decide_conformity(found.value, limit.lowest, limit.highest, held.rule, held.width, limit.decimals)
    unit = f" {found.unit}" if found.unit else ""
    finding = (
        f"{_shown(found.value, limit, held.rule)}{unit}{_knowledge(found, held)}",
        f"{_words(limit)} {found.unit}".strip(),
        *_nearness(found, limit, held),
        *held.remarks,
        _risk(found.value, limit, held),
    )
    return Check(name, state, "; ".join(finding), _basis(limit, dossier, held), limit=_limit(limit, held.rule.name))


def _limit(limit: Limit, rule: str = "") -> HeldLimit:
    words = _words(limit).removeprefix("limits ")
    return HeldLimit(limit.quantity, limit.temperature_C, limit.lowest, limit.highest, words, rule)


@dataclass(frozen=True)
class _Held:
    """How a value is held against its limit: the rule in force and what it needs."""

    rule: DecisionRule
    width: float  # guard band, [unit of the value]; NaN where the rule has none
    standard_uncertainty: float  # what the risk is calculated from, [unit of the value]; NaN where unknown
    degrees_of_freedom: float = math.inf
    reproducibility: float = math.nan
    band: str = "the guard band"  # what a sentence calls the guard band
    remarks: tuple[str, ...] = ()


def _found(limit: Limit, results: Results, consequences: tuple[Consequence, ...]) -> Result | Consequence | str:
    """Return the value to compare: measured, else an index or a density; else why there is none."""
    if measured := results.of(limit.quantity, limit.temperature_C):
        return measured
    density = f"Density at {celsius(limit.temperature_C)}"
    names = {"viscosity index": "Viscosity index", "CCAI": "CCAI", "density": density}
    for one in consequences:
        if one.name == names.get(limit.quantity):
            return one if math.isfinite(one.value) else one.note
    return "not measured in this run"


def _held_by_laboratory(rule: DecisionRule, found: Result | Consequence, multiple: float) -> _Held:
    """Take the guard band from the laboratory's own expanded uncertainty."""
    if math.isnan(found.expanded_uncertainty):
        if not (rule.accept or rule.reject):
            return _Held(rule, math.nan, math.nan)
        return _Held(_FALLBACK, math.nan, math.nan, remarks=(f"U is unknown: {_instead(rule)}",))
    budget = found.budget
    width = multiple * budget.expanded_uncertainty if rule.accept or rule.reject else math.nan
    return _Held(rule, width, budget.standard_uncertainty, budget.effective_degrees_of_freedom)


def _held_by_method(rule: DecisionRule, found: Result | Consequence, limit: Limit, dossier: Dossier) -> _Held:
    """Take the margin from the published reproducibility; without one, hold by rounding and say so."""
    in_force = dossier.precision_in_force(limit.quantity, limit.temperature_C, found.value)
    statement = in_force.statement
    reproducibility = math.nan if statement is None else float(statement.reproducibility.at(found.value))
    if statement is None or not reproducibility >= statement.repeatability.at(found.value):
        why = in_force.why_not or "the precision statement in force gives no R of its r or more"
        return replace(_held_by_laboratory(_FALLBACK, found, 1.0), remarks=(f"{why}: {_instead(rule)}",))
    number = independent_results(found.repeats, dossier.laboratory) if isinstance(found, Result) else 1
    repeatability = float(statement.repeatability.at(found.value))
    width = float(statistics.one_sided_margin(reproducibility, repeatability=repeatability, results=number))
    tight = not statistics.limits_leave_room(limit.lowest, limit.highest, reproducibility)
    band, remarks = "0.59 R" if number == 1 else f"0.59 R of the mean of {number} results", (_NO_ROOM,) * tight
    standard = width / statistics.coverage_factor(0.90)  # two-sided 90 % leave 5 % on either side
    return _Held(rule, width, standard, reproducibility=reproducibility, band=band, remarks=remarks)


def _instead(rule: DecisionRule) -> str:
    return f"the rule '{_FALLBACK.name}' stands in for '{rule.name}'"


def _shown(value: float, limit: Limit, rule: DecisionRule) -> str:
    """Round to the limit's decimals where the rule does, else as far as it takes to tell value and limit apart."""
    ends = (limit.lowest, limit.highest)
    telling = (n for n in range(limit.decimals + 1, 12) if float(rounded(value, n)) not in ends or value in ends)
    return numeral(value, limit.decimals if rule.rounded_first else next(telling, 12))


def _knowledge(found: Result | Consequence, held: _Held) -> str:
    known = {"U": found.expanded_uncertainty, "R": held.reproducibility}
    words = [f"{name} = {numeral(size)}" for name, size in known.items() if math.isfinite(size)]
    return f" ({', '.join(words)})" if words else ""


def _nearness(found: Result | Consequence, limit: Limit, held: _Held) -> tuple[str, ...]:
    """Say how near the limit is, where it is nearer than the guard band."""
    if math.isnan(held.width):
        return ()
    margin = min(side for side in (found.value - limit.lowest, limit.highest - found.value) if not math.isnan(side))
    if abs(margin) >= held.width:
        return ()
    away, width = (f"{numeral(size)} {found.unit}".strip() for size in (abs(margin), held.width))
    if abs(margin) < 1e-9 * held.width:  # on it, but for what binary can't hold
        return (f"on the limit, within {held.band}, {width}",)
    return (f"{'outside' if margin < 0 else 'inside'} by {away}, less than {held.band}, {width}",)


def _risk(value: float, limit: Limit, held: _Held) -> str:
    what = "probability that the true value is outside"
    if math.isnan(held.standard_uncertainty):
        return f"{what}: unknown, as U is"
    risk = statistics.conformity_probability(
        value, held.standard_uncertainty, limit.lowest, limit.highest, degrees_of_freedom=held.degrees_of_freedom
    )
    source = " (by R)" if math.isfinite(held.reproducibility) else ""
    return f"{what}{source}: {probability(float(risk.outside))}"


def _basis(limit: Limit, dossier: Dossier, held: _Held) -> str:
    stated = limit.decision_rule or dossier.laboratory.conformity.decision_rule
    whose = "agreed for this limit" if limit.decision_rule else "of the laboratory"
    whose = whose if held.rule.name == stated else f"in place of '{stated}'"
    multiple = f"; guard band {dossier.laboratory.conformity.guard_band:g} U"
    unrounded = "" if held.rule.rounded_first else "; the value is held as it is, before rounding"
    band = multiple if held.rule.band == "U" and math.isfinite(held.width) else ""
    return f"{_title(dossier, limit)}; decision rule '{held.rule.name}', {whose}: {held.rule.basis}{unrounded}{band}"


def _title(dossier: Dossier, limit: Limit) -> str:
    product = dossier.product
    if limit.source:
        return f"{limit.source} [{limit.mark}], asked for by lab.toml"
    return (product.specification or product.name) if product else ""


def _words(limit: Limit) -> str:
    low, high = ("" if math.isnan(end) else numeral(end, limit.decimals) for end in (limit.lowest, limit.highest))
    return f"limits {low} to {high}" if low and high else f"at least {low}" if low else f"at most {high}"


# --- Earlier runs of the sample and its lot ---


def earlier_runs_check(dossier: Dossier, results: Results) -> Check | None:
    """Compare the results with the median of earlier runs; None for a reference oil.
    What stands out is doubtful if the causes that the numbers allow leave noise and spread less than 5 %: only then
    the causes are worked out, so that a run as usual costs nothing."""
    name = "Earlier runs of the sample and its lot"
    if dossier.is_reference:
        return None
    compared = [result for result in results if result.quantity in ("kinematic viscosity", "density")]
    found = [one for result in compared if (one := _difference(dossier, result)) is not None]
    if not found:
        return Check(name, "not checked", "the record holds no earlier run with a result to compare")
    share, finding = max(found)
    basis = "labcalc's own choice of what stands out, and of 5 % for noise and spread alone"
    if share <= 1.0:
        return Check(name, "met", finding + (f" (the worst of {len(found)})" if len(found) > 1 else ""), basis)
    from labcalc.judgement.causes import evidence_of, leading_cause

    evidence = evidence_of(dossier)
    leading = leading_cause(evidence)
    if leading.cause != "noise" and leading.noise_probability < NOISE_PROBABILITY:
        return Check(name, "doubtful", finding, basis)
    words = f"noise and spread explain this run (probability {probability(leading.noise_probability, 1.0)})"
    if evidence.course.basis != "history":
        words = f"the earlier runs don't fit the product; beside the {evidence.course.words} {words}"
    return Check(name, "met", f"{finding}; {words}", basis)


def _difference(dossier: Dossier, result: Result) -> tuple[float, str] | None:
    """Return the difference from the median of earlier runs in units of what stands out, and words."""
    history = dossier.history
    values = history[QUANTITY_COLUMNS[result.quantity]].to_numpy(float)
    near = np.abs(history["temperature_C"].to_numpy(float) - result.temperature_C) <= SAME_TEMPERATURE_K
    runs, known = history["run"].to_numpy(object), near & np.isfinite(values)
    earlier = [float(values[known & (runs == run)].mean()) for run in dict.fromkeys(runs[known])]
    if not earlier:
        return None
    middle, dense = float(np.median(earlier)), result.quantity == "density"
    away = result.value - middle if dense else 100.0 * (result.value / middle - 1.0)
    limit, unit = (_STANDS_OUT_DENSITY, "kg/m³") if dense else (_STANDS_OUT_PERCENT, "%")
    what = "an earlier run" if len(earlier) == 1 else f"the median of {len(earlier)} earlier runs"
    usual = f"{what}, {reported_value(result.quantity, middle)} {result.unit}; {limit:g} {unit} stands out"
    return abs(away) / limit, f"{result.place}, {result.reported} {result.unit}, is {signed(away)} {unit} from {usual}"


def noise_explains(dossier: Dossier) -> float:
    """Return the probability that noise and spread alone explain a run, [-]; 1 where nothing can be compared."""
    from labcalc.judgement.causes import evidence_of, leading_cause

    try:
        evidence = evidence_of(dossier)
    except EvidenceError:
        return 1.0
    leading = leading_cause(evidence)
    return 1.0 if len(evidence.rows) < 2 or leading.cause == "noise" else leading.noise_probability
