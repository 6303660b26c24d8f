"""From Run All Cells to a lesson's first picture, as CPU time and as a ratio: ``python -m tests.benchmarks.lessons``.

Each lesson runs in a fresh process, as in a kernel of its own, with its controls, up to its first picture; beside it a
process that only loads what no lesson can do without: numpy, pandas, plotly's figures and the controls. What JupyterLab
and the browser take is not in it.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from labcalc.lessons import LESSONS, Learner, keep_learner
from labcalc.shipped import workbook_files
from tests.benchmarks.timing import children_cpu_seconds

ROUNDS = 3
UNAVOIDABLE = "import numpy, pandas, plotly.graph_objects, ipywidgets, anywidget"
SHOWS = ("panels.show(", "panels.predict(", "panels.slide(")
"""What begins the first picture of a lesson, or the question that it waits for."""


def cells_to_first_picture(workbook: Path) -> str:
    """Return the code of a lesson up to its first picture."""
    code: list[str] = []
    for cell in json.loads(workbook.read_text("utf-8"))["cells"]:
        if cell["cell_type"] == "code" and "answer" not in cell["metadata"].get("tags", ()):
            code.append("".join(cell["source"]).replace("controls: bool = False", "controls: bool = True"))
            if any(word in code[-1] for word in SHOWS):
                break
    return "\n".join(code)


def child_seconds(code: str, folder: str) -> float:
    """Return the median CPU time of a fresh process that runs this, [s], after one that isn't counted."""
    times = []
    for _ in range(ROUNDS + 1):
        before = children_cpu_seconds()
        subprocess.run([sys.executable, "-c", code], check=True, cwd=folder, stdout=subprocess.DEVNULL, env=os.environ)
        times.append(children_cpu_seconds() - before)
    return statistics.median(times[1:])


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        keep_learner(folder, Learner("Ana", "results"))
        base = child_seconds(UNAVOIDABLE, folder)
        print(
            f"CPU time of a fresh process, the median of {ROUNDS}; loading what no lesson can do without: {base:.2f} s"
        )
        for lesson in LESSONS:
            workbook = next(one for one in workbook_files()["lessons"] if one.stem == lesson.workbook)
            taken = child_seconds(cells_to_first_picture(workbook), folder)
            print(f"{lesson.number:2} {lesson.name:15} {taken:6.2f} s   {taken / base:5.2f} × loading")
