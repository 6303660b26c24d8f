"""Small notebooks, written for one test."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Writer = Callable[..., Path]

PICTURE = """
class Picture:
    def __init__(self, figure, caption="It falls by 1.", columns=("x", "y"), rows=(("1", "2"), ("2", "1"))):
        self.figure, self.caption, self.columns, self.rows = figure, caption, list(columns), [list(r) for r in rows]
    def _repr_mimebundle_(self, include=None, exclude=None):
        about = {"caption": self.caption, "table": {"columns": self.columns, "rows": self.rows}}
        return {"application/vnd.plotly.v1+json": self.figure}, {"labcalc": about}
"""


@pytest.fixture
def oil() -> Path:
    """A notebook with a summary, a verdict, a frame, two figures and printed text."""
    return Path(__file__).parent / "notebooks" / "oil.ipynb"


@pytest.fixture
def write(tmp_path: Path) -> Writer:
    """Write a notebook: parameters cell, then code cells, or markdown where a text starts with a number sign."""

    def write(*sources: str, parameters: str | None = "size: int = 1  # how many", name: str = "small") -> Path:
        cells = [] if parameters is None else [_cell(parameters, 0, tags=["parameters"])]
        cells += [_cell(source, number) for number, source in enumerate(sources, start=1)]
        about = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
        path = tmp_path / "books" / f"{name}.ipynb"
        path.parent.mkdir(exist_ok=True)
        path.write_text(
            json.dumps({"cells": cells, "metadata": about, "nbformat": 4, "nbformat_minor": 5}), encoding="utf-8"
        )
        return path

    return write


def _cell(source: str, number: int, tags: list[str] | None = None) -> dict[str, object]:
    cell: dict[str, object] = {"id": f"cell-{number}", "metadata": {"tags": tags or []}, "source": source}
    if source.startswith("#"):
        return cell | {"cell_type": "markdown"}
    return cell | {"cell_type": "code", "execution_count": None, "outputs": []}
