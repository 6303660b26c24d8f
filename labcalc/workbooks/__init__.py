"""Workbooks: parameters checked, notebook run, page written; one or thousands."""

from __future__ import annotations

from labcalc.workbooks.batch import ReportJob, render_batch
from labcalc.workbooks.duplicates import DuplicatePage, duplicate_report_job, render_duplicates
from labcalc.workbooks.lean import keep_imports_short
from labcalc.workbooks.months import month_report_job
from labcalc.workbooks.names import safe_stem
from labcalc.workbooks.opened import (
    SAMPLE_FOLDER,
    WorkbookCopy,
    copy_sample_laboratory,
    copy_workbook,
    workbook_names,
)
from labcalc.workbooks.outcome import BatchResult, Outcome, Progress
from labcalc.workbooks.page import keep_units
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.pdf import print_pdf
from labcalc.workbooks.render import Limits
from labcalc.workbooks.reports import render_run_reports, run_report_jobs
from labcalc.workbooks.scripts import Scripts
from labcalc.workbooks.serving import serve_workbook
from labcalc.workbooks.workbook import RenderedReport, render_workbook

__all__ = [
    "SAMPLE_FOLDER",
    "BatchResult",
    "DuplicatePage",
    "Json",
    "Limits",
    "Outcome",
    "Progress",
    "RenderedReport",
    "ReportJob",
    "Scripts",
    "WorkbookCopy",
    "copy_sample_laboratory",
    "copy_workbook",
    "duplicate_report_job",
    "keep_units",
    "month_report_job",
    "print_pdf",
    "render_batch",
    "render_duplicates",
    "render_run_reports",
    "render_workbook",
    "run_report_jobs",
    "safe_stem",
    "serve_workbook",
    "workbook_names",
]

keep_imports_short()
