"""The page without controls: the same state as pieces of a report."""

from collections.abc import Iterator
from html import escape

from labcalc.figures import (
    Fragment,
    Picture,
    Summary,
    note,
    problem_pictures,
    show_cautions,
    show_conclusions,
    show_evidence,
    show_explanations,
    show_head,
    show_how_well,
    show_provenance,
    show_run_and_day,
    show_verdict,
    summarise,
)
from labcalc.widgets.problem import Problem

_TITLES = ("Away from what is usual", "Viscosity and temperature", "Density and temperature")


def still_opening(problem: Problem) -> Iterator[Fragment | Summary]:
    """Return what a report says first: which run it is, and the verdict on it."""
    yield summarise(problem.judgement)
    yield _heading("The run")
    yield show_head(problem.judgement, named=True)
    yield show_verdict(problem.judgement)


def still_causes(problem: Problem) -> Fragment:
    """Return the ranked causes under their heading, or why nothing can be compared."""
    heading = _heading("What could explain it")
    found = note(problem.left)
    if problem.evidence is not None:
        told = show_explanations(problem.explanations, problem.first_explanations, problem.laboratory_odds)
        found = Fragment(told.html + show_how_well().html, told.text)
    return Fragment(heading.html + found.html, f"{heading.text}\n{found.text}")


def still_pictures(problem: Problem) -> Iterator[Fragment | Picture]:
    """Return the pictures with what would be seen if, the decisions, and where all came from."""
    yield _heading("Measured, usual, what if")
    if problem.evidence is not None:
        yield show_evidence(problem.evidence)
        yield note(problem.left)
    if problem.added:
        yield note("Added by hand: " + "; ".join(one.words for one in problem.added) + ".")
    pictures = problem_pictures(problem.judgement, problem.evidence, problem.earlier, problem.what)
    for title, picture in zip(_TITLES[-len(pictures) :], pictures, strict=True):
        yield _heading(title, 3)
        yield picture
    yield _heading("The run and its day")
    yield show_run_and_day(problem.judgement.dossier.rows, problem.day, problem.run)
    yield _heading("Decisions")
    yield show_conclusions(problem.decisions)
    yield _heading("Where it came from")
    yield show_provenance(problem.judgement, problem.material.record_failures)
    yield _heading("Cautions")
    yield show_cautions()


def _heading(text: str, level: int = 2) -> Fragment:
    return Fragment(f"<h{level}>{escape(text)}</h{level}>", text)
