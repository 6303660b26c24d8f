"""The papermill engine ``labcalc``: cells run in this process, which has to be a fresh one."""

import time
from collections.abc import Callable
from typing import Any

from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

from labcalc.workbooks.options import LABCALC, Limits
from labcalc.workbooks.shell import NotebookShell, new_shell

_A_DAY = Limits(24 * 3600.0, 24 * 3600.0)


class LabcalcEngine(Engine):  # type: ignore[misc]
    """Runs the cells of a notebook one after another, until one fails."""

    @classmethod
    def execute_managed_notebook(
        cls,
        nb_man: NotebookExecutionManager,
        kernel_name: str,
        *,
        limits: Limits = _A_DAY,
        begin_cell: Callable[[str], None] | None = None,
        **_: Any,
    ) -> None:
        """Run the notebook that ``nb_man`` holds; times in ``limits``, ``begin_cell`` hears each cell's id."""
        shell = new_shell()
        ends = time.monotonic() + limits.report_seconds
        for index, cell in enumerate(nb_man.nb.cells):
            nb_man.cell_start(cell, index)
            try:
                if _is_to_run(cell):
                    if begin_cell is not None:
                        begin_cell(cell.id)
                    left = min(limits.cell_seconds, max(ends - time.monotonic(), 0.001))
                    if not _run(shell, cell, left):
                        nb_man.cell_exception(cell, cell_index=index)
                        break
            finally:
                nb_man.cell_complete(cell, cell_index=index)


def _is_to_run(cell: Any) -> bool:
    return (
        cell.cell_type == "code" and bool(cell.source.strip()) and "skip-execution" not in cell.metadata.get("tags", [])
    )


def _run(shell: NotebookShell, cell: Any, seconds: float) -> bool:
    cell.outputs, cell.execution_count, succeeded = shell.run_code_cell(cell.source, seconds)
    return succeeded


papermill_engines.register(LABCALC, LabcalcEngine)
