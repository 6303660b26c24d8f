"""Tasks sent to an executor, a window at a time; a task whose worker is lost is sent once more."""

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from typing import TypeVar

from labcalc.errors import WorkbookError
from labcalc.workbooks.apart import render_apart
from labcalc.workbooks.fork import Answer
from labcalc.workbooks.rendering import RenderTask

K = TypeVar("K")
_TRIES = 2


def render_with(executor: Executor, tasks: Iterable[tuple[K, RenderTask]], window: int) -> Iterator[tuple[K, Answer]]:
    """Render each task with an executor; answers come as they are ready, one a task.

    executor : Its workers must have labcalc and reach the files that the parameters name.
    tasks : Begun in this order.
    window : How many tasks are out at a time.
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
