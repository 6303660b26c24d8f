"""The monthly quality report of a laboratory."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.shipped import workbook_file
from labcalc.workbooks.batch import ReportJob

if TYPE_CHECKING:
    from labcalc.judgement import MonthReport


def month_report_job(report: MonthReport, lab: Path) -> ReportJob:
    """Return the job that renders a monthly quality report.

    Parameters
    ----------
    report : MonthReport
        The month; its digest tells whether a report that is there is up to date.
    lab : pathlib.Path
        lab.toml; the notebook asks for its record again, and gets it from memory.

    Returns
    -------
    ReportJob
        For ``render_batch``.
    """
    return ReportJob(
        name=f"month-{report.month.name}",
        title=f"Monthly quality report, {report.month.name}",
        notebook=workbook_file("monthly_quality"),
        parameters={"month": report.month.name, "lab": str(lab.resolve())},
        key=report.digest,
    )
