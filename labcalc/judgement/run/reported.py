"""The results as they are signed and handed on: value, uncertainty, unit, limits, decision rule, met or not, method."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from labcalc.judgement.checks import Check, HeldLimit, State
from labcalc.judgement.run.verdict import Judgement
from labcalc.judgement.uncertainty.results import Consequence, Result, missing
from labcalc.lab import method_of
from labcalc.wording import at_celsius, numeral, plain

_LEADING = ("Viscosity index", "Density at 15 °C")
"""What stands among the measured results although it is calculated and no limit asks for it."""


@dataclass(frozen=True)
class Reported:
    """One quantity of a run, as a person signs it and as a program reads it."""

    name: str
    quantity: str  # without its temperature
    temperature_C: float  # NaN where the quantity has none
    value: float  # NaN where there is none, or it is a word
    reported: str  # the value, rounded as its method says
    unit: str
    expanded_uncertainty: float  # of 95 % coverage, in the unit of the value; NaN where unknown
    coverage_factor: float
    degrees_of_freedom: float
    determinations: int  # 0: it was calculated
    method: str  # with edition; empty where lab.toml names none
    note: str
    limit: HeldLimit | None
    state: State | None  # whether the limit is met; None without one
    leads: bool  # whether it was measured, a limit asks for it, or every customer does

    @property
    def shown_uncertainty(self) -> str:
        """The expanded uncertainty, rounded; 'unknown', or a dash of a word."""
        if math.isnan(self.value) and not self.determinations:
            return "–"
        return numeral(self.expanded_uncertainty, unknown="unknown")


def reported_of(judgement: Judgement) -> tuple[Reported, ...]:
    """Return what a run reports: measured, then calculated, then what a limit asks for and the run doesn't give.

    judgement : The run, judged.
    """
    held = {_place(one.limit): one for one in (*judgement.checks, *_certified(judgement)) if one.limit}
    lines = (*_measured(judgement, held), *_calculated(judgement, held))
    given = {one.name.casefold() for one in lines}
    return (*lines, *(_absent(one) for place, one in held.items() if place not in given))


def _place(limit: HeldLimit) -> str:
    return at_celsius(limit.quantity, limit.temperature_C).casefold()


def _certified(judgement: Judgement) -> Iterator[Check]:
    """Hold a reference oil's results against its certificate."""
    dossier = judgement.dossier
    if not dossier.is_reference:
        return
    for one in dossier.own_comparisons.dropna(subset=["certified", "limit"]).to_dict("records"):
        certified, limit = float(one["certified"]), float(one["limit"])
        ends = (certified - limit, certified + limit)
        words = f"{plain(certified)} ± {numeral(limit)}"
        held = HeldLimit(str(one["quantity"]), float(one["temperature_C"]), *ends, words, "certificate")
        yield Check(words, "met" if ends[0] <= one["value"] <= ends[1] else "doubtful", words, limit=held)


def _measured(judgement: Judgement, held: Mapping[str, Check]) -> Iterator[Reported]:
    dossier = judgement.dossier
    through = {"dynamic viscosity": "ν·ρ", "kinematic viscosity": "η/ρ", "density": "η/ν"}
    kinematic = {one.temperature_C for one in judgement.results.viscosities}
    for one in judgement.results:
        check = held.get(one.name.casefold())
        own = through[one.quantity] if one.follows else method_of(dossier.laboratory, dossier.instrument, one.quantity)
        alone = one.quantity != "dynamic viscosity" or one.temperature_C not in kinematic
        leads = check is not None or (alone and (not one.follows or one.quantity == "kinematic viscosity"))
        note = f"median of {len(one.repeats)}" if one.rule == "median" else ""
        yield _line(one, check, own, note, leads, len(one.repeats))


def _calculated(judgement: Judgement, held: Mapping[str, Check]) -> Iterator[Reported]:
    measured = {one.name for one in judgement.results}
    for one in (one for one in judgement.consequences if one.name not in measured):
        check = held.get(one.name.casefold())
        leads = check is not None or (one.name in _LEADING and not math.isnan(one.value))
        yield _line(one, check, one.standard, one.note, leads)


def _line(
    one: Result | Consequence, check: Check | None, method: str, note: str, leads: bool, determinations: int = 0
) -> Reported:
    (quantity, temperature), budget = _parts(one.name), one.budget
    return Reported(
        name=one.name,
        quantity=quantity,
        temperature_C=temperature,
        value=one.value,
        reported=one.reported,
        unit=one.unit,
        expanded_uncertainty=one.expanded_uncertainty,
        coverage_factor=budget.coverage_factor,
        degrees_of_freedom=budget.effective_degrees_of_freedom,
        determinations=determinations,
        method=method,
        note=note,
        limit=check.limit if check else None,
        state=check.state if check else None,
        leads=leads,
    )


def _absent(check: Check) -> Reported:
    name = check.name.removeprefix("Specification: ")
    why = check.finding.removeprefix("the limit could not be held: ")
    return _line(missing(f"{name[0].upper()}{name[1:]}", "", "", why), check, "", why, leads=True)


def _parts(name: str) -> tuple[str, float]:
    """Take a name that a person reads apart: quantity, and temperature in °C, NaN where there is none."""
    found = re.fullmatch(r"(.+?) at (\S+) °C", name)
    return (found[1], float(found[2].replace("−", "-"))) if found else (name, math.nan)
