"""A process that renders one task and ends: ``python -m labcalc.workbooks.alone``, task in, frames out."""

from __future__ import annotations

import os
import sys

from labcalc.workbooks.fork import serve
from labcalc.workbooks.render import RenderTask

__all__: list[str] = []


def _main() -> None:
    task = RenderTask.from_json(sys.stdin.buffer.read())
    with os.fdopen(os.dup(1), "wb") as pipe:
        os.dup2(2, 1)  # whatever else is written goes where messages go
        serve(task, pipe)


if __name__ == "__main__":
    _main()
