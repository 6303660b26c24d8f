"""Repeats that carry-over holds apart: the first fill of a run takes some of the sample before, later fills don't."""

from __future__ import annotations

import math

import pandas as pd

from labcalc.judgement.carry_over.effect import SHARE_SIGNIFICANCE
from labcalc.judgement.carry_over.shares import DIRECTIONS, RunBefore
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.record.measurements import Material
from labcalc.statistics import CarriedShare

PART = 0.5
"""Part of a set's limit from which on an expected effect tells it apart, [-]: 1.4 standard deviations, our own choice.
What was found plays no part in it, or the method would come out too well."""


def with_carry_over(
    sets: pd.DataFrame, results: pd.DataFrame, material: Material, last: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add what carry-over is expected to do to each set, and to each result.

    sets, results : ``SET_COLUMNS`` and ``RESULT_COLUMNS`` of the same sets.
    material : The record that tells which run came before, and how much of it stays.
    last : The end of the period: results before it tell how much stays.
    Returns : Both with ``carried``, [shown unit]: of a set first minus second. The sets with ``carried_over``: the
        expected effects lie further apart than ``PART`` of the limit.
    """
    first = results[(results["condition"] != CONDITIONS[0]) & (results["replicate"] == 1)]
    known = {
        (run, *place): effect
        for name, runs in first.groupby("instrument")["run"]
        if (sequence := material.carry_over(str(name))) is not None
        for shares in [sequence.shares_at(last)]
        for run in runs.unique()
        for place, effect in _effects_of(sequence.run_before(str(run)), shares).items()
    }
    keys = first[["run", "quantity", "temperature_C"]].itertuples(index=False, name=None)
    effects = pd.Series([known.get(key, 0.0) for key in keys], first.index, dtype=float)
    effects = effects.reindex(results.index, fill_value=0.0)
    groups = effects.groupby(results["set"])
    apart, carried = groups.max() - groups.min(), groups.nth(0).to_numpy() - groups.nth(1).to_numpy()
    sets = sets.assign(
        carried=pd.Series(carried, apart.index), carried_over=apart.reindex(sets.index) > PART * sets["pair_limit"]
    )
    return sets, results.assign(carried=effects)


def _effects_of(place: RunBefore | None, shares: tuple[CarriedShare, ...]) -> dict[tuple[str, float], float]:
    """Return what stayed of the sample before does, by quantity and temperature; nothing where no share is shown."""
    if place is None or not place.followed or not place.direction:
        return {}
    share = shares[DIRECTIONS.index(place.direction)]
    if not share.known or share.value <= 0.0 or share.p_value >= SHARE_SIGNIFICANCE:
        return {}
    effects = {(one.quantity, one.temperature_C): one.effect(share.value) for one in place.contrasts}
    return {at: one if at[0] == "density" else 100.0 * math.log1p(one / 100.0) for at, one in effects.items()}
