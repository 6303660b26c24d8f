"""The causes that a run's numbers allow, in short, for a report whose verdict asks for a reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from labcalc.errors import EvidenceError
from labcalc.figures.causes.explanation import FINEST, show_explanations
from labcalc.figures.markup import Fragment, bullets, note
from labcalc.judgement import REMEDIES, Judgement
from labcalc.lab.practice import FILLING_AND_CLEANING
from labcalc.wording import probability

if TYPE_CHECKING:
    from labcalc.judgement.causes import Evidence, Explanation


def show_causes(judgement: Judgement) -> Fragment | None:
    """Return what to do about a run that isn't releasable as it stands, and what could explain it; None for any other.

    What the instrument or the order of runs asks for comes first; causes are told where the run's own numbers are odd.
    """
    if judgement.rank == 0:
        return None
    steps = [*_of_the_instrument(judgement), *_of_the_order(judgement)]
    parts = [bullets(steps, "What to do now:")] if steps else []
    try:
        evidence = judgement.evidence
        parts += [] if evidence is None else [_told(evidence)]
    except EvidenceError as refusal:
        parts.append(note(f"Causes can't be ranked: {refusal}."))
    if not parts:
        return None
    return Fragment("".join(one.html for one in parts), "\n".join(one.text for one in parts))


def _of_the_instrument(judgement: Judgement) -> Iterator[str]:
    if not judgement.asks_about("instrument"):
        return
    if not judgement.dossier.is_reference and judgement.dossier.references.empty:
        yield "Measure a reference oil that lab.toml names, with its certificate, on this instrument."
        return
    first, *others = REMEDIES
    then = "" if judgement.dossier.is_reference else "; once it is within its limits, measure this sample again"
    yield f"{first[0].upper()}{first[1:]}{then}."
    yield f"If it is out again: {'; '.join(others)}."


def _of_the_order(judgement: Judgement) -> Iterator[str]:
    place = judgement.dossier.in_sequence
    if judgement.asks_about("order") and place is not None:
        yield (
            f"Clean and dry the cell twice, fill it anew and measure again: {place.sample_before} ran before. "
            f"{FILLING_AND_CLEANING}"
        )


def _told(evidence: Evidence) -> Fragment:
    from labcalc.judgement.causes import rank_causes
    from labcalc.judgement.causes.explanation import UNLIKELY

    if len(evidence.rows) < 2:
        return note(
            "One result alone is too little to tell causes apart: measure a fresh fill at a second temperature."
        )
    ranked = rank_causes(evidence)
    if ranked[0].cause != "noise" or ranked[0].p_value < UNLIKELY:
        return _listed(evidence, ranked)
    share = probability(ranked[0].probability, FINEST)
    return note(f"Noise and the usual spread alone explain these numbers (probability {share}): a fresh fill decides.")


def _listed(evidence: Evidence, explanations: Sequence[Explanation]) -> Fragment:
    told = show_explanations(explanations, others="named")
    words = (
        f"Beside {evidence.expectation}; noise: {evidence.noise.words}. The causes and their usual odds are labcalc's "
        "own list; a person concludes."
    )
    return Fragment(f"<p><b>What could explain it</b></p>{told.html}{note(words).html}", told.text)
