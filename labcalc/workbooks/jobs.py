"""What there is to render: the report of a run, of a month, of the precision of duplicates; one workbook, one file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

from labcalc import judgement
from labcalc.errors import WorkbookError
from labcalc.lab import load_laboratory
from labcalc.shipped import workbook_file
from labcalc.workbooks.apart import render_apart
from labcalc.workbooks.folder import Record, read_records
from labcalc.workbooks.options import BatchOptions
from labcalc.workbooks.page import Scripts, provide_script
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.pdf import print_beside
from labcalc.workbooks.rendering import Rendering, RenderTask, task_for
from labcalc.writing import write_whole


@dataclass(frozen=True)
class ReportJob:
    """A report to render."""

    name: str  # what the report is called; its file name comes from it
    title: str
    notebook: Path
    parameters: Mapping[str, Json]
    key: str
    """Digest of all that the notebook reads, wherever its inputs lie; without one, the parameters stand for them."""
    links: Mapping[str, str] | None = None
    """Names of the reports that it leads to, by what they are to it; those that aren't in the folder are left out. The
    notebook gets them, and the way to all reports, as its parameter ``links``; None: it has no such parameter."""
    looked_up: Callable[[], tuple[str, Mapping[str, str]]] | None = None
    """What gives key and links when the report's turn comes: where that takes long, the first page needn't wait."""

    def whole(self) -> ReportJob:
        """Return the job with its key and links."""
        if self.looked_up is None:
            return self
        key, links = self.looked_up()
        return replace(self, key=key, links=links, looked_up=None)


def job_task(job: ReportJob, how: BatchOptions) -> RenderTask:
    """Return the task of rendering a job; raises as ``task_for`` does."""
    words: dict[str, Any] = {"title": job.title, "engine": how.engine, "scripts": how.scripts, "limits": how.limits}
    return task_for(job.notebook, job.parameters, **words)


def run_report_jobs(
    material: judgement.Material, exports: tuple[Path, ...], lab: Path | None, runs: Sequence[str] = ()
) -> list[ReportJob]:
    """Return a job for each run of the exports at hand, or for these ``runs``, in their order.

    ``material`` is what ``gather(exports, lab)`` returned; the notebook asks again by the same words and gets it from
    memory. UnknownRunError: a run that the exports don't hold.
    """
    notebook = workbook_file("run_report")
    words = {"exports": [str(path.resolve()) for path in exports], "lab": str(lab.resolve()) if lab else ""}
    titled = ((run, ", ".join(filter(None, material.sample_and_product(run)))) for run in runs or material.runs)
    return [
        ReportJob(run, title, notebook, {**words, "run": run}, "", looked_up=partial(_key_and_links, material, run))
        for run, title in titled
    ]


def _key_and_links(material: judgement.Material, run: str) -> tuple[str, dict[str, str]]:
    dossier = material.dossier(run)
    first = dossier.rows["measured_at"].min()
    month = {} if first != first else {"month": f"month-{first:%Y-%m}"}
    return dossier.digest, material.neighbours(run) | month


def month_report_job(report: judgement.MonthReport, lab: Path, out: Path) -> ReportJob:
    """Return the job that renders the quality report of a month, or of a year, into the folder ``out``.

    Runs whose reports stand there are linked to them.
    """
    kind = "month" if report.month.months == 1 else "year"
    named = {run for one in report.actions for run in one.runs}
    records = read_records(out)
    reports = {one.name: f"{one.stem}.html" for one in records.values() if one.name in named}
    reports = {run: page for run, page in sorted(reports.items()) if (out / page).is_file()}
    name, title = f"{kind}-{report.month.name}", f"{kind.capitalize()}ly quality report, {report.month.name}"
    parameters: dict[str, Json] = {kind: report.month.name, "lab": str(lab.resolve()), "reports": reports}
    key, links = f"{report.digest} {json.dumps(reports)}", _quality_pages(records, report.month, name)
    return ReportJob(name, title, workbook_file(f"{kind}ly_quality"), parameters, key, links)


_QUALITY = re.compile(r"(?:month|year|duplicates)-(\d{4}(?:-\d\d)?)(?:-\d\d to (\d{4}-\d\d)-\d\d)?")


def _quality_pages(records: Mapping[str, Record], period: judgement.Period, own: str) -> dict[str, str]:
    """Name the months, years and duplicates in a folder whose days overlap with a period's."""
    begins, ends = f"{period.first:%Y-%m}", f"{period.last - timedelta(days=1):%Y-%m}"
    found = {one.name: of.groups() for one in records.values() if (of := _QUALITY.match(one.name))}
    return {
        name.replace("-", " ", 1): name
        for name, (first, last) in sorted(found.items())
        if name != own and first <= ends[: len(first)] and (last or first) >= begins[: len(last or first)]
    }


def duplicate_report_job(report: judgement.DuplicateReport, lab: Path, out: Path) -> ReportJob:
    """Return the job that renders the precision of duplicate runs into a folder."""
    first_day, last_day = report.period.name.split(" to ")
    parameters = {"first_day": first_day, "last_day": last_day, **report.only, "lab": str(lab.resolve())}
    name, title = f"duplicates-{report.about}", f"Precision of duplicates, {report.about}"
    links = _quality_pages(read_records(out), report.period, name)
    return ReportJob(name, title, workbook_file("duplicates"), parameters, report.digest, links)


def study_job(kind: str, study: judgement.Study, words: Mapping[str, Json]) -> ReportJob:
    """Return the job that renders what a file of results says; ``words``: how ``report_study`` was asked."""
    name, title = f"{kind}-{study.file.name}", f"{study.title}, {study.file.name}"
    lab = str(words.get("lab") or "")
    settings = load_laboratory(lab).digest if lab else ""  # they name the page's language
    key = f"{study.file.sha256} {settings} {json.dumps(words)}"
    return ReportJob(name, title, workbook_file(kind.replace("-", "_")), words, key)


def page_of(job: ReportJob, how: BatchOptions) -> bytes:
    """Return the page of a report that goes into no folder of reports; raises as ``render_workbook`` does."""
    return _rendered(job_task(job, how)).html


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
    notebook: Path, parameters: Mapping[str, Json], to: Path, *, title: str, **how: Any
) -> RenderedReport:
    """Run a notebook in a fresh process and write its page; the file appears only when it is whole.

    Cells run in the notebook's folder. The same notebook, parameters, data and versions give the same bytes.

    notebook, parameters : One with a cell tagged ``parameters``; only names that it has, values that JSON can carry.
    how : ``engine``, ``scripts`` and ``limits``, as ``BatchOptions`` has them.
    Raises ParameterError : A parameter that the notebook doesn't take.
    Raises WorkbookError : A cell failed, its process crashed or took too long, or the page isn't sound: which and why.
    """
    task = task_for(notebook, parameters, title=title, **how)
    answer = _rendered(task)
    _write(to, answer.html, task.scripts)
    return RenderedReport(to, answer.digest, answer.summary, answer.figures, answer.seconds)
