"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .batch import ReportJob as ReportJob, render_batch as render_batch
from .duplicates import (
    DuplicatePage as DuplicatePage,
    duplicate_report_job as duplicate_report_job,
    render_duplicates as render_duplicates,
)
from .months import month_report_job as month_report_job
from .names import safe_stem as safe_stem
from .opened import (
    SAMPLE_FOLDER as SAMPLE_FOLDER,
    WorkbookCopy as WorkbookCopy,
    copy_sample_laboratory as copy_sample_laboratory,
    copy_workbook as copy_workbook,
    workbook_names as workbook_names,
)
from .outcome import BatchResult as BatchResult, Outcome as Outcome, Progress as Progress
from .page import keep_units as keep_units
from .parameters import Json as Json
from .pdf import print_pdf as print_pdf
from .rendering import Limits as Limits
from .reports import render_run_reports as render_run_reports, run_report_jobs as run_report_jobs
from .scripts import Scripts as Scripts
from .serving import serve_workbook as serve_workbook
from .workbook import RenderedReport as RenderedReport, render_workbook as render_workbook
