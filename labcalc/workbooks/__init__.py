"""Workbooks: parameters checked, notebook run, page written; one or thousands."""

from __future__ import annotations

from labcalc.workbooks.lean import keep_imports_short
from labcalc.workbooks.render import Limits
from labcalc.workbooks.scripts import Scripts
from labcalc.workbooks.workbook import RenderedReport, render_workbook

__all__ = [
    "Limits",
    "RenderedReport",
    "Scripts",
    "render_workbook",
]

keep_imports_short()
