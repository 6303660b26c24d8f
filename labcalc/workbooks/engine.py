"""The papermill engine ``labcalc``: cells run in this process, which has to be a fresh one."""

from typing import Any

from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

from labcalc.workbooks.options import LABCALC, Limits
from labcalc.workbooks.shell import run_cells

_A_DAY = Limits(24 * 3600.0, 24 * 3600.0)


class LabcalcEngine(Engine):  # type: ignore[misc]
    """Runs the cells of a notebook one after another, until one fails."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: NotebookExecutionManager, kernel_name: str, **_: Any) -> None:
        """Run the notebook that ``nb_man`` holds."""
        run_cells(nb_man.nb, _A_DAY)


papermill_engines.register(LABCALC, LabcalcEngine)
