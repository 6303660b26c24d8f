"""What there is to render: the report of a run, of a month, of the precision of duplicates."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path

from labcalc import judgement
from labcalc.shipped import workbook_file
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.state import Record, read_records


@dataclass(frozen=True)
class ReportJob:
    """A report to render."""

    name: str  # what the report is called; its file name comes from it
    title: str
    notebook: Path
    parameters: Mapping[str, Json]
    key: str
    """Digest of all that the notebook reads: a report whose key, settings and versions are the same is up to date,
    wherever its inputs lie; without one, the parameters stand for the inputs."""
    links: Mapping[str, str] | None = None
    """Names of the reports that it leads to, by what they are to it; those that aren't in the folder are left out. The
    notebook gets them, and the way to all reports, as its parameter ``links``; None: it has no such parameter."""
    looked_up: Callable[[], tuple[str, Mapping[str, str]]] | None = None
    """What gives key and links when the report's turn comes, where that takes long: the first page waits for no other.
    """

    def whole(self) -> ReportJob:
        """Return the job with its key and links."""
        if self.looked_up is None:
            return self
        key, links = self.looked_up()
        return replace(self, key=key, links=links, looked_up=None)


def run_report_jobs(
    material: judgement.Material, exports: tuple[Path, ...], lab: Path | None, runs: Sequence[str] = ()
) -> list[ReportJob]:
    """Return a job for each run of the exports at hand.

    material : What ``gather(exports, lab)`` returned; the notebook asks again by the same words and gets it from
        memory.
    exports : The exports, as the notebook's parameter names them.
    lab : lab.toml, likewise.
    runs : Only these runs.
    Returns : For ``render_batch``, in the order of the exports, or of the runs asked for.
    Raises UnknownRunError : A run that the exports don't hold.
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
    """Return the job that renders the quality report of a month, or of a year.

    report : What it says; the notebook asks again by the same words.
    lab : lab.toml, as the notebook's parameter names it.
    out : The folder that it goes into: runs whose reports stand there are linked to them.
    """
    kind = "month" if report.month.months == 1 else "year"
    named = {run for one in report.actions for run in one.runs}
    records = read_records(out)
    reports = {one.name: f"{one.stem}.html" for one in records.values() if one.name in named}
    reports = {run: page for run, page in sorted(reports.items()) if (out / page).is_file()}
    return ReportJob(
        name=f"{kind}-{report.month.name}",
        title=f"{kind.capitalize()}ly quality report, {report.month.name}",
        notebook=workbook_file(f"{kind}ly_quality"),
        parameters={kind: report.month.name, "lab": str(lab.resolve()), "reports": reports},
        key=f"{report.digest} {json.dumps(reports)}",
        links=_quality_pages(records, report.month, f"{kind}-{report.month.name}"),
    )


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
    return ReportJob(
        name=f"duplicates-{report.about}",
        title=f"Precision of duplicates, {report.about}",
        notebook=workbook_file("duplicates"),
        parameters={"first_day": first_day, "last_day": last_day, **report.only, "lab": str(lab.resolve())},
        key=report.digest,
        links=_quality_pages(read_records(out), report.period, f"duplicates-{report.about}"),
    )


def study_job(kind: str, study: judgement.Study, words: Mapping[str, Json]) -> ReportJob:
    """Return the job that renders what a file of results says; ``words``: how ``report_study`` was asked."""
    name, title = f"{kind}-{study.file.name}", f"{study.title}, {study.file.name}"
    key = f"{study.file.sha256} {json.dumps(words)}"
    return ReportJob(name, title, workbook_file(kind.replace("-", "_")), words, key)
