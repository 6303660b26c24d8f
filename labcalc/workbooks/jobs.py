"""What there is to render: the report of a run, of a month, of the precision of duplicates."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.shipped import workbook_file
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.state import read_records

if TYPE_CHECKING:
    from labcalc.judgement import Dossier, DuplicateReport, Material, MonthReport


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
    links: Mapping[str, str] = field(default_factory=dict)
    """Names of the reports that it leads to, by what they are to it; those that aren't in the folder are left out. The
    notebook gets them as its parameter ``links``."""


def run_report_jobs(
    material: Material, exports: tuple[Path, ...], lab: Path | None, runs: Sequence[str] = ()
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
    dossiers = [material.dossier(run) for run in runs or material.runs]
    return [
        ReportJob(
            name=dossier.run,
            title=", ".join(filter(None, (dossier.sample, dossier.product_name))),
            notebook=notebook,
            parameters={**words, "run": dossier.run},
            key=dossier.digest,
            links=material.neighbours(dossier.run) | _month_of(dossier),
        )
        for dossier in dossiers
    ]


def _month_of(dossier: Dossier) -> dict[str, str]:
    first = dossier.rows["measured_at"].min()
    return {} if first != first else {"month": f"month-{first:%Y-%m}"}


def month_report_job(report: MonthReport, lab: Path, out: Path) -> ReportJob:
    """Return the job that renders the quality report of a month, or of a year.

    report : What it says; the notebook asks again by the same words.
    lab : lab.toml, as the notebook's parameter names it.
    out : The folder that it goes into: runs whose reports stand there are linked to them.
    """
    kind = "month" if report.month.months == 1 else "year"
    named = {run for one in report.actions for run in one.runs}
    reports = {one.name: f"{one.stem}.html" for one in read_records(out).values() if one.name in named}
    reports = {run: page for run, page in sorted(reports.items()) if (out / page).is_file()}
    return ReportJob(
        name=f"{kind}-{report.month.name}",
        title=f"{kind.capitalize()}ly quality report, {report.month.name}",
        notebook=workbook_file(f"{kind}ly_quality"),
        parameters={kind: report.month.name, "lab": str(lab.resolve()), "reports": reports},
        key=f"{report.digest} {json.dumps(reports)}",
    )


def duplicate_report_job(report: DuplicateReport, lab: Path) -> ReportJob:
    """Return the job that renders the precision of duplicate runs."""
    first_day, last_day = report.period.name.split(" to ")
    return ReportJob(
        name=f"duplicates-{report.about}",
        title=f"Precision of duplicates, {report.about}",
        notebook=workbook_file("duplicates"),
        parameters={"first_day": first_day, "last_day": last_day, **report.only, "lab": str(lab.resolve())},
        key=report.digest,
    )
