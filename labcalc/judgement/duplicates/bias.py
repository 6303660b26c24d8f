"""Pairs that differ on the whole: first against second result, one instrument against the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from labcalc.judgement.duplicates.level import LevelStudy
from labcalc.judgement.duplicates.precision import FIRST_MINUS_SECOND, SIGNIFICANCE, DuplicateSummary
from labcalc.judgement.duplicates.sets import figures_of
from labcalc.statistics import OrderEffect, holm_adjusted

_CAUSES = {
    ("kinematic viscosity", True): "a sample not yet at temperature, or residue of a thicker one before",
    ("kinematic viscosity", False): "residue of solvent or of a thinner sample before",
    ("density", True): "a sample not yet at temperature, or residue of a denser one before",
    ("density", False): "air, solvent, or residue of a lighter sample before",
}
"""What makes the first of two results the higher (True) or the lower one."""


@dataclass(frozen=True)
class DuplicateFinding:
    """What was found about repeats, with its numbers, and what to do about it."""

    about: str
    finding: str
    what_to_do: str


def biases_of(levels: Sequence[LevelStudy], summaries: Sequence[DuplicateSummary]) -> Iterator[DuplicateFinding]:
    """Return what differs on the whole, more than chance among so many tests explains.

    First against second results of a quantity are tested together, whatever the class and the temperature; a class of
    its own is named only where the quantity as a whole shows nothing.
    """
    adjusted = holm_adjusted([one.order.p_value for one in levels])
    shown = [one for one, p in zip(levels, adjusted, strict=True) if p < SIGNIFICANCE]
    for one in shown:
        yield _of_order(one.quantity.capitalize(), one.quantity, one.order, one.shown_unit)
    named = {one.quantity for one in shown}
    for summary in (one for one in summaries if one.is_biased):
        assert summary.order is not None
        if summary.contrast != FIRST_MINUS_SECOND:
            yield DuplicateFinding(
                summary.name,
                _finding(summary.contrast, summary.order, summary.unit),
                "Compare both instruments' reference oils; adjust, or let the uncertainty cover the difference.",
            )
        elif summary.quantity not in named:
            yield _of_order(summary.name, summary.quantity, summary.order, summary.unit)


def _of_order(about: str, quantity: str, order: OrderEffect, unit: str) -> DuplicateFinding:
    cause = _CAUSES[quantity, order.mean > 0.0]
    to_do = f"That speaks for {cause}: rinse once more, or wait longer, before the first result."
    return DuplicateFinding(about, _finding(FIRST_MINUS_SECOND, order, unit), to_do)


def _finding(contrast: str, order: OrderEffect, unit: str) -> str:
    mean, low, high = (figures_of(value, signed=True) for value in (order.mean, *order.interval))
    return f"{contrast} {mean} {unit} ({low} to {high}) from {order.number} pairs"
