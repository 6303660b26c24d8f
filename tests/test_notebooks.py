"""The committed notebooks: checked cells with stored outputs, and nothing saved that doesn't belong."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").rglob("*.ipynb"))
ids = [path.stem for path in NOTEBOOKS]
PLAIN = {"from_python", "gallery"}
"""What shows how it is done."""
NO_CODE = {path.stem for path in NOTEBOOKS if path.parent.name == "notebooks"} - PLAIN


@pytest.mark.parametrize("path", NOTEBOOKS, ids=ids)
def test_a_checked_cell_has_a_stored_output(path: Path) -> None:
    """nbval passes where outputs were stripped: then it would have compared nothing."""
    cells = json.loads(path.read_text("utf-8"))["cells"]
    checked = [cell for cell in cells if "nbval-check-output" in cell["metadata"].get("tags", [])]
    assert checked
    assert all(cell["outputs"] for cell in checked)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=ids)
def test_only_checked_cells_keep_their_output(path: Path) -> None:
    notebook = json.loads(path.read_text("utf-8"))
    assert "widgets" not in notebook["metadata"]
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code" and "keep_output" not in cell["metadata"].get("tags", []):
            assert not cell["outputs"], f"cell {cell['id']} keeps an output"
    assert "application/vnd.plotly.v1+json" not in path.read_text("utf-8")


@pytest.mark.parametrize("path", [one for one in NOTEBOOKS if one.stem in NO_CODE], ids=sorted(NO_CODE))
def test_of_a_cell_only_a_remark_is_seen(path: Path) -> None:
    """Who reads the page needs no code; what is set for it stays in sight."""
    for cell in json.loads(path.read_text("utf-8"))["cells"]:
        if cell["cell_type"] == "code" and "parameters" not in cell["metadata"].get("tags", []):
            assert cell["metadata"]["jupyter"]["source_hidden"]
            assert cell["source"][0].startswith("# ")


@pytest.mark.slow
def test_nbval_finds_the_stored_outputs_again() -> None:
    """nbval runs every cell in a real kernel, in the notebook's folder, and compares the checked ones.

    The exercise form of a lesson is made from the lesson, outputs and all (``tests/lessons/test_exercises.py``).
    """
    solutions = [path for path in NOTEBOOKS if path.parent.name != "exercises"]
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "ignore"]
    command += ["--nbval-lax", "--nbval-current-env", "-o", "addopts=", *map(str, solutions)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-3000:]
    assert "passed" in done.stdout
