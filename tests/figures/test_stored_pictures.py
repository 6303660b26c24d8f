"""Every figure that a workbook holds: plotly knows each word of it, and its places are numbers, dates or names."""

from __future__ import annotations

import json
from pathlib import Path

import plotly.graph_objects as go
import pytest

from labcalc.shipped import workbook_file
from labcalc.workbooks.outputs import PLOTLY_MIME

BOOKS = sorted(workbook_file("run_report").parent.rglob("*.ipynb"))


@pytest.mark.parametrize("book", BOOKS, ids=lambda one: str(Path(one).stem))
def test_plotly_knows_every_word(book: Path) -> None:
    cells = json.loads(book.read_text("utf-8"))["cells"]
    for output in (one for cell in cells for one in cell.get("outputs", [])):
        if figure := output.get("data", {}).get(PLOTLY_MIME):
            go.Figure(data=figure["data"], layout=figure["layout"])
