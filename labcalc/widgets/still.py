"""The page without controls: the same state as pieces of a report."""

from collections.abc import Iterator
from html import escape

from labcalc import figures
from labcalc.widgets.problem import Problem

_TITLES = ("Away from what is usual", "Viscosity and temperature", "Density and temperature")


def still_opening(problem: Problem) -> Iterator[figures.Fragment | figures.Summary]:
    """Return what a report says first: which run it is, and the verdict on it."""
    yield figures.summarise(problem.judgement)
    yield _heading("The run")
    yield figures.show_head(problem.judgement, named=True)
    yield figures.show_verdict(problem.judgement)


def still_causes(problem: Problem) -> figures.Fragment:
    """Return the ranked causes under their heading, or why nothing can be compared."""
    heading = _heading("What could explain it")
    found = figures.note(problem.left)
    if problem.evidence is not None:
        told = figures.show_explanations(problem.explanations, problem.first_explanations, problem.laboratory_odds)
        found = figures.Fragment(told.html + figures.show_how_well().html, told.text)
    return figures.Fragment(heading.html + found.html, f"{heading.text}\n{found.text}")


def still_pictures(problem: Problem) -> Iterator[figures.Fragment | figures.Picture]:
    """Return the pictures with what would be seen if, the decisions, and where all came from."""
    yield _heading("Measured, usual, what if")
    if problem.evidence is not None:
        yield figures.show_evidence(problem.evidence)
        yield figures.note(problem.left)
    if problem.added:
        yield figures.note("Added by hand: " + "; ".join(one.words for one in problem.added) + ".")
    pictures = figures.problem_pictures(problem.judgement, problem.evidence, problem.earlier, problem.what)
    for title, picture in zip(_TITLES[-len(pictures) :], pictures, strict=True):
        yield _heading(title, 3)
        yield picture
    yield _heading("The run and its day")
    yield figures.show_run_and_day(problem.judgement.dossier.rows, problem.day, problem.run)
    yield _heading("Decisions")
    yield figures.show_conclusions(problem.decisions)
    yield _heading("Where it came from")
    yield figures.show_provenance(problem.judgement, problem.material.record_failures)
    yield _heading("Cautions")
    yield figures.show_cautions()


def _heading(text: str, level: int = 2) -> figures.Fragment:
    return figures.Fragment(f"<h{level}>{escape(text)}</h{level}>", text)
