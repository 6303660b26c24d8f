"""What to do now about a run, in a sentence or two: one step for its worst check."""

from collections.abc import Callable, Iterator

from labcalc.judgement.checks import About, Check
from labcalc.judgement.control.status import REMEDIES
from labcalc.judgement.run.verdict import Judgement
from labcalc.lab.practice import FILLING_AND_CLEANING

_FRESH_FILL = "Clean and dry the cell, fill it anew and measure again"


def next_steps(judgement: Judgement) -> tuple[str, ...]:
    """Return what to do about a run, the first step first: what its instrument, the order of runs and its numbers ask.

    judgement : The run, judged.
    """
    if judgement.rank == 0:
        return ("Nothing more on this instrument's account." if judgement.dossier.is_reference else "Review and sign.",)
    worst = judgement.worst
    asked = sorted(_STEPS, key=lambda about: about != worst.about)
    steps = (step for about in asked if judgement.asks_about(about) for step in _STEPS[about](judgement))
    return (*(() if worst.about in _STEPS else (_of_the_numbers(judgement, worst),)), *steps)


def _of_the_instrument(judgement: Judgement) -> Iterator[str]:
    dossier = judgement.dossier
    if not dossier.is_reference and dossier.references.empty:
        measure = "Measure a reference oil that lab.toml names, with its certificate, on this instrument."
        yield measure if dossier.instrument else 'Name it in lab.toml, the [[profile]] of the export: instrument = "…".'
        return
    first, *others = REMEDIES
    then = "" if dossier.is_reference else "; once it is within its limits, measure this sample again"
    yield f"{first[0].upper()}{first[1:]}{then}."
    yield f"If it is out again: {'; '.join(others)}."


def _of_the_order(judgement: Judgement) -> Iterator[str]:
    if place := judgement.dossier.in_sequence:
        yield f"Clean and dry the cell twice, fill it anew and measure again: {place.sample_before} ran before."
        yield FILLING_AND_CLEANING


def _of_a_decision(judgement: Judgement) -> Iterator[str]:
    if any(one.what == "exclude" for one in judgement.dossier.decisions):
        yield "Leave it out, as decided; where a result is owed, measure again."
        return
    yield "A person decides what counts (labcalc record decide); then judge again."


_STEPS: dict[About, Callable[[Judgement], Iterator[str]]] = {
    "decision": _of_a_decision,
    "instrument": _of_the_instrument,
    "order": _of_the_order,
}


def _of_the_numbers(judgement: Judgement, worst: Check) -> str:
    if worst.name.startswith("Repeats"):
        return f"{_FRESH_FILL}; the check says how many more."
    if step := _of_the_cause(judgement):
        return step
    if worst.about == "specification" and worst.state == "doubtful":
        if "could not be held" in worst.finding:
            return "Measure what the limit needs, or hold it by another result; only then release."
        return f"{_FRESH_FILL}: the mean of two fills lies closer; then a person decides by the laboratory's rule."
    if worst.about == "specification":
        return f"{_FRESH_FILL}, from a second bottle if there is one: if it agrees, the product doesn't comply."
    return f"{_FRESH_FILL}; compare before anything is released."


def _of_the_cause(judgement: Judgement) -> str:
    """Return the repair of a cause that is sure, else what tells the causes apart; empty where nothing does."""
    if not judgement.explanations:
        return ""
    from labcalc.judgement.causes.catalogue import CAUSES, SURE
    from labcalc.judgement.causes.explanation import UNLIKELY

    first = judgement.explanations[0]
    if first.p_value >= UNLIKELY and first.probability >= SURE:
        return CAUSES[first.cause].repair
    return first.next_measurement.sentence if first.next_measurement else ""
