"""Do the repeats of a result agree, by which limit, and what is reported of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.record.dossier import Dossier
from labcalc.lab import Laboratory, PrecisionFunction, PrecisionStatement
from labcalc.statistics import CRITICAL_RANGE_FACTORS, acceptable_result, critical_range, lie_within, rounded_to_figures

_LAST = 4
"""The procedure of ISO 5725-6 ends with four results; more are held against their critical range alone."""


@dataclass(frozen=True)
class Agreement:
    """How the repeats of a result agree, and what is reported of them."""

    outcome: Literal["single", "agree", "measure more", "median", "disagree", "not checked"]
    value: float
    """What is reported: the mean, or the median where that is the outcome."""
    why_not: str = ""
    """Why the repeats could not be checked."""
    statement: PrecisionStatement | None = None
    """The precision statement in force for the result; None where there is none, and ``why_not`` says why."""
    letter: Literal["r", "d"] = "r"
    """Which limit holds: repeatability for fills, determinability for determinations of one fill."""
    spread: float = math.nan
    limit: float = math.nan
    more: int = 0
    """How many more are to be measured, [-]."""


def repeat_limit(statement: PrecisionStatement, laboratory: Laboratory) -> tuple[Literal["r", "d"], PrecisionFunction]:
    """Return the limit that holds for replicates, by its letter and as a function of the result.

    Fills of their own are results of their own: the repeatability r holds. Replicates of one fill are determinations of
    one result: the determinability d holds for them, and r, the wider limit, where no d is stated.
    """
    if laboratory.report.replicates == "determinations" and math.isfinite(statement.determinability.factor):
        return "d", statement.determinability
    return "r", statement.repeatability


def independent_results(repeats: Sequence[float], laboratory: Laboratory) -> int:
    """Return how many results repeats are: each fill is one, all determinations of one fill are one together."""
    return 1 if laboratory.report.replicates == "determinations" else len(repeats)


def agreement_of(dossier: Dossier, quantity: str, temperature_C: float, repeats: Sequence[float]) -> Agreement:
    """Hold the repeats of one quantity at one temperature against the limit in force.

    Fills are decided by ISO 5725-6: two within r give their mean, otherwise up to two more are measured, and the median
    of four stands where even these don't agree. Determinations that don't agree are no result.

    Parameters
    ----------
    dossier : Dossier
        The run with its context.
    quantity : str
        As the tidy table names it.
    temperature_C : float
        Temperature, [°C].
    repeats : sequence of float
        All repeats, in the order of measurement.

    Returns
    -------
    Agreement
        With the mean as long as nothing else is decided.
    """
    mean = math.fsum(repeats) / len(repeats)
    in_force = dossier.precision_in_force(quantity, temperature_C, mean)
    statement = in_force.statement
    if statement is None:
        return Agreement("not checked", mean, in_force.why_not)
    if len(repeats) == 1:
        return Agreement("single", mean, "one determination: nothing to compare", statement)
    if not 2 <= len(repeats) <= max(CRITICAL_RANGE_FACTORS):
        why_not = f"{len(repeats)} repeats: a critical range is given for 2 to 10"
        return Agreement("not checked", mean, why_not, statement)
    letter, function = repeat_limit(statement, dossier.laboratory)
    precision = float(function.at(mean))
    if not precision > 0.0:
        at = f"{rounded_to_figures(mean, 4):f} {UNITS[quantity]}"
        return Agreement("not checked", mean, f"{statement.method} gives no {letter} at {at}", statement)
    held = (letter, max(repeats) - min(repeats), critical_range(precision, len(repeats)))
    if lie_within(repeats, held[2]):
        return Agreement("agree", mean, "", statement, *held)
    if letter == "d" or len(repeats) > _LAST:
        return Agreement("disagree", mean, "", statement, *held)
    decision = acceptable_result(repeats, precision)
    if decision.more:
        return Agreement("measure more", mean, "", statement, *held, decision.more)
    return Agreement("median", decision.value, "", statement, *held)
