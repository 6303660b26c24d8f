"""What the sample before is expected to do to a result, against what repeats may differ by."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.judgement.carry_over.run_order import LONGEST_PAUSE_H
from labcalc.judgement.carry_over.shares import DIRECTIONS, Contrast, InstrumentCarryOver, RunBefore
from labcalc.judgement.checks import Check, State
from labcalc.judgement.precision import precision_of_class
from labcalc.lab import Laboratory, PrecisionStatement
from labcalc.statistics import FEWEST_CHANGES, CarriedShare
from labcalc.wording import at_celsius, counted, decimals_of, numeral, percent, signed

RESIDUE_PART = 1.0
"""Part of the method's repeatability r that the expected effect may take up, [-]. r is 2.8 standard deviations of a
result, close to the published limit of 3 for a high-low design (SMILE guideline Equ59-01)."""
SHARE_SIGNIFICANCE = 0.002
"""Probability of a share as far from 0 where nothing stays, above which an expected effect holds no run back, [-]: our
own choice, as an instrument's share is looked at before every run of half a year."""
_NAME = "Carry-over"
InForceAt: TypeAlias = Callable[[str, float, float], PrecisionStatement | None]
"""From quantity, temperature [°C] and value to the precision statement in force, or None."""


@dataclass(frozen=True)
class ExpectedEffect:
    """What the known share of the sample before does to one result, beside the repeatability of the method."""

    contrast: Contrast
    share: CarriedShare
    limit: float  # repeatability, [%] of viscosity or [kg/m³]
    statement: PrecisionStatement

    @property
    def effect(self) -> float:
        """By the share found, in the unit of the limit."""
        return self.contrast.effect(self.share.value)

    @property
    def at_most(self) -> float:
        """The same, mixed in proportion to volume."""
        return self.contrast.effect_at_most(self.share.value)

    @property
    def part(self) -> float:
        """Effect over repeatability, [-]; 0 where the share found is below 0."""
        return self._part_of(self.effect)

    @property
    def largest_part(self) -> float:
        """The same with the far end of the interval, [-]."""
        return max(self._part_of(self.contrast.effect(end)) for end in self.share.interval)

    def _part_of(self, effect: float) -> float:
        return max(math.copysign(effect, effect * (self.contrast.before - self.contrast.value)), 0.0) / self.limit

    @property
    def state(self) -> State:
        """``doubtful`` beyond ``RESIDUE_PART`` by a share that is shown; ``met`` where the whole interval is within."""
        if self.part > RESIDUE_PART and self.share.p_value < SHARE_SIGNIFICANCE:
            return "doubtful"
        return "met" if self.largest_part <= RESIDUE_PART else "not checked"


@dataclass(frozen=True)
class RunAtRisk(RunBefore):
    """A run whose result the sample before has moved further than repeats may differ, as its own report says."""

    worst: ExpectedEffect


def certain_effects(
    results: pd.DataFrame, carry_over: Callable[[str], InstrumentCarryOver | None], last: pd.Timestamp | None = None
) -> NDArray[np.float64]:
    """Return what the sample before does to each result, [%] of viscosity or [kg/m³], and its standard uncertainty.

    results : Columns ``instrument``, ``run``, ``quantity``, ``temperature_C`` and ``measured_at``.
    carry_over : Returns that of an instrument.
    last : Shares are those of the results before it; none: each run's own, as known when it ran.
    Returns : A row a result; 0 by a share that is not certain.
    """
    known: dict[tuple[str, str, float], tuple[float, float]] = {}
    for name, rows in results.groupby("instrument"):
        carried = carry_over(str(name))
        shares = () if carried is None else carried.shares_at(last or rows["measured_at"].max())
        if carried is not None and any(map(_is_certain, shares)):
            for place in carried.runs_before(rows["run"].unique()):
                share = shares[DIRECTIONS.index(place.direction)] if last and place.direction else place.share
                if place.followed and share is not None and _is_certain(share):
                    for one in place.contrasts:
                        effect = one.effect(share.value)
                        uncertainty = abs(effect) * share.standard_uncertainty / share.value
                        known[place.run, one.quantity, one.temperature_C] = effect, uncertainty
    keys = results[["run", "quantity", "temperature_C"]].itertuples(index=False, name=None)
    return np.array([known.get(key, (0.0, 0.0)) for key in keys]).reshape(-1, 2)


def _is_certain(share: CarriedShare) -> bool:
    """Tell whether a share lies above 0 by more than chance among so many looks."""
    return share.shows and share.p_value < SHARE_SIGNIFICANCE


