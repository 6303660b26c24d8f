"""The results as they are signed and handed on: value, uncertainty, unit, limits, decision rule, met or not, method."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from labcalc.judgement.checks import Check, HeldLimit
from labcalc.judgement.run.verdict import Judgement
from labcalc.judgement.uncertainty.results import Consequence, Result, missing
from labcalc.lab import method_of
from labcalc.wording import at_celsius, numeral, plain

_LEADING = ("Viscosity index", "Density at 15 °C")
"""What stands among the measured results although it is calculated and no limit asks for it."""


@dataclass(frozen=True)
class Reported:
    """One quantity of a run, as a person signs it and as a program reads it."""

    of: Result | Consequence  # its name, value, unit and uncertainty
    method: str  # with edition; empty where lab.toml names none
    note: str
    leads: bool  # whether it was measured, a limit asks for it, or every customer does
    check: Check | None  # holds it against its limit; None without one
    determinations: int = 0  # 0: it was calculated

    @property
    def limit(self) -> HeldLimit | None:
        """What it is held against."""
        return self.check.limit if self.check else None

    @property
    def shown_uncertainty(self) -> str:
        """The expanded uncertainty, rounded; 'unknown', or a dash of a word."""
        if math.isnan(self.of.value) and not self.determinations:
            return "–"
        return numeral(self.of.expanded_uncertainty, unknown="unknown")

    @property
    def parts(self) -> tuple[str, float]:
        """Its name taken apart: quantity, and temperature in °C, NaN where there is none."""
        found = re.fullmatch(r"(.+?) at (\S+) °C", self.of.name)
        return (found[1], float(found[2].replace("−", "-"))) if found else (self.of.name, math.nan)


def reported_of(judgement: Judgement) -> tuple[Reported, ...]:
    """Return what a run reports: measured, then calculated, then what a limit asks for and the run doesn't give.

    judgement : The run, judged.
    """
    held = {_place(one.limit): one for one in (*judgement.checks, *_certified(judgement)) if one.limit}
    lines = (*_measured(judgement, held), *_calculated(judgement, held))
    given = {one.of.name.casefold() for one in lines}
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
    for one in judgement.results:
        check = held.get(one.name.casefold())
        own = through[one.quantity] if one.follows else method_of(dossier.laboratory, dossier.instrument, one.quantity)
        alone = one in judgement.results.independent and (not one.follows or one.quantity == "kinematic viscosity")
        leads = check is not None or alone
        note = f"median of {len(one.repeats)}" if one.rule == "median" else ""
        yield Reported(one, own, note, leads, check, len(one.repeats))


def _calculated(judgement: Judgement, held: Mapping[str, Check]) -> Iterator[Reported]:
    measured = {one.name for one in judgement.results}
    for one in (one for one in judgement.consequences if one.name not in measured):
        check = held.get(one.name.casefold())
        leads = check is not None or (one.name in _LEADING and not math.isnan(one.value))
        yield Reported(one, one.standard, one.note, leads, check)


def _absent(check: Check) -> Reported:
    name = check.name.removeprefix("Specification: ")
    why = check.finding.removeprefix("the limit could not be held: ")
    return Reported(missing(f"{name[0].upper()}{name[1:]}", "", "", why), "", why, True, check)
