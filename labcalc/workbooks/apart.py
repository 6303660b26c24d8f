"""A report rendered apart from this process, whatever this process is: copied where that is safe, else by a helper.

A helper is a new Python without threads. On Linux it renders each task that it is sent in a copy of itself, so that
only its first report waits for the imports; elsewhere it renders one and ends.
"""

from __future__ import annotations

import atexit
import os
import signal
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue

from labcalc.errors import WorkbookError
from labcalc.workbooks.folder import scratch_prefix
from labcalc.workbooks.fork import Answer, Frames, fork_is_safe, render_forked, rendering_environment
from labcalc.workbooks.rendering import RenderTask

_SLACK_S = 10.0  # what a helper may take beyond the report's own limit, [s]: its start and the end of a process
_LASTS = sys.platform.startswith("linux")

_idle: SimpleQueue[_Helper] = SimpleQueue()
_busy: set[_Helper] = set()


def render_apart(task: RenderTask) -> Answer:
    """Render one task in a process of its own and wait for it; any executor can carry this function."""
    if fork_is_safe():
        return next(answer for _, answer in render_forked([(None, task)], 1))
    helper = _helper()
    _busy.add(helper)
    try:
        return helper.render(task)
    finally:
        _busy.discard(helper)
        if _LASTS and helper.is_there():
            _idle.put(helper)
        else:
            helper.close()


def stop_helpers() -> None:
    """End all helpers; a report that one is rendering is not waited for."""
    for helper in list(_busy):
        helper.stop()
    with suppress(Empty):
        while True:
            _idle.get_nowait().close()


atexit.register(stop_helpers)


def _helper() -> _Helper:
    with suppress(Empty):
        while True:
            helper = _idle.get_nowait()
            if helper.is_there():
                return helper
            helper.close()
    return _Helper()


class _Helper:
    def __init__(self) -> None:
        self._scratch = tempfile.TemporaryDirectory(prefix=scratch_prefix(), ignore_cleanup_errors=True)
        self._said = tempfile.TemporaryFile()  # noqa: SIM115  (closed with the helper)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "labcalc.workbooks.alone"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            env={**os.environ, **rendering_environment(Path(self._scratch.name))},
            start_new_session=True,
        )

    def is_there(self) -> bool:
        return self._process.poll() is None

    def render(self, task: RenderTask) -> Answer:
        frames = Frames(task)
        overdue = threading.Timer(task.limits.report_seconds + _SLACK_S, self.stop)
        overdue.start()
        try:
            self._ask(task.to_json())
            while frames.answer is None:
                content = os.read(self._process.stdout.fileno(), 1 << 20)  # type: ignore[union-attr]
                if not content:
                    return self._ended(frames, in_time=overdue.is_alive())
                frames.take(content)
        finally:
            overdue.cancel()
        return frames.answer

    def _ask(self, content: bytes) -> None:
        with suppress(BrokenPipeError):  # it has ended; the end of its answers says so
            self._process.stdin.write(len(content).to_bytes(8, "big") + content)  # type: ignore[union-attr]
            self._process.stdin.flush()  # type: ignore[union-attr]

    def _ended(self, frames: Frames, *, in_time: bool) -> WorkbookError:
        code = self._process.wait()
        return frames.died(code, self._said) if in_time else frames.overdue()

    def stop(self) -> None:
        """End it now; it ends the processes that it has started."""
        with suppress(ProcessLookupError):
            self._process.send_signal(signal.SIGTERM)

    def close(self) -> None:
        """Let it end, since nothing more is asked of it."""
        with suppress(BrokenPipeError):
            self._process.stdin.close()  # type: ignore[union-attr]
        self._process.stdout.close()  # type: ignore[union-attr]
        try:
            self._process.wait(_SLACK_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._said.close()
        self._scratch.cleanup()
