"""Which precision statement is in force for a result of a run, or why none is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labcalc.judgement.certificates import UNITS
from labcalc.lab import Laboratory, PrecisionStatement, precision_for
from labcalc.statistics import rounded_to_figures

RANGE_FACTOR = 2.77
"""From the standard deviation of single results to the limit of the difference of two, 95 %: 1.96 √2."""


@dataclass(frozen=True)
class InForce:
    """A statement, or None with the reason."""

    statement: PrecisionStatement | None
    why_not: str = ""


def precision_of_class(
    laboratory: Laboratory, precision_class: str, quantity: str, temperature_C: float, value: float
) -> InForce:
    """Return the precision statement that holds for a result of a class of oils, where it gives a repeatability."""
    if not precision_class:
        return InForce(None, "lab.toml gives this product no precision_class")
    statement = precision_for(laboratory, precision_class, quantity, temperature_C)
    if statement is None:
        where = "" if math.isnan(temperature_C) else f" at {temperature_C:g} °C"
        return InForce(None, f"no precision statement for {quantity} of {precision_class}{where}")
    if not statement.holds_for(value):
        return InForce(None, f"{statement.method} states its precision for {_reach(statement)} only")
    if not statement.repeatability.at(value) > 0.0:
        at = f"{rounded_to_figures(value, 4):f} {UNITS[quantity]}"
        return InForce(None, f"{statement.method} gives no repeatability at {at}")
    return InForce(statement)


def _reach(statement: PrecisionStatement) -> str:
    low, high, unit = statement.lowest, statement.highest, UNITS[statement.quantity]
    if math.isnan(low):
        return f"up to {high:g} {unit}"
    return f"{low:g} {unit} and above" if math.isnan(high) else f"{low:g} to {high:g} {unit}"
