"""Run a notebook with an engine of papermill, here: ``python -m tests.workbooks.run_engine ENGINE IN OUT``."""

from __future__ import annotations

import sys

from labcalc.workbooks.lean import keep_imports_short

keep_imports_short()

import papermill  # noqa: E402
from papermill.exceptions import PapermillExecutionError  # noqa: E402

import labcalc.workbooks.engine  # noqa: E402, F401  (registers itself)


def main(engine: str, source: str, target: str) -> None:
    try:
        papermill.execute_notebook(
            source,
            target,
            engine_name=engine,
            kernel_name="python3",
            progress_bar=False,
            **({"shutdown_kernel": "immediate", "coalesce_streams": True} if engine == "nbclient" else {}),
        )
    except PapermillExecutionError as failure:
        print(failure.ename)


if __name__ == "__main__":
    main(*sys.argv[1:])
