"""What is looked at before a page gets its name: figures there, nothing from elsewhere, no path of this machine."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable
from pathlib import Path

from labcalc.errors import WorkbookError
from labcalc.workbooks.figures_html import Shown
from labcalc.workbooks.scripts import drawn_traces

_FROM_ELSEWHERE = re.compile(
    r"""<(?!a\b)[a-z][^<>]*?\s(?:src|href|srcset|data|poster)\s*=\s*["']?\s*(?:[a-z][a-z0-9+.-]*:)?//[^"'\s>]+"""
    r"""|@import\b[^;]{0,200}|url\(\s*["']?\s*(?:https?:)?//[^)]+""",
    re.I,
)


def check_page(page: str, shown: Shown, *, name: str, paths: Iterable[str]) -> None:
    """Refuse a page in which something is missing or too much.

    page : The page, without the drawing script.
    shown : What the notebook put out: how many figures, and the types of their traces.
    name : File name of the notebook, for messages.
    paths : Folders that must not be named.
    Raises WorkbookError : The first thing that is wrong.
    """
    there = page.count('<div class="drawing"')
    if there != shown.figures:
        raise WorkbookError(f"{name}: the notebook made {shown.figures} figures, the page has {there}")
    if unknown := sorted(shown.traces - drawn_traces()):
        raise WorkbookError(f"{name}: the drawing script doesn't know figures of type {', '.join(unknown)}")
    if elsewhere := _FROM_ELSEWHERE.search(page):
        raise WorkbookError(f"{name}: the page would fetch something from elsewhere: {elsewhere[0][:120]}")
    for path in paths:
        if found := re.search(rf"(?<![\w+/=.-]){re.escape(path)}(?![\w+=.-])", page):
            around = page[found.start() : found.end() + 60].split("<")[0].split("\n")[0]
            raise WorkbookError(f"{name}: the page names a folder of this machine: {around}")


def machine_paths(*others: Path | str) -> tuple[str, ...]:
    """Return the folders that no report may name: home, working folder, temporary folder, and others."""
    folders = [Path.home(), Path.cwd(), Path(tempfile.gettempdir()), *map(Path, others)]
    return tuple(sorted({str(folder) for folder in folders if folder != Path(folder.anchor)}))
