"""Imports point down only, and only the named rooms know the heavy libraries (read with ast, nothing is run)."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import labcalc

PACKAGE = Path(labcalc.__file__).parent

LAYERS = {
    "errors": 0,
    "shipped": 0,
    "showing": 0,
    "writing": 0,
    "formulae": 1,
    "data": 1,
    "statistics": 2,
    "wording": 3,
    "exports": 4,
    "lab": 5,
    "judgement": 6,
    "lessons": 7,
    "bench": 8,
    "figures": 8,
    "workbooks": 8,
    "widgets": 9,
    "cli": 9,
    "__main__": 10,
}
"""A room may import from rooms with a smaller number, and from itself."""

SIDEWAYS = {("workbooks", "figures")}
"""Rooms on one level that may look at each other, one way only."""

INSIDE = {
    "judgement": {
        "checks": 0,
        "certificates": 0,
        "period": 0,
        "precision": 1,
        "control": 1,
        "carry_over": 2,
        "record": 3,
        "uncertainty": 4,
        "variance": 4,
        "duplicates": 4,
        "studies": 5,
        "causes": 5,
        "setup": 6,
        "run": 6,
        "month": 7,
        "year": 8,
    },
    "exports": {
        "profile": 0,
        "source": 0,
        "grammar": 1,
        "table": 1,
        "values": 2,
        "arranging": 3,
        "tidying": 4,
        "read": 5,
        "guessing": 6,
    },
    "statistics": {"rounding": 0, "series": 0, "coverage": 0, "robust": 1, "charts": 1, "precision": 2, "decisions": 3},
    "figures": {
        "markup": 0,
        "picture": 0,
        "provenance": 1,
        "lessons": 2,
        "control": 2,
        "duplicates": 2,
        "studies": 3,
        "run": 3,
        "month": 4,
        "year": 5,
        "causes": 4,
    },
}
"""The rooms inside a room, by the same rule."""

ONLY_IN = {
    "plotly": {"figures", "workbooks"},
    "papermill": {"workbooks"},
    "nbconvert": {"workbooks"},
    "nbformat": {"workbooks"},
    "nbclient": {"workbooks"},
    "IPython": {"workbooks", "figures", "widgets"},
    "ipywidgets": {"widgets"},
    "anywidget": {"widgets"},
    "click": {"cli"},
    "sqlalchemy": {"lab"},
    "psycopg": set(),
    "pandas": {"exports", "lab", "judgement", "lessons", "figures", "workbooks", "widgets", "cli"},
}

MODULES = sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import in line {node.lineno}"
            yield node.module or ""


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    here = room(path)
    if here == "__init__":
        return
    for name in imports(path):
        top, *rest = name.split(".")
        if top == "labcalc" and rest:
            there = rest[0]
            allowed = there == here or LAYERS[there] < LAYERS[here] or (here, there) in SIDEWAYS
            assert allowed, f"{here} imports {name}"
        elif top in ONLY_IN:
            assert here in ONLY_IN[top], f"{here} imports {name}"


@pytest.mark.parametrize("house", INSIDE)
def test_imports_point_down_inside_a_house(house: str) -> None:
    rooms = INSIDE[house]
    for path in (PACKAGE / house).rglob("*.py"):
        here = path.relative_to(PACKAGE / house).with_suffix("").parts[0]
        for name in imports(path):
            if name.startswith(f"labcalc.{house}.") and here != "__init__":
                there = name.split(".")[2]
                assert there == here or rooms[there] < rooms[here], f"{house}/{here} imports {name}"


@pytest.mark.parametrize("house", INSIDE)
def test_rooms_are_rooms(house: str) -> None:
    """A room has few loose files, and none that says its room's name again."""
    entries = [path for path in (PACKAGE / house).iterdir() if path.name[:2] != "__"]
    assert {path.stem for path in entries} == set(INSIDE[house])
    assert sum(path.is_file() for path in entries) <= {"figures": 6}.get(house, 4)
    for path in (PACKAGE / house).rglob("*/*.py"):
        assert not path.stem.startswith(path.parent.name.rstrip("s")), path


def test_importing_labcalc_loads_nothing_heavy() -> None:
    heavy = [
        "plotly",
        "papermill",
        "nbconvert",
        "nbformat",
        "IPython",
        "ipywidgets",
        "jupyterlab",
        "scipy.stats",
        "pandas",
        "sqlalchemy",
    ]
    code = f"import sys, labcalc; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
