"""What a person does at the end: write a conclusion into the laboratory's decisions, and keep the page as a file."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from itertools import count
from pathlib import Path
from typing import Any

from labcalc.errors import DecisionError
from labcalc.judgement.causes.catalogue import OTHER
from labcalc.lab import Decision, add_decision
from labcalc.shipped import workbook_file
from labcalc.widgets.problem import Problem
from labcalc.workbooks import Json, RenderedReport, Scripts, render_workbook, safe_stem

OTHER_CAUSE = "Another cause, as written below"
_NOTHING_WRITTEN = "nothing was written"


def conclusions_offered(problem: Problem) -> tuple[str, ...]:
    """Return the conclusions that a person can choose: the causes, most probable first, or another."""
    return *(one.title for one in problem.explanations), OTHER_CAUSE


def conclude(problem: Problem, *, who: str, concluded: str, why: str) -> Decision:
    """Add a conclusion on the run to the laboratory's decisions; a refusal leaves the file as it was.

    concluded : One of ``conclusions_offered``.
    Raises DecisionError : A field is empty, the laboratory has no lab.toml, or its decisions can't be added to.
    """
    who, why = (" ".join(text.split()) for text in (who, why))
    if problem.material.laboratory.file is None:
        problem_of = "these exports were opened without a lab.toml, and conclusions stand beside one"
        raise DecisionError("", 0, f"{problem_of}: {_NOTHING_WRITTEN}")
    needed = ((who, "who concludes: a name"), (concluded, "a conclusion"), (why, "why: what speaks for it"))
    for text, expected in needed:
        if not text:
            raise DecisionError("", 0, f"{expected} is expected; {_NOTHING_WRITTEN}")
    reason = why if concluded == OTHER_CAUSE else f"{concluded}. {why}"
    dossier = problem.judgement.dossier
    about = {"run": problem.run, "instrument": dossier.instrument, **_learned(problem, concluded)}
    return add_decision(dossier.laboratory, who=who, what="conclusion", why=reason, **about)


def _learned(problem: Problem, concluded: str) -> dict[str, Any]:
    """Return what is kept of it: cause, size, what was thought of it first (``laboratory_odds``), and what decided."""
    one = next((each for each in problem.explanations if each.title == concluded), None)
    first = problem.first_explanations or problem.explanations
    return {
        "cause": one.cause if one else OTHER,
        "size": one.size if one else math.nan,
        "probability": next((each.probability for each in first if one and each.cause == one.cause), 0.0),
        "leading_probability": first[0].probability if first else math.nan,
        "decided_by": problem.added[-1].words if problem.added else "",
    }


def export_page(problem: Problem, exports: Sequence[str | Path], lab: str | Path | None, into: Path) -> RenderedReport:
    """Render the present state of the page to one file, named after the run; see ``keep_page``."""
    title = f"{problem.judgement.dossier.sample}: what could explain it"
    parameters: dict[str, Json] = {
        "exports": [str(Path(one).resolve()) for one in exports],
        "lab": str(Path(lab).resolve()) if lab else "",
        "run": problem.run,
        **asdict(problem.settings),
        "added": [asdict(one) for one in problem.added],
    }
    return keep_page("problem_sample", parameters, into, f"problem-{safe_stem(problem.run)}", title)


def keep_page(workbook: str, parameters: Mapping[str, Json], folder: Path, stem: str, title: str) -> RenderedReport:
    """Render a workbook to one file that needs nothing else; older files are kept.

    folder, stem : Where the file goes, and its name, with a number where that name is taken.
    Raises WorkbookError : The page couldn't be made.
    Raises OSError : The folder can't be written to.
    """
    to = next(path for path in _names(folder, stem) if not path.exists())
    return render_workbook(workbook_file(workbook), parameters, to, title=title, scripts=Scripts.INSIDE)


def _names(folder: Path, stem: str) -> Iterator[Path]:
    yield folder / f"{stem}.html"
    for number in count(2):
        yield folder / f"{stem}-{number}.html"
