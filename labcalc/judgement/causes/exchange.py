"""The other half of a swap: which of the day's bottles shows this product's numbers in place of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from labcalc.judgement.causes.evidence import Evidence, Row, assembled, rows_of
from labcalc.judgement.causes.expectation import Expectation
from labcalc.judgement.causes.likelihood import misfits
from labcalc.judgement.causes.surroundings import determinations_of

_NAMED_FROM = 20.0  # odds, among the day's bottles of the product, from which one is named, [-]: labcalc's own choice


@dataclass(frozen=True)
class OtherHalf:
    """A run of the day whose bottle seems exchanged with this one's."""

    run: str
    sample: str


def other_half(evidence: Evidence, product: str) -> OtherHalf | None:
    """Return the run of a product that shows this run's product instead; None where none clearly does.

    Its numbers are weighed as this run's product (its lot, where earlier runs tell) and as its own.
    """
    own = next((one.expectation for one in evidence.house if one.name == product), None)
    if own is None or evidence.day is None:
        return None
    day = evidence.day[evidence.day["product"] == product]
    odds = {
        OtherHalf(str(run), str(table["sample"].iloc[0])): _odds(evidence, rows_of(determinations_of(table)), own)
        for run, table in day.groupby("run", sort=False)
    }
    best = max(odds, key=lambda one: odds[one], default=None)
    return best if best is not None and odds[best] >= math.log(_NAMED_FROM * len(odds)) else None


def _odds(evidence: Evidence, rows: Sequence[Row], own: Expectation) -> float:
    """Return ln of how much likelier rows are of the run's product than of their own."""
    if not rows:
        return -math.inf
    kept = {"viscosity" if row.quantity == "kinematic viscosity" else "density" for row in rows}
    if not all(getattr(course, name).nodes for course in (evidence.course, own) for name in kept):
        return -math.inf
    as_this, as_own = (assembled(rows, replace(evidence, course=course)) for course in (evidence.course, own))
    this, its = (float(misfits(one.deviation, one.spread + one.error)[1]) for one in (as_this, as_own))
    return this - its
