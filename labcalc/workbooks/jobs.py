"""What there is to render: the report of a run, of a month, of the precision of duplicates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.shipped import workbook_file
from labcalc.workbooks.parameters import Json

if TYPE_CHECKING:
    from labcalc.judgement import DuplicateReport, Material, MonthReport


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
    dossiers = map(material.dossier, runs or material.runs)
    return [
        ReportJob(
            name=dossier.run,
            title=", ".join(filter(None, (dossier.sample, dossier.product_name))),
            notebook=notebook,
            parameters={**words, "run": dossier.run},
            key=dossier.digest,
        )
        for dossier in dossiers
    ]


def month_report_job(report: MonthReport, lab: Path) -> ReportJob:
    """Return the job that renders the quality report of a month, or of a year."""
    kind = "month" if report.month.months == 1 else "year"
    return ReportJob(
        name=f"{kind}-{report.month.name}",
        title=f"{kind.capitalize()}ly quality report, {report.month.name}",
        notebook=workbook_file(f"{kind}ly_quality"),
        parameters={kind: report.month.name, "lab": str(lab.resolve())},
        key=report.digest,
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
