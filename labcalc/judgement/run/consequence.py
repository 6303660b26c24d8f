"""What is calculated from results, with their uncertainty carried through, and that of what is taken for granted."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from labcalc.errors import OutOfRangeError
from labcalc.formulae import edition_of
from labcalc.judgement.uncertainty.effects import Effect, Uncertain, carried, unknown, varied
from labcalc.judgement.uncertainty.results import Result
from labcalc.statistics import InputQuantity


@dataclass(frozen=True)
class Consequence(Uncertain):
    """A quantity that was calculated from the results, by a published method."""

    name: str
    value: float  # NaN where it is a word or could not be calculated
    reported: str
    unit: str
    standard: str
    note: str = ""


def missing(name: str, unit: str, standard: str, why: str) -> Consequence:
    """Return a quantity that can't be calculated, with the reason as its note."""
    return Consequence(name, math.nan, "–", unit, standard, why)


def calculated(
    name: str,
    formula: str,
    function: Callable[..., ArrayLike],
    asked: Sequence[Result | Consequence | None],
    report: Callable[[float], str],
    unit: str = "",
    note: str = "",
    needs: str = "",
) -> Consequence:
    """Evaluate a function of results and carry their uncertainty; a refusal, or what it needs, becomes the note.

    formula : Whose edition is told, as ``labcalc.formulae`` names it.
    asked : What the function takes; None where the run doesn't give it.
    """
    standard = edition_of(formula)
    inputs = [one for one in asked if one is not None]
    if len(inputs) < len(asked):
        return missing(name, unit, standard, needs)
    if refused := [one.note for one in inputs if isinstance(one, Consequence) and math.isnan(one.value)]:
        return missing(name, unit, standard, refused[0])
    values, effects = [one.value for one in inputs], [one.effects for one in inputs]
    try:
        outcomes = np.asarray(function(*varied(values)))
        value, known = float(outcomes[0]), carried(outcomes, values, effects)
    except OutOfRangeError as beyond:  # of a value at the very end of the range: beyond it there is no slope
        try:
            value = float(np.asarray(function(*values)))
        except OutOfRangeError as refusal:
            return missing(name, unit, standard, str(refusal))
        known = tuple(unknown(e.component, e.source.name, str(beyond)) for one in effects for e in one)
    return Consequence(name, value, report(value), unit, standard, note, effects=known)


def taken_for_granted(component: str, name: str, relative: float, basis: str) -> Consequence:
    """Return a factor of 1 with the relative uncertainty of a rule that no oil follows exactly."""
    source = InputQuantity(name, 0.0, 1.0, "standard uncertainty", source=basis)
    return Consequence(name, 1.0, "", "", "", effects=(Effect(component, source, relative),))
