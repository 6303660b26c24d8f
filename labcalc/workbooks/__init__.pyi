"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .batch import render_batch as render_batch
from .folder import safe_stem as safe_stem
from .jobs import (
    RenderedReport as RenderedReport,
    ReportJob as ReportJob,
    duplicate_report_job as duplicate_report_job,
    month_report_job as month_report_job,
    page_of as page_of,
    put_page as put_page,
    render_workbook as render_workbook,
    run_report_jobs as run_report_jobs,
    study_job as study_job,
)
from .opened import (
    SAMPLE_FOLDER as SAMPLE_FOLDER,
    WorkbookCopy as WorkbookCopy,
    copy_sample_laboratory as copy_sample_laboratory,
    copy_workbook as copy_workbook,
    workbook_names as workbook_names,
)
from .options import (
    ENGINES as ENGINES,
    BatchOptions as BatchOptions,
    BatchResult as BatchResult,
    Limits as Limits,
    Outcome as Outcome,
    Progress as Progress,
)
from .page import Scripts as Scripts, keep_units as keep_units
from .parameters import Json as Json
from .pdf import print_pdf as print_pdf
from .serving import serve_workbook as serve_workbook
