"""Carry-over in a month: what stays in each instrument's cell, and the runs it has moved."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.judgement.carry_over.effect import (
    RunAtRisk,
    certain_effects,
    class_in_force,
    expected_effects,
    is_certain,
    runs_at_risk,
    worst_effect,
)
from labcalc.judgement.period import Month
from labcalc.judgement.record.measurements import Material
from labcalc.statistics import CarriedShare


@dataclass(frozen=True, eq=False)
class CarryOver:
    """What stays in an instrument's cell from the sample before, from half a year up to the end of a month."""

    instrument: str
    shares: tuple[CarriedShare, ...]  # after a thicker and after a thinner sample, from viscosity
    followed: int  # runs of the month that came within hours after another one
    at_risk: tuple[RunAtRisk, ...]
    """Those of them that the sample before is expected to have moved by more than the limit."""
    unsure: int  # those of which it can't be told

    def ratio_at(self, effect_percent: float) -> float:
        """Return from which ratio of viscosities on a thicker sample moves a result by an effect [%]; inf where none
        does."""
        share = self.shares[0]
        return math.exp(min(math.log1p(effect_percent / 100.0) / share.value, 700.0)) if share.shows else math.inf


def month_carry_overs(material: Material, record: pd.DataFrame, month: Month) -> tuple[CarryOver, ...]:
    """Return the carry-over of every instrument that ran in a month.

    month : Shares are those at its end; each run is judged by the share as known when it ran.
    """
    found, laboratory = [], material.laboratory
    for name in sorted(map(str, record.loc[record["measured_at"].notna(), "instrument"].dropna().unique())):
        if (carried := material.carry_over(name)) is not None:
            places = [one for one in carried.runs_between(month.first, month.last) if one.followed]
            effects = [worst_effect(expected_effects(one, class_in_force(one, laboratory))) for one in places]
            unsure = sum(worst is None or worst.state == "not checked" for worst in effects)
            shares, at_risk = carried.shares_at(month.last), runs_at_risk(places, laboratory)
            found.append(CarryOver(name, shares, len(places), at_risk, unsure))
    return tuple(found)


def with_carried(comparisons: pd.DataFrame, material: Material) -> pd.DataFrame:
    """Return comparisons with ``carried`` and ``carried_u``: what the run before is expected to have added to each, by
    the share as known when it ran, and its standard uncertainty, [unit of the quantity]; 0 where no share is certain.
    """
    known: dict[tuple[str, str, float], tuple[float, float]] = {}
    for instrument, rows in comparisons.groupby("instrument"):
        carried = material.carry_over(str(instrument))
        if carried is not None and any(map(is_certain, carried.shares_at(rows["measured_at"].max()))):
            known |= certain_effects(carried, rows["run"].unique())
    keys = comparisons[["run", "quantity", "temperature_C"]].itertuples(index=False, name=None)
    found = np.array([known.get(key, (0.0, 0.0)) for key in keys]).reshape(-1, 2)
    to_unit = np.where(comparisons["quantity"] == "density", 1.0, comparisons["value"].to_numpy(float) / 100.0)
    return comparisons.assign(carried=found[:, 0] * to_unit, carried_u=found[:, 1] * to_unit)