def expected_effects(place: RunBefore, in_force: InForceAt) -> tuple[ExpectedEffect, ...]:
    """Return what the run before does to each result with a stated repeatability; empty where no share is known."""
    share = place.share
    if share is None or not share.known:
        return ()
    held = ((one, in_force(one.quantity, one.temperature_C, one.value)) for one in place.contrasts)
    found = []
    for one, statement in held:
        if statement is not None and one.before != one.value:
            to_unit = 1.0 if one.quantity == "density" else 100.0 / one.value
            found.append(ExpectedEffect(one, share, to_unit * float(statement.repeatability.at(one.value)), statement))
    return tuple(found)


def worst_effect(effects: tuple[ExpectedEffect, ...]) -> ExpectedEffect | None:
    """Return the effect that takes up most of its repeatability; None of none."""
    return max(effects, key=lambda one: (one.part, one.largest_part), default=None)


def runs_at_risk(places: Iterable[RunBefore | None], laboratory: Laboratory) -> tuple[RunAtRisk, ...]:
    """Return the runs that the sample before has moved by more than ``RESIDUE_PART`` of the repeatability, in order."""
    found = []
    for one in (each for each in places if each is not None and each.followed):
        worst = worst_effect(expected_effects(one, class_in_force(one, laboratory)))
        if worst is not None and worst.state == "doubtful":
            found.append(RunAtRisk(**vars(one), worst=worst))
    return tuple(found)


def class_in_force(place: RunBefore, laboratory: Laboratory) -> InForceAt:
    """Return the function that looks a statement up for the class of the run's product."""
    return lambda *result: precision_of_class(laboratory, place.precision_class, *result).statement


def residue_check(place: RunBefore | None, in_force: InForceAt) -> Check:
    """Tell whether the sample before can have moved a result: ``doubtful`` beyond ``RESIDUE_PART`` of repeatability.
    Whether a residue explains a result that is not typical is for the causes to say."""
    if why_not := _out_of_sequence(place):
        return Check(_NAME, "not checked", why_not)
    assert place is not None
    worst = worst_effect(expected_effects(place, in_force))
    if worst is None:
        return _unknown(place, in_force)
    basis = f"{worst.statement.title}; the limit is {RESIDUE_PART:g} r, close to 3 standard deviations"
    return Check(_NAME, worst.state, _finding(place, worst), basis)


def _out_of_sequence(place: RunBefore | None) -> str:
    if place is None:
        return "the record gives no time or instrument: which run came before can't be told"
    if math.isnan(place.pause_h):
        return "the record holds no run before this one on the instrument"
    before = f"the run before, {place.sample_before},"
    if not place.followed:
        after = f"after more than {LONGEST_PAUSE_H:g} h nothing tells what was in the cell"
        return f"{before} ended {numeral(place.pause_h, 0)} h earlier; {after}"
    return "" if place.direction else f"{before} has no viscosity at a temperature of this one"


def _unknown(place: RunBefore, in_force: InForceAt) -> Check:
    """Say why there is no share, or nothing to hold its effect against."""
    before = f"the run before was {place.sample_before}"
    if all(in_force(one.quantity, one.temperature_C, one.value) is None for one in place.contrasts):
        return Check(_NAME, "not checked", f"{before}; no repeatability is stated to compare its effect with")
    why_not = f"{place.share.why_not if place.share else ''}, after a {place.direction} sample"
    return Check(_NAME, "not checked", f"how much stays in the cell is not known ({why_not}); {before}")


def _finding(place: RunBefore, worst: ExpectedEffect) -> str:
    share, one, of = place.share, worst.contrast, f"of a {place.direction} sample"
    assert share is not None
    stays = f"{percent(share.value, decimals_of(100.0 * share.half_width))} ± {percent(share.half_width)}"
    changes = counted(share.changes, "change")
    if share.value <= 0.0 and worst.state == "met":
        return f"{place.sample_before} ran before; no rest {of} shows ({stays}, {changes})"
    found = (
        f"{signed(worst.effect)} {one.unit} expected in {at_celsius(one.quantity, one.temperature_C)} from "
        f"{place.sample_before}, which ran before; limit {numeral(RESIDUE_PART * worst.limit)} {one.unit}; "
        f"{stays} {of} stays in the cell ({changes})"
    )
    if one.quantity != "density" and worst.state == "doubtful":
        found += f"; mixed in proportion to volume at most {signed(worst.at_most)} %"
    if worst.state == "not checked":
        needed = share.changes_needed(share.half_width / max(worst.largest_part / RESIDUE_PART, 1.0))
        found += f", too uncertain to tell: some {numeral(max(needed, FEWEST_CHANGES), 0)} changes are needed"
    return found
