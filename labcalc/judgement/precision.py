"""Which precision statement is in force for a result of a run, or why none is."""

import math
from dataclasses import dataclass

from labcalc.judgement.certificates import UNITS
from labcalc.lab import Laboratory, PrecisionFunction, PrecisionStatement, method_of, precision_for, published_precision
from labcalc.wording import at_celsius, numeral, plain

RANGE_FACTOR = 2.77  # from the standard deviation of single results to the limit of the difference of two, 95 %: 1.96√2


@dataclass(frozen=True)
class InForce:
    """A statement, or None with the reason."""

    statement: PrecisionStatement | None
    why_not: str = ""


def precision_of_class(
    laboratory: Laboratory, class_: str, quantity: str, temperature_C: float, value: float, instrument: str = ""
) -> InForce:
    """Return the precision statement that holds for a result of a class of oils, where it gives a repeatability.
    The laboratory's own [[precision]] comes first, then the published statement of the instrument's method."""
    if not class_:
        return InForce(None, "lab.toml gives this product no precision_class")
    statement = precision_for(laboratory, class_, quantity, temperature_C, instrument)
    if statement is None:
        method = method_of(laboratory, instrument, quantity)
        what = at_celsius(f"{quantity} of {class_}", temperature_C)
        if not method:
            return InForce(None, f"no precision statement for {what}")
        of_method = [one for one in published_precision() if (one.edition_title, one.quantity) == (method, quantity)]
        if all(one.precision_class != class_ for one in of_method):
            what = f"{quantity} of {class_}"
        return InForce(None, f"no precision of {method} is known here for {what}: [[precision]] can state your own")
    if not statement.holds_for(value):
        return InForce(None, f"{statement.method} states its precision for {_reach(statement)} only")
    if not statement.repeatability.at(value) > 0.0:
        at = numeral(value, figures=4)
        return InForce(None, f"{statement.method} gives no repeatability at {at} {UNITS[quantity]}")
    return InForce(statement)


def _reach(statement: PrecisionStatement) -> str:
    low, high, unit = statement.lowest, statement.highest, UNITS[statement.quantity]
    if math.isnan(low):
        return f"up to {plain(high)} {unit}"
    return f"{plain(low)} {unit} and above" if math.isnan(high) else f"{plain(low)} to {plain(high)} {unit}"


def precision_by_own_record(quantity: str, size: float, number: int, of: str) -> PrecisionStatement:
    """Return the statement that the scatter of an instrument's own fills makes, where no other is in force.
    Its ``size`` is that of single fills, relative for viscosities [-], of densities [kg/m³], by so many differences."""
    none, method = PrecisionFunction(), f"own record of {number} pairs of fills"
    repeatability = PrecisionFunction(RANGE_FACTOR * size, 0.0, 0.0 if quantity == "density" else 1.0)
    stated = (method, "", of, quantity, math.nan, none, repeatability, none, "laboratory")
    return PrecisionStatement(*stated, degrees_of_freedom=float(number))
