"""Render one workbook to one file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.workbooks.apart import render_apart
from labcalc.workbooks.options import LABCALC, Limits
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.rendering import task_for
from labcalc.workbooks.scripts import Scripts, provide_script
from labcalc.workbooks.writing import write_whole


@dataclass(frozen=True)
class RenderedReport:
    """A report that was written."""

    path: Path
    digest: str  # SHA-256 of the file
    summary: dict[str, Any]  # what the workbook says of itself for an index
    figures: int
    seconds: float  # time in the rendering process, [s]


def render_workbook(
    notebook: Path,
    parameters: Mapping[str, Json],
    to: Path,
    *,
    title: str,
    engine: str = LABCALC,
    scripts: Scripts = Scripts.BESIDE,
    limits: Limits | None = None,
) -> RenderedReport:
    """Run a notebook in a fresh process and write its page; the file appears only when it is whole.

    Cells run in the notebook's folder. The same notebook, parameters, data and versions give the same bytes.

    notebook : A notebook with a cell tagged ``parameters``.
    parameters : Name to value; only names that the notebook has, only values that JSON can carry.
    to : The HTML file to write.
    title : Title of the page.
    engine : One of ``ENGINES``: a Jupyter kernel is slower.
    scripts : The drawing script beside the report, or inside and compressed.
    limits : Longest time of a cell and of the report, [s], and memory, [B].
    Raises ParameterError : A parameter that the notebook doesn't take.
    Raises WorkbookError : A cell failed, its process crashed or took too long, or the page isn't sound: which cell and
        why.
    """
    answer = render_apart(task_for(notebook, parameters, title=title, engine=engine, scripts=scripts, limits=limits))
    if isinstance(answer, WorkbookError):
        raise answer
    to.parent.mkdir(parents=True, exist_ok=True)
    if scripts is Scripts.BESIDE and answer.figures:
        provide_script(to.parent)
    write_whole(to, answer.html)
    return RenderedReport(to, answer.digest, answer.summary, answer.figures, answer.seconds)
