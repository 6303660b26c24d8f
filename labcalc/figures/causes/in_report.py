"""The causes that a run's numbers allow, in short, for a report whose verdict asks for a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labcalc.errors import EvidenceError
from labcalc.figures.causes.explanation import FINEST, show_explanations
from labcalc.figures.markup import Fragment, note
from labcalc.judgement import Judgement
from labcalc.wording import probability

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence


def show_causes(judgement: Judgement) -> Fragment | None:
    """Return what could explain a run whose own numbers are odd; None for any other."""
    if judgement.rank == 0:
        return None
    try:
        return None if judgement.evidence is None else _told(judgement, judgement.evidence)
    except EvidenceError as refusal:
        return note(f"Causes can't be ranked: {refusal}.")


def _told(judgement: Judgement, evidence: Evidence) -> Fragment:
    if not judgement.explanations:
        return note(
            "One result alone is too little to tell causes apart: measure a fresh fill at a second temperature."
        )
    first = judgement.explanations[0]
    if first.cause == "noise" and first.p_value >= 0.05:
        share = probability(first.probability, FINEST)
        return note(
            f"Noise and the usual spread alone explain these numbers (probability {share}): a fresh fill decides."
        )
    told = show_explanations(judgement.explanations, others="named")
    words = (
        f"An opinion, beside {evidence.expectation}; noise: {evidence.noise.words}. The causes and their usual odds "
        "are labcalc's own list; a person concludes."
    )
    return Fragment(f"<h3>What could explain it</h3>{told.html}{note(words).html}", told.text)
