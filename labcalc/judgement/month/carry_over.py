"""Carry-over in a month: what stays in each instrument's cell, and the runs it has moved."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.judgement.carry_over.effect import (
    SHARE_SIGNIFICANCE,
    RunAtRisk,
    class_in_force,
    expected_effects,
    runs_at_risk,
    worst_effect,
)
from labcalc.judgement.carry_over.shares import InstrumentCarryOver, RunBefore
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.lab import Laboratory
from labcalc.statistics import CarriedShare, DesignStep, high_low_steps


@dataclass(frozen=True, eq=False)
class CarryOver:
    """What stays in an instrument's cell from the sample before, from half a year up to the end of a month."""

    instrument: str
    shares: tuple[CarriedShare, ...]  # after a thicker and after a thinner sample, from viscosity
    followed: int  # runs of the month that came within hours after another one
    at_risk: tuple[RunAtRisk, ...]
    """Those of them that the sample before is expected to have moved by more than the limit."""
    unsure: int  # those of which it can't be told
    plan: tuple[DesignStep, ...]
    """The runs that tell the share at once, where the record doesn't; empty without two reference oils."""

    def ratio_at(self, effect_percent: float) -> float:
        """Return from which ratio of viscosities on a thicker sample moves a result by an effect [%]; inf where none
        does."""
        share = self.shares[0]
        return math.exp(min(math.log1p(effect_percent / 100.0) / share.value, 700.0)) if share.shows else math.inf


def month_carry_overs(material: Material, record: pd.DataFrame, month: Month) -> tuple[CarryOver, ...]:
    """Return the carry-over of every instrument that ran in a month.

    month : Shares are those at its end; each run is judged by the share as known when it ran.
    """
    names = sorted(map(str, record.loc[record["measured_at"].notna(), "instrument"].dropna().unique()))
    known = [(name, material.carry_over(name)) for name in names]
    return tuple(_of_month(name, one, material, month) for name, one in known if one is not None)


def _of_month(name: str, carried: InstrumentCarryOver, material: Material, month: Month) -> CarryOver:
    shares = carried.shares_at(month.last)
    places = [one for one in carried.runs_between(month.first, month.last) if one.followed]
    effects = [worst_effect(expected_effects(one, class_in_force(one, material.laboratory))) for one in places]
    return CarryOver(
        instrument=name,
        shares=shares,
        followed=len(places),
        at_risk=runs_at_risk(places, material.laboratory),
        unsure=sum(worst is None or worst.state == "not checked" for worst in effects),
        plan=() if all(one.known for one in shares) else _plan(material.laboratory),
    )


def with_carried(comparisons: pd.DataFrame, material: Material) -> pd.DataFrame:
    """Return comparisons with ``carried`` and ``carried_u``: what the run before is expected to have added to each, by
    the share as known when it ran, and its standard uncertainty, [unit of the quantity]; 0 where no share is certain.
    """
    known: dict[tuple[str, float, str], tuple[float, float]] = {}
    for instrument, rows in comparisons.groupby("instrument"):
        carried = material.carry_over(str(instrument))
        shares = () if carried is None else carried.shares_at(rows["measured_at"].max())
        if carried is not None and any(one.shows and one.p_value < SHARE_SIGNIFICANCE for one in shares):
            for run in rows["run"].unique():
                known |= {(run, *key): effect for key, effect in _carried(carried.run_before(run)).items()}
    keys = zip(*(comparisons[name] for name in ("run", "temperature_C", "quantity")), strict=True)
    found = np.array([known.get(key, (0.0, 0.0)) for key in keys]).reshape(-1, 2)
    to_unit = np.where(comparisons["quantity"] == "density", 1.0, comparisons["value"].to_numpy(float) / 100.0)
    return comparisons.assign(carried=found[:, 0] * to_unit, carried_u=found[:, 1] * to_unit)


def _carried(place: RunBefore | None) -> dict[tuple[float, str], tuple[float, float]]:
    """Return effect and standard uncertainty, [%] or [kg/m³], by temperature and quantity."""
    share = None if place is None or not place.followed else place.share
    if place is None or share is None or not share.shows or share.p_value >= SHARE_SIGNIFICANCE:
        return {}
    of_one = share.standard_uncertainty / share.value
    effects = {(one.temperature_C, one.quantity): one.effect(share.value) for one in place.contrasts}
    return {key: (effect, abs(effect) * of_one) for key, effect in effects.items()}


def _plan(laboratory: Laboratory) -> tuple[DesignStep, ...]:
    """Return the high-low design on the thickest and the thinnest reference oil."""
    thick = {
        oil.name: max(
            (v.value for lot in oil.lots for v in lot.certified if v.quantity == "kinematic viscosity"), default=0.0
        )
        for oil in laboratory.references
    }
    named = sorted((viscosity, name) for name, viscosity in thick.items() if viscosity > 0.0)
    return high_low_steps(named[-1][1], named[0][1]) if len(named) > 1 else ()
