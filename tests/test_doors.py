"""No door, no room: what no command, workbook, lesson or documented name leads to has no place in the package."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterable
from pathlib import Path

PROJECT = Path(__file__).parents[1]
PACKAGE = PROJECT / "labcalc"
ENTRANCES = ("cli", "lessons")

WITHOUT_A_DOOR: dict[str, str] = {
    "BEYOND": "a name in the data of how often causes were right, for those who read it",
    "COMPONENTS": "the names of the parts of a budget, for those who read one from Python",
    "read_export": "one export as a table, from Python",
}
"""Public names that may stay although nothing leads to them, each with its reason; ten at most."""


def used(node: ast.AST) -> set[str]:
    """Return the names that a piece of code uses."""
    found: set[str] = set()
    for one in ast.walk(node):
        if isinstance(one, ast.Name):
            found.add(one.id)
        elif isinstance(one, ast.Attribute):
            found.add(one.attr)
        elif isinstance(one, ast.ImportFrom):
            found |= {alias.name for alias in one.names}
    return found


def definitions(module: ast.Module) -> Iterable[tuple[tuple[str, ...], set[str]]]:
    """Yield the names that each statement of a module defines, and those that it uses; none: it runs by itself."""
    for one in module.body:
        if isinstance(one, ast.FunctionDef | ast.ClassDef):
            yield (one.name,), used(one)
        elif isinstance(one, ast.Assign | ast.AnnAssign):
            targets = one.targets if isinstance(one, ast.Assign) else [one.target]
            yield tuple(name for target in targets for name in used(target)), used(one)
        elif not isinstance(one, ast.Import | ast.ImportFrom):
            yield (), used(one)


def entrances() -> set[str]:
    """Return the names used by commands, lessons, cells of workbooks, and the documented names of the package."""
    found = set(re.findall(r"(\w+) as \w+", (PACKAGE / "__init__.pyi").read_text("utf-8")))
    for path in (path for room in ENTRANCES for path in (PACKAGE / room).rglob("*.py")):
        found |= used(ast.parse(path.read_text("utf-8")))
    for path in (PACKAGE / "data").glob("*.toml"):  # where functions are named that a page calls
        found |= set(re.findall(r'"(\w+)"', path.read_text("utf-8")))
    for path in (PROJECT / "notebooks").rglob("*.ipynb"):
        cells = json.loads(path.read_text("utf-8"))["cells"]
        found |= set(re.findall(r"\w+", "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")))
    return found


def reached() -> set[str]:
    uses: dict[str, set[str]] = {}
    found = entrances()
    for path in PACKAGE.rglob("*.py"):
        for names, of in definitions(ast.parse(path.read_text("utf-8"))):
            found |= of if not names else set()
            for name in names:
                uses.setdefault(name, set()).update(of)
    left = list(found)
    while left:
        new = uses.get(left.pop(), set()) - found
        found |= new
        left += new
    return found


def public_names() -> set[str]:
    faces = (path.read_text("utf-8") for path in PACKAGE.rglob("__init__.pyi"))
    return {name for face in faces for name in re.findall(r"(\w+) as \1\b", face)}


def test_every_public_name_has_a_door() -> None:
    assert sorted(public_names() - reached()) == sorted(WITHOUT_A_DOOR)
    assert len(WITHOUT_A_DOOR) <= 10
    assert all(WITHOUT_A_DOOR.values())
