"""The causes that a run's numbers allow, in short, for a report whose verdict asks for a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labcalc.errors import EvidenceError
from labcalc.figures.causes.deviations import draw_deviations
from labcalc.figures.causes.explanation import FINEST, show_explanations
from labcalc.figures.markup import Fragment, note
from labcalc.figures.picture import Picture
from labcalc.judgement import Judgement
from labcalc.wording import probability

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence


def deviation_picture(judgement: Judgement) -> Picture | Fragment:
    """Return how far a run is from what is usual, with earlier runs of the product."""
    if judgement.dossier.is_reference:
        return note("A reference oil is held against its certificate, above.")
    if isinstance(judgement.compared, str):
        return note(f"Nothing tells what is usual: {judgement.compared}.")
    return draw_deviations(judgement.compared, judgement.dossier.earlier_means)


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
    from labcalc.judgement.causes.explanation import UNLIKELY

    first = judgement.explanations[0]
    if first.cause == "noise" and first.p_value >= UNLIKELY:
        share = probability(first.probability, FINEST)
        return note(
            f"Noise and the usual spread alone explain these numbers (probability {share}): a fresh fill decides."
        )
    told = show_explanations(judgement.explanations, others="named")
    words = f"An opinion, beside {evidence.expectation}, from labcalc's own list of causes; a person concludes."
    return Fragment(f"<h3>What could explain it</h3>{told.html}{note(words).html}", told.text)
