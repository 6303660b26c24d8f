"""A report rendered apart from this process, whatever this process is: copied where that is safe, else by a helper.

A helper is a new Python without threads. On Linux it renders each task that it is sent in a copy of itself, so that
only its first report waits for the imports; elsewhere it renders one and ends. ``python -m labcalc.workbooks.apart`` is
a helper: it reads tasks and writes frames until nothing more comes.

An executor, such as a dask.distributed scheduler on a cluster, is sent tasks, a window at a time; a task whose worker
is lost is sent once more.
"""

import atexit
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import BinaryIO, TypeVar

from labcalc.errors import WorkbookError
from labcalc.workbooks.folder import scratch_prefix
from labcalc.workbooks.fork import Answer, Frames, fork_is_safe, render_forked, rendering_environment, send, serve
from labcalc.workbooks.rendering import RenderTask
from labcalc.workbooks.warm import read_ahead

K = TypeVar("K")
_SLACK_S = 10.0  # what a helper may take beyond the report's own limit, [s]: its start and the end of a process
_CONNECT_S = 20
_TRIES = 2
_LASTS = sys.platform.startswith("linux")


class _Helper:
    def __init__(self) -> None:
        self._scratch = tempfile.TemporaryDirectory(prefix=scratch_prefix(), ignore_cleanup_errors=True)
        self._said = tempfile.TemporaryFile()  # noqa: SIM115  (closed with the helper)
        env = {**os.environ, **rendering_environment(Path(self._scratch.name))}
        command, pipe = [sys.executable, "-m", "labcalc.workbooks.apart"], subprocess.PIPE
        self._process = subprocess.Popen(
            command, stdin=pipe, stdout=pipe, stderr=self._said, env=env, start_new_session=True
        )

    def is_there(self) -> bool:
        return self._process.poll() is None

    def render(self, task: RenderTask) -> Answer:
        frames = Frames(task)
        alarm = threading.Timer(task.limits.report_seconds + _SLACK_S, self.stop)
        alarm.start()
        try:
            content = task.to_json()
            with suppress(BrokenPipeError):  # it has ended; the end of its answers says so
                self._process.stdin.write(len(content).to_bytes(8, "big") + content)  # type: ignore[union-attr]
                self._process.stdin.flush()  # type: ignore[union-attr]
            while frames.answer is None:
                content = os.read(self._process.stdout.fileno(), 1 << 20)  # type: ignore[union-attr]
                if not content:
                    code = self._process.wait()
                    return frames.overdue(_SLACK_S) or frames.died(code, self._said)
                frames.take(content)
        finally:
            alarm.cancel()
        return frames.answer

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


_idle: SimpleQueue[_Helper] = SimpleQueue()
_busy: set[_Helper] = set()


def render_apart(task: RenderTask) -> Answer:
    """Render one task in a process of its own and wait for it; any executor can carry this function."""
    if fork_is_safe():
        return next(answer for _, answer in render_forked([(None, task)], 1))
    helper = _an_idle_one() or _Helper()
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
    while idle := _an_idle_one():
        idle.close()


atexit.register(stop_helpers)


def _an_idle_one() -> _Helper | None:
    with suppress(Empty):
        while True:
            helper = _idle.get_nowait()
            if helper.is_there():
                return helper
            helper.close()
    return None


def render_with(executor: Executor, tasks: Iterable[tuple[K, RenderTask]], window: int) -> Iterator[tuple[K, Answer]]:
    """Render each task with an executor, ``window`` of them out at a time; answers come as they are ready.

    Its workers must have labcalc and reach the files that the parameters name.
    """
    waiting = deque((key, task, 1) for key, task in tasks)
    out: dict[Future[Answer], tuple[K, RenderTask, int]] = {}
    try:
        while waiting or out:
            while waiting and len(out) < window:
                key, task, tries = waiting.popleft()
                try:
                    out[executor.submit(render_apart, task)] = key, task, tries
                except RuntimeError as failure:  # the executor is broken or shut down
                    yield key, _lost(task, failure)
            done, _ = wait(out, return_when=FIRST_COMPLETED)
            for future in done:
                key, task, tries = out.pop(future)
                problem = CancelledError("cancelled") if future.cancelled() else future.exception()
                if problem is None:
                    yield key, future.result()
                elif tries < _TRIES:
                    waiting.append((key, task, tries + 1))
                else:
                    yield key, _lost(task, problem)
    finally:
        for future in out:
            future.cancel()


def _lost(task: RenderTask, failure: BaseException) -> WorkbookError:
    words = " ".join(str(failure).split())
    return WorkbookError(f"{task.name}: lost with the worker that rendered it: {type(failure).__name__}: {words[:300]}")


@contextmanager
def cluster_executor(address: str, *, workers: int = 1) -> Iterator[Executor]:
    """Connect to a scheduler, such as ``tcp://host:8786``, and lend an executor once it has so many workers.

    Every worker needs labcalc, in the same version; pages come back over the connection, so no folder is shared for
    them. WorkbookError: dask.distributed isn't installed, or no scheduler with its workers answers there.
    """
    try:
        from distributed import Client
    except ImportError:
        raise WorkbookError("rendering on a cluster needs dask.distributed: pip install 'labcalc[cluster]'") from None
    try:
        client = Client(address, timeout=f"{_CONNECT_S}s", set_as_default=False)
    except (OSError, ValueError, TypeError) as failure:
        reason = " ".join(str(failure).split())[:200]
        raise WorkbookError(f"no scheduler answers at {address}: {reason}") from failure
    with client:
        try:
            client.wait_for_workers(workers, timeout=_CONNECT_S)
        except TimeoutError:
            raise WorkbookError(f"the scheduler at {address} has fewer workers than {workers}") from None
        yield client.get_executor(pure=False, retries=1)


def _main() -> None:
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
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


if __name__ == "__main__":
    _main()
