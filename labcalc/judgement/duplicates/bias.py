"""Pairs that differ on the whole: first against second result, one instrument against the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labcalc.judgement.duplicates.comparison import SIGNIFICANCE
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.sets import SHOWN_UNITS, shown_values
from labcalc.statistics import OrderEffect, holm_adjusted, order_effect
from labcalc.wording import counted, signed

FIRST_MINUS_SECOND = "first minus second"

_CAUSES = {
    ("kinematic viscosity", True): "a sample not yet at temperature, or residue of a thicker one before",
    ("kinematic viscosity", False): "residue of solvent or of a thinner sample before",
    ("density", True): "a sample not yet at temperature, or residue of a denser one before",
    ("density", False): "air, solvent, or residue of a lighter sample before",
}
"""What makes the first of two results the higher (True) or the lower one."""

_FEWEST = 5  # pairs below which nothing is said of an order, [-]: our own choice


@dataclass(frozen=True)
class DuplicateFinding:
    """What was found about repeats, with its numbers, and what to do about it."""

    about: str
    finding: str
    what_to_do: str


def biases_of(results: pd.DataFrame, sets: pd.DataFrame) -> tuple[DuplicateFinding, ...]:
    """Return what differs on the whole, less what carry-over does, more than chance among so many tests explains.

    results, sets : ``RESULT_COLUMNS`` and ``SET_COLUMNS`` of the same sets.
    Returns : By quantity, over all classes: the temperatures of a run share its fills, and are one difference.
    """
    orders = dict(_orders(results, sets))
    adjusted = holm_adjusted([one.p_value for one in orders.values()])
    shown = [name for name, p in zip(orders, adjusted, strict=True) if p < SIGNIFICANCE]
    return tuple(_finding(quantity, contrast, orders[quantity, contrast]) for quantity, contrast in shown)


def _orders(results: pd.DataFrame, sets: pd.DataFrame) -> Iterator[tuple[tuple[str, str], OrderEffect]]:
    """Yield a test for each quantity: of first against second results, and of each two instruments."""
    own = results.assign(own=shown_values(results) - results["carried"]).groupby("set", sort=True)
    first, second = (own.nth(place) for place in (0, 1))
    table = sets.sort_index().assign(apart=first["own"].to_numpy() - second["own"].to_numpy())
    one, other = (rows["instrument"].astype(str).to_numpy() for rows in (first, second))
    alike, turned = (table["condition"] == CONDITIONS[1]).to_numpy(), one > other
    named = np.where(turned, other, one) + " minus " + np.where(turned, one, other)
    table = table.assign(
        contrast=np.where(alike, FIRST_MINUS_SECOND, named), apart=table["apart"].mask(turned, -table["apart"])
    )
    between = (one != other) & (table["number"] == 2)
    pairs = table[(alike | between) & ~table["carried_over"]]
    means = pairs.groupby(["quantity", "contrast", "runs", "sample"])["apart"].mean()
    for (quantity, contrast), group in means.groupby(level=[0, 1]):
        if len(group) >= _FEWEST:
            yield (str(quantity), str(contrast)), order_effect(group, 0.0 * group)


def _finding(quantity: str, contrast: str, order: OrderEffect) -> DuplicateFinding:
    mean, low, high = (signed(value) for value in (order.mean, *order.interval))
    found = f"{contrast} {mean} {SHOWN_UNITS[quantity]} ({low} to {high}) from {counted(order.number, 'pair')}"
    cause = _CAUSES[quantity, order.mean > 0.0]
    to_do = f"That speaks for {cause}: rinse once more, or wait longer, before the first result."
    if contrast != FIRST_MINUS_SECOND:
        to_do = "Compare both instruments' reference oils; adjust, or let the uncertainty cover the difference."
    return DuplicateFinding(quantity.capitalize(), found, to_do)
