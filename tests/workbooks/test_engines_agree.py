"""The engine puts out what a real Jupyter kernel puts out (ipykernel is the reference here), cell by cell."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.workbooks.conftest import Writer

PLENTY = [
    "import pandas as pd, sys\nprint('one')\nprint('two')\nprint('three', file=sys.stderr)",
    "pd.DataFrame({'a': [1.5, 2.0], 'b': ['x', '<y>']})",
    "6 * 7",
    "_ + Out[4]",
    "import asyncio\nawait asyncio.sleep(0)\n'awaited'",
    "from IPython.display import HTML, Markdown, display, clear_output\n"
    "display(HTML('<b>x</b>'), Markdown('*y*'))\ndisplay({'text/plain': 'raw'}, raw=True)",
    "print('gone')\nclear_output()\nprint('stays')",
    "print('gone')\nclear_output(wait=True)\n3",
    "handle = display('first', display_id='place')",
    "handle.update('second')",
    "1;",
    "import plotly.graph_objects as go\ngo.Figure(go.Scatter(x=[1, 2], y=[3, 4]))",
    "print('10 %\\r20 %\\rdone')",
    "%%capture\nprint('taken')",
    "!echo from outside",
    "print('left', end='')\n'then a result'",
    "class Quiet:\n    def _ipython_display_(self): print('own way')\nQuiet()",
    "",
    "# a heading",
    "get_ipython().run_line_magic('timeit', '-n1 -r1 pass') if False else None",
    "size, __name__",
]

FAILING = {
    "exception": "def inner():\n    raise ValueError('two\\nlines')\ninner()",
    "syntax": "if True print(1)",
    "chained": "try:\n    1 / 0\nexcept ZeroDivisionError as e:\n    raise KeyError('k') from e",
    "repr": "class Bad:\n    def __repr__(self): raise RuntimeError('no text')\nBad()",
    "input": "input('how much? ')",
}


def outputs(engine: str, notebook: Path) -> list[tuple[Any, Any]]:
    target = notebook.with_suffix(f".{engine}.json.ipynb")
    command = [sys.executable, "-W", "ignore", "-m", "tests.workbooks.run_engine", engine, str(notebook), str(target)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=Path(__file__).parents[2])
    assert done.returncode == 0, done.stderr[-2000:]
    cells = json.loads(target.read_text("utf-8"))["cells"]
    return [
        (cell["execution_count"], cell["outputs"])
        for cell in cells
        if cell["cell_type"] == "code" and "papermill-error-cell-tag" not in cell["metadata"].get("tags", [])
    ]


@pytest.mark.slow
def test_outputs_are_those_of_a_kernel(write: Writer) -> None:
    notebook = write(*PLENTY)
    ours, kernels = outputs("labcalc", notebook), outputs("nbclient", notebook)
    for position, (own, kernel) in enumerate(zip(ours, kernels, strict=True)):
        assert own == kernel, f"code cell {position}"


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAILING)
def test_failures_are_those_of_a_kernel(kind: str, write: Writer) -> None:
    notebook = write("print('before')", FAILING[kind], "print('never')")
    ours, kernels = outputs("labcalc", notebook), outputs("nbclient", notebook)
    assert [count for count, _ in ours] == [count for count, _ in kernels]
    assert [names(cell) for _, cell in ours] == [names(cell) for _, cell in kernels]
    assert any(output["output_type"] == "error" for _, cell in ours for output in cell)


def names(cell: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return outputs with the error's kind; colours, file names and wording of a traceback differ between programs."""
    return [{"ename": output["ename"]} if output["output_type"] == "error" else output for output in cell]
