"""Render one workbook to one file."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labcalc.errors import WorkbookError
from labcalc.workbooks.apart import render_apart
from labcalc.workbooks.jobs import ReportJob
from labcalc.workbooks.options import LABCALC, BatchOptions, Limits
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.pdf import print_beside
from labcalc.workbooks.rendering import Rendering, RenderTask, task_for
from labcalc.workbooks.scripts import Scripts, provide_script
from labcalc.writing import write_whole


def page_of(job: ReportJob, how: BatchOptions) -> bytes:
    """Return the page of a report that goes into no folder of reports; raises as ``render_workbook`` does."""
    words: dict[str, Any] = {"title": job.title, "engine": how.engine, "scripts": how.scripts, "limits": how.limits}
    return _rendered(task_for(job.notebook, job.parameters, **words)).html


def put_page(to: Path, html: bytes, how: BatchOptions) -> None:
    """Write a page that was rendered before, with its drawing script beside it, and its PDF where that is asked for."""
    _write(to, html, how.scripts)
    if how.pdf:
        print_beside([to], how.side_by_side)


def _rendered(task: RenderTask) -> Rendering:
    answer = render_apart(task)
    if isinstance(answer, WorkbookError):
        raise answer
    return answer


def _write(to: Path, html: bytes, scripts: Scripts) -> None:
    to.parent.mkdir(parents=True, exist_ok=True)
    if scripts is Scripts.BESIDE:
        provide_script(to.parent)
    write_whole(to, html)


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
    answer = _rendered(task_for(notebook, parameters, title=title, engine=engine, scripts=scripts, limits=limits))
    _write(to, answer.html, scripts)
    return RenderedReport(to, answer.digest, answer.summary, answer.figures, answer.seconds)
