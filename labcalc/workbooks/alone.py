"""The helper's side: ``python -m labcalc.workbooks.alone`` reads tasks and writes frames until nothing more comes."""

import os
import signal
import sys
from types import FrameType
from typing import BinaryIO

from labcalc.workbooks.fork import fork_is_safe, render_forked, send, serve
from labcalc.workbooks.rendering import RenderTask
from labcalc.workbooks.warm import read_ahead


def _main() -> None:
    signal.signal(signal.SIGTERM, _end)
    with os.fdopen(os.dup(1), "wb") as pipe:
        os.dup2(2, 1)  # whatever else is written goes where messages go
        while (task := _next_task(sys.stdin.buffer)) is not None:
            if not fork_is_safe():
                serve(task, pipe)
                return
            read_ahead(task.parameters)
            for _, answer in render_forked([(None, task)], 1, more=True):
                send(pipe, answer)


def _next_task(asked: BinaryIO) -> RenderTask | None:
    length = asked.read(8)
    return RenderTask.from_json(asked.read(int.from_bytes(length, "big"))) if len(length) == 8 else None


def _end(_: int, frame: FrameType | None) -> None:
    raise SystemExit(143)


if __name__ == "__main__":
    _main()
