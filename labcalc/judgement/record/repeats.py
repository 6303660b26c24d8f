"""Do the repeats of a result agree, by which limit, and what is reported of them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from labcalc import statistics
from labcalc.judgement.certificates import UNITS
from labcalc.judgement.record.dossier import Dossier
from labcalc.lab import Laboratory, PrecisionFunction, PrecisionStatement
from labcalc.wording import numeral

_USUAL = 0.99  # share of good runs whose fills keep the instrument's own limits, [-]: our own choice
LAST = 4  # the procedure of ISO 5725-6 ends with four results; more are held against their critical range alone
Outcome = Literal["single", "agree", "unusual", "measure more", "median", "disagree", "not checked"]


@dataclass(frozen=True)
class Agreement:
    """How the repeats of a result agree, and what is reported of them."""

    outcome: Outcome
    value: float  # what is reported: the mean, or the median where that is the outcome
    why_not: str = ""  # why the repeats could not be checked
    statement: PrecisionStatement | None = None  # in force for the result; None where ``why_not`` says why
    letter: Literal["r", "d"] = "r"  # the limit that holds: repeatability for fills, determinability within a fill
    spread: float = math.nan
    limit: float = math.nan
    more: int = 0  # how many more are to be measured, [-]
    alone: float = math.nan  # the limit of a single comparison, narrower than that of all comparisons of a run
    usual: float = math.nan  # what fills on this instrument keep by its own record, where that is narrower
    usual_number: int = 0  # how many earlier differences that rests on


def repeat_limit(statement: PrecisionStatement, laboratory: Laboratory) -> tuple[Literal["r", "d"], PrecisionFunction]:
    """Return the limit that holds for replicates, by its letter and as a function of the result.
    Fills of their own are results of their own: the repeatability r holds. Replicates of one fill are determinations of
    one result: the determinability d holds for them, and r, the wider limit, where no d is stated."""
    if laboratory.report.replicates == "determinations" and math.isfinite(statement.determinability.factor):
        return "d", statement.determinability
    return "r", statement.repeatability


def independent_results(repeats: Sequence[float], laboratory: Laboratory) -> int:
    """Return how many results repeats are: each fill is one, all determinations of one fill are one together."""
    return 1 if laboratory.report.replicates == "determinations" else len(repeats)


def agreement_of(
    dossier: Dossier, quantity: str, temperature_C: float, repeats: Sequence[float], comparisons: int = 1
) -> Agreement:
    """Hold the repeats of one quantity at one temperature against the limit in force.

    Fills are decided by ISO 5725-6: two within r give their mean, otherwise up to two more are measured, and the median
    of four stands where even these don't agree. Determinations that don't agree are no result. Pairs of fills are held
    against the limit that all of the run's ``comparisons``, [-], keep together: none is held back for being measured at
    many places. Their mean stands as long as nothing else is decided."""
    mean = math.fsum(repeats) / len(repeats)
    in_force = dossier.precision_in_force(quantity, temperature_C, mean)
    if (statement := in_force.statement) is None:
        return Agreement("not checked", mean, in_force.why_not)
    if len(repeats) == 1:
        return Agreement("single", mean, "one determination: nothing to compare", statement)
    if not 2 <= len(repeats) <= max(statistics.CRITICAL_RANGE_FACTORS):
        why_not = f"{len(repeats)} repeats: a critical range is given for 2 to 10"
        return Agreement("not checked", mean, why_not, statement)
    letter, function = repeat_limit(statement, dossier.laboratory)
    precision = float(function.at(mean))
    if not precision > 0.0:
        at = f"{numeral(mean, figures=4)} {UNITS[quantity]}"
        return Agreement("not checked", mean, f"{statement.method} gives no {letter} at {at}", statement)
    alone = statistics.critical_range(precision, len(repeats))
    are_pairs = len(repeats) == 2 and comparisons > 1 and dossier.laboratory.report.replicates == "fills"
    of_run = statistics.family_repeatability(precision, comparisons) if are_pairs else alone
    held = (letter, max(repeats) - min(repeats), of_run)
    if statistics.lie_within(repeats, of_run):
        usual, number = _usual(dossier, quantity, temperature_C, mean, len(repeats), comparisons)
        outcome: Outcome = "agree" if statistics.lie_within(repeats, min(usual, of_run)) else "unusual"
        return Agreement(outcome, mean, "", statement, *held, alone=alone, usual=usual, usual_number=number)
    if letter == "d" or len(repeats) > LAST:
        return Agreement("disagree", mean, "", statement, *held, alone=alone)
    decision = statistics.acceptable_result(repeats, precision)
    if decision.more:
        return Agreement("measure more", mean, "", statement, *held, decision.more, alone)
    return Agreement("median", decision.value, "", statement, *held, alone=alone)


def _usual(
    dossier: Dossier, quantity: str, temperature_C: float, mean: float, number: int, comparisons: int
) -> tuple[float, int]:
    """Return what fills keep by the instrument's own record, in the unit of the quantity; infinite where unknown."""
    own = dossier.own_scatter(quantity, temperature_C)
    if own is None or dossier.laboratory.report.replicates == "determinations":
        return math.inf, 0
    precision = statistics.CRITICAL_RANGE_FACTORS[2] * (own.size if quantity == "density" else own.size * mean)
    of_pairs = statistics.family_repeatability(precision, comparisons, probability=_USUAL)
    return statistics.critical_range(of_pairs, number), own.number
