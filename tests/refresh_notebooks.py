"""Run the committed notebooks and keep the outputs of their checked cells: ``python -m tests.refresh_notebooks``."""

from __future__ import annotations

from pathlib import Path

from labcalc.workbooks.lean import keep_imports_short
from tests.exercise_forms import write_exercises

keep_imports_short()

import nbformat  # noqa: E402
from nbclient import NotebookClient  # noqa: E402

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def refresh(path: Path) -> None:
    """Run one notebook; strip every output but those tagged ``keep_output``, and all traces of the run."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}).execute()
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        if cell.cell_type == "code" and "keep_output" not in cell.metadata.get("tags", []):
            cell.outputs, cell.execution_count = [], None
    notebook.metadata.pop("widgets", None)
    notebook.metadata["language_info"] = {"name": "python"}
    nbformat.write(notebook, path)


if __name__ == "__main__":
    for one in sorted(NOTEBOOKS.rglob("*.ipynb")):
        if one.parent.name != "exercises":  # made from the lessons, with their outputs
            refresh(one)
            print(one.name)
    write_exercises()
