"""The precision of duplicate runs as a report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.errors import PeriodError
from labcalc.shipped import workbook_file
from labcalc.workbooks.batch import ReportJob, render_batch
from labcalc.workbooks.outcome import BatchResult

if TYPE_CHECKING:
    from labcalc.exports import Reading
    from labcalc.judgement import DuplicateReport


@dataclass(frozen=True)
class DuplicatePage:
    """What was found, what was read, and where the page lies."""

    report: DuplicateReport
    reading: Reading
    result: BatchResult

    @property
    def in_words(self) -> str:
        """The verdict, what lies beyond its limit, and where to read."""
        report = self.report
        lines = [f"{report.about}: {report.verdict}: {report.reason}."]
        lines += [f"{one.name}: {one.apart}" for one in report.beyond]
        return "\n".join([*lines, *(f"Begin with {one.path}" for one in self.result.reports)])


def duplicate_report_job(report: DuplicateReport, lab: Path) -> ReportJob:
    """Return the job that renders the precision of duplicate runs.

    Parameters
    ----------
    report : DuplicateReport
        The period; its digest tells whether a report that is there is up to date.
    lab : pathlib.Path
        lab.toml; the notebook asks for its record again, and gets it from memory.

    Returns
    -------
    ReportJob
        For ``render_batch``.
    """
    first_day, last_day = report.period.name.split(" to ")
    return ReportJob(
        name=f"duplicates-{report.about}",
        title=f"Precision of duplicates, {report.about}",
        notebook=workbook_file("duplicates"),
        parameters={
            "first_day": first_day,
            "last_day": last_day,
            "product": report.product,
            "operator": report.operator,
            "lab": str(lab.resolve()),
        },
        key=report.digest,
    )


def render_duplicates(
    lab: Path | None,
    out: Path,
    *,
    first_day: str = "",
    last_day: str = "",
    product: str = "",
    operator: str = "",
    say: Callable[[str], None] | None = None,
) -> DuplicatePage:
    """Render the precision of duplicate runs from the laboratory's record.

    Parameters
    ----------
    lab : pathlib.Path, optional
        lab.toml; it names the record.
    out : pathlib.Path
        The folder.
    first_day, last_day, product, operator : str, optional
        As for ``report_duplicates``.
    say : callable, optional
        As for ``render_batch``.

    Returns
    -------
    DuplicatePage
        With the outcome of one report.

    Raises
    ------
    PeriodError
        No lab.toml was named, or as ``report_duplicates`` says.
    ExportError, MonthError, SettingsError, DecisionError
        As for ``gather_record``.
    """
    from labcalc.judgement import gather_record, report_duplicates

    if lab is None:
        raise PeriodError("duplicates are looked for in the record that lab.toml names: say which with --lab")
    material = gather_record(lab)
    report = report_duplicates(material, first_day, last_day, product=product, operator=operator)
    result = render_batch([duplicate_report_job(report, lab)], out, workers=1, say=say)
    return DuplicatePage(report, material.reading, result)
