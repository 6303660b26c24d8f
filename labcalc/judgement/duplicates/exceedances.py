"""Repeats that lie further apart than their limit, and what to measure next."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from labcalc.judgement.certificates import UNITS
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS
from labcalc.statistics import acceptable_result, critical_range
from labcalc.wording import at_celsius, numeral, signed

_LAST = 4  # the procedure of ISO 5725-6 ends with four results

_GROSS = 2.0
"""Times its limit that a set spreads by chance once in 10 000 where the limit is just met, [-]: our own choice."""


@dataclass(frozen=True)
class SetBeyond:
    """Repeats that lie further apart than their limit, and what to do next."""

    sample: str
    condition: str
    changed: str
    quantity: str
    temperature_C: float
    unit: str
    measured_at: pd.Timestamp  # of the last of them
    runs: str
    instruments: str
    operators: str
    values: tuple[float, ...]  # in the order of measurement, in the unit
    spread: float
    limit: float  # for so many results, in the unit
    carried: float  # first minus second by carry-over, [shown unit]; 0 where it doesn't bring them within the limit
    what_to_do: str

    @property
    def name(self) -> str:
        """Sample, quantity and temperature, as a person writes them."""
        return f"{self.sample}, {at_celsius(self.quantity, self.temperature_C)}"

    @property
    def is_gross(self) -> bool:
        """So far apart that neither chance nor carry-over does it."""
        return not self.carried and self.spread > _GROSS * self.limit

    @property
    def apart(self) -> str:
        """How far apart they lie, and their limit, in words."""
        return f"{numeral(self.spread, figures=3)} {self.unit} apart (limit {numeral(self.limit, figures=3)})"


def sets_beyond(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[SetBeyond, ...]:
    """Return the sets beyond their limit, in the order of time.

    results, sets : ``RESULT_COLUMNS`` and ``SET_COLUMNS`` of the same sets.
    """
    beyond = sets[sets["beyond"]].sort_values("ended", kind="stable")
    of_these = results[results["set"].isin(beyond.index)].groupby("set")
    values = {number: tuple(map(float, rows["value"])) for number, rows in of_these}
    return tuple(_set_beyond(row, values[row["set"]]) for _, row in beyond.iterrows())


def _set_beyond(row: pd.Series, values: tuple[float, ...]) -> SetBeyond:
    quantity, condition = str(row["quantity"]), str(row["condition"])
    explained = bool(row["carried_over"]) and abs(row["difference"] - row["carried"]) <= row["pair_limit"]
    carried = float(row["carried"]) if explained else 0.0
    what_to_do = _what_to_do(condition, str(row["changed"]), values, float(row["limit"]), UNITS[quantity])
    if explained:
        part = f"{signed(carried)} of {signed(float(row['difference']))} {SHOWN_UNITS[quantity]}"
        what_to_do = f"Residue of the sample before explains {part}: measure again after a sample of its own kind."
    return SetBeyond(
        sample=str(row["sample"]),
        condition=condition,
        changed=str(row["changed"]),
        quantity=quantity,
        temperature_C=float(row["temperature_C"]),
        unit=UNITS[quantity],
        measured_at=row["ended"],
        runs=str(row["runs"]),
        instruments=str(row["instruments"]),
        operators=str(row["operators"]),
        values=values,
        spread=max(values) - min(values),
        limit=float(row["limit"]),
        carried=carried,
        what_to_do=what_to_do,
    )


def _what_to_do(condition: str, changed: str, values: tuple[float, ...], limit: float, unit: str) -> str:
    if condition == CONDITIONS[0]:
        return "Clean, fill and determine again: determinations of one fill that don't agree are no result."
    if condition == CONDITIONS[2]:
        return (
            "Measure it side by side, in one hand: a difference that stays is the bottle's (swapped, not mixed); one "
            f"that goes came with the change of {changed}."
        )
    if len(values) > _LAST:
        return "Find out why before anything is reported: more than four results are no longer a matter of chance."
    pair_limit = limit / critical_range(1.0, len(values))
    decision = acceptable_result(values, pair_limit)
    if decision.more == 0:
        return f"Report the median, {numeral(decision.value, figures=5)} {unit}, and find out why they don't agree."
    four = numeral(critical_range(pair_limit, _LAST), figures=3)
    return f"Measure {decision.more} more: report the mean of four within {four} {unit}, else their median."
