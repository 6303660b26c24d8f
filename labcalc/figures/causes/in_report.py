"""The causes that a run's numbers allow, in short, for a report whose verdict asks for a reason."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

from labcalc.errors import EvidenceError
from labcalc.figures.causes.explanation import percent
from labcalc.figures.markup import Fragment, html_table, note
from labcalc.judgement import Judgement
from labcalc.statistics import rounded_to_figures

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation

_LEAST, _MOST_SHOWN = 0.01, 4
"""Probability below which a cause isn't shown, and how many are."""


def show_causes(judgement: Judgement) -> Fragment | None:
    """Return what could explain a run that isn't releasable as it stands; None for any other and for reference oils.

    A releasable run doesn't even import what this needs.
    """
    if judgement.rank == 0 or judgement.dossier.is_reference:
        return None
    from labcalc.judgement.causes import evidence_of, rank_causes

    try:
        evidence = evidence_of(judgement.dossier)
    except EvidenceError as refusal:
        return note(f"Causes can't be ranked: {refusal}.")
    return _table(evidence, rank_causes(evidence))


def _table(evidence: Evidence, explanations: Sequence[Explanation]) -> Fragment:
    shown = [one for one in explanations if one.probability >= _LEAST][:_MOST_SHOWN]
    rows = [
        (
            escape(one.title + (f", {one.where}" if one.where else "")),
            escape(percent(one.probability)),
            escape(_size(one)),
            escape(one.next_measurement.sentence if one.next_measurement else "–"),
        )
        for one in shown
    ]
    columns = ("Cause", "Probability", "Size (95 %)", "What tells it apart")
    leading = shown[0]
    words = (
        f"{leading.sentence} Beside {evidence.expectation}; noise: {evidence.noise.words}. The causes and their usual "
        "odds are labcalc's own list; a person concludes."
    )
    caution = f'<p class="note">Caution: {escape(leading.caution)}</p>' if leading.caution else ""
    html = html_table("What could explain it", columns, rows, numeric=(1,))
    text = "\n".join(f"{percent(one.probability)}: {one.title}" for one in shown)
    return Fragment(f'{html}<p class="note">{escape(words)}</p>{caution}', text)


def _size(one: Explanation) -> str:
    if math.isnan(one.size):
        return "–"
    size, low, high = (
        str(rounded_to_figures(value, 2)) if value else "0" for value in (one.size, one.lowest, one.highest)
    )
    return f"{size} {one.unit} ({low} to {high})"
