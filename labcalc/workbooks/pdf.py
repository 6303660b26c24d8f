"""PDF by the browser that is installed: tagged, no header or footer of the browser's."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from labcalc.errors import WorkbookError
from labcalc.workbooks.folder import scratch_prefix
from labcalc.writing import PART, write_whole

PAPERS = ("A4", "Letter")
_BROWSERS = (
    "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "microsoft-edge", "msedge",
)  # fmt: skip
_INSTALLED_AT = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)
_SECONDS = 120.0
_QUIET = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-extensions", "--disable-sync", "--no-pdf-header-footer", "--export-tagged-pdf",
    "--generate-pdf-document-outline", "--virtual-time-budget=10000",
)  # fmt: skip


def find_browser() -> str:
    """Return the command of a Chromium, Chrome or Edge. WorkbookError: there is none."""
    if found := next(filter(shutil.which, (*_BROWSERS, *_INSTALLED_AT)), None):
        return str(shutil.which(found))
    told = "install Chromium, Chrome or Edge, or open the HTML report and print it from any browser"
    raise WorkbookError(f"PDF needs a browser, and none was found: {told}")


def print_pdf(html: Path, pdf: Path, *, paper: str = "A4") -> None:
    """Print a report; the PDF appears only when it is whole.

    ``paper`` is ``A4`` or ``Letter``. WorkbookError: no browser, another paper, or the browser wrote no PDF.
    """
    if paper not in PAPERS:
        raise WorkbookError(f"paper '{paper}' is not known; {' or '.join(PAPERS)} is expected")
    browser = find_browser()
    page = html.with_name(f".{html.stem}.{os.getpid()}.{paper}{PART}.html")
    try:
        text = html.read_text("utf-8").replace("</head>", f"<style>@page {{ size: {paper}; }}</style>\n</head>", 1)
        page.write_text(text, encoding="utf-8", newline="")
        write_whole(pdf, _printed(browser, page, html.name))
    finally:
        page.unlink(missing_ok=True)


def _printed(browser: str, page: Path, name: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix=scratch_prefix(), ignore_cleanup_errors=True) as profile:
        pdf = Path(profile) / "page.pdf"
        command = [browser, *_QUIET, f"--user-data-dir={profile}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.append("--no-sandbox")  # Chromium refuses to sandbox itself for root
        command += [f"--print-to-pdf={pdf}", page.resolve().as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False)
        except subprocess.TimeoutExpired:
            raise WorkbookError(f"{name}: the browser took longer than {_SECONDS:g} s to print it") from None
        printed = pdf.read_bytes() if pdf.is_file() else b""
    if not printed.startswith(b"%PDF"):
        raise WorkbookError(f"{name}: the browser wrote no PDF (exit code {done.returncode})")
    return printed


def print_beside(pages: Sequence[Path], workers: int) -> None:
    """Print each report whose PDF isn't there yet, some side by side."""
    missing = [page for page in pages if not page.with_suffix(".pdf").is_file()]
    if missing:
        find_browser()
        with ThreadPoolExecutor(workers) as threads:
            for _ in threads.map(lambda page: print_pdf(page, page.with_suffix(".pdf")), missing):
                pass
