"""One fresh process a report, forked from this one, which has imported all that reports need.

The process writes frames into a pipe: the number of each cell that it begins, at the end its answer. Whatever becomes
of it (crash, exit, endless loop), the parent has its name, its cell and the reason, and the process is gone.
"""

import ctypes
import faulthandler
import gc
import json
import os
import selectors
import shutil
import signal
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path
from typing import BinaryIO, NoReturn, TypeVar

from labcalc.errors import ParameterError, WorkbookError
from labcalc.workbooks.folder import scratch_prefix
from labcalc.workbooks.lean import for_speed_only, quick_start
from labcalc.workbooks.rendering import Rendering, RenderTask, render
from labcalc.workbooks.warm import warm_up

K = TypeVar("K")
Answer = Rendering | WorkbookError
_INTERRUPTS = (signal.SIGINT, signal.SIGTERM)
_GRACE_S = 2.0  # how long a process may take to end by itself after its time is up, [s]
_LONGEST_FRAME = 1 << 30  # bytes of a page
_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of Linux
_LOOK_S = 0.1  # how often processes are looked at that say nothing, [s]
_SELDOM = (50_000, 20, 100)  # new objects that set off a search for garbage: a report is over before there is much


def fork_is_safe() -> bool:
    """Tell whether this process may be copied: not on Windows or macOS, nor while other threads hold locks."""
    return sys.platform.startswith("linux") and threading.active_count() == 1


def render_forked(
    tasks: Iterable[tuple[K, RenderTask]], workers: int, *, more: bool = False
) -> Iterator[tuple[K, Answer]]:
    """Render each task in a process forked from this one, ``workers`` side by side; answers come as they are ready.

    A task is asked for when it can begin; ``more``: there are more reports than the first. Yield key and answer: the
    rendering, or the error that says why there is none.
    """
    waiting = iter(tasks)
    if (first := next(waiting, None)) is None:
        return
    with quick_start(), for_speed_only("the warm-up"):
        warm_up([first[1].notebook], 1 + more)
    gc.freeze()
    waiting = chain([first], waiting)
    running: dict[int, tuple[K, _Child]] = {}
    with selectors.DefaultSelector() as selector:
        try:
            while True:
                for key, task in islice(waiting, workers - len(running)):
                    with interrupts_held():
                        child = _fork(task)
                        running[child.pipe] = key, child
                    selector.register(child.pipe, selectors.EVENT_READ)
                if not running:
                    return
                for ready, _ in selector.select(_LOOK_S):
                    running[ready.fd][1].listen()
                for pipe, (key, child) in list(running.items()):
                    if child.is_over():
                        selector.unregister(pipe)
                        with interrupts_held():
                            del running[pipe]
                            answer = child.end()
                        yield key, answer
        finally:
            for _, child in running.values():
                child.end()
            gc.unfreeze()


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Let no interrupt fall into a fork, which would lose it or leave a process, nor between a page and its record."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _INTERRUPTS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def serve(task: RenderTask, pipe: BinaryIO) -> None:
    """Render in this process and write the frames; the last thing that this process does."""
    _limit_memory(task.limits.memory_bytes)
    _warn_as_a_new_python()
    gc.set_threshold(*_SELDOM)
    try:
        send(pipe, render(task, lambda number: _write(pipe, b"C", number.encode())))
    except WorkbookError as failure:
        send(pipe, failure)
    except MemoryError:
        send(pipe, WorkbookError(f"{task.name}: it needs too much memory"))


def send(pipe: BinaryIO, answer: Answer) -> None:
    """Write an answer as a frame."""
    if isinstance(answer, WorkbookError):
        kind = "parameter" if isinstance(answer, ParameterError) else "workbook"
        _write(pipe, b"E", json.dumps({"kind": kind, "words": str(answer)}).encode())
    else:
        about = {"summary": answer.summary, "figures": answer.figures, "seconds": answer.seconds}
        _write(pipe, b"R", json.dumps(about).encode() + b"\n" + answer.html)


def _write(pipe: BinaryIO, kind: bytes, content: bytes) -> None:
    pipe.write(kind + len(content).to_bytes(8, "big") + content)
    pipe.flush()


@dataclass
class Frames:
    """What a process has said so far."""

    task: RenderTask
    began: float = field(default_factory=time.monotonic)
    cell: str = ""
    cell_began: float = 0.0
    answer: Answer | None = None
    _heard: bytearray = field(default_factory=bytearray)

    def take(self, content: bytes) -> None:
        """Take what came through the pipe; a cell can write into it too, and what is no frame ends its own report."""
        self._heard += content
        try:
            while len(self._heard) >= 9 and self.answer is None:
                length = int.from_bytes(self._heard[1:9], "big")
                if length > _LONGEST_FRAME:
                    raise ValueError
                if len(self._heard) < 9 + length:
                    return
                kind, body = bytes(self._heard[:1]), bytes(self._heard[9 : 9 + length])
                del self._heard[: 9 + length]
                self._understand(kind, body)
        except (ValueError, TypeError, LookupError, RecursionError):
            self.answer = WorkbookError(f"{self.place}: something else than its page came out of its process")

    def _understand(self, kind: bytes, body: bytes) -> None:
        if kind == b"C":
            self.cell, self.cell_began = body.decode(), time.monotonic()
        elif kind == b"E":
            about = json.loads(body)
            self.answer = (ParameterError if about["kind"] == "parameter" else WorkbookError)(about["words"])
        elif kind == b"R":
            about, _, html = body.partition(b"\n")
            page = Rendering(html=html, **json.loads(about))
            if [type(page.summary), type(page.figures), type(page.seconds)] != [dict, int, float]:
                raise TypeError
            self.answer = page
        else:
            raise LookupError

    @property
    def place(self) -> str:
        return f"{self.task.name}, cell {self.cell}" if self.cell else self.task.name

    def overdue(self, grace_s: float) -> WorkbookError | None:
        """Return which time is up by more than a grace [s]; None while none is."""
        limits, now = self.task.limits, time.monotonic()
        times = ((self.cell_began if self.cell else now, limits.cell_seconds), (self.began, limits.report_seconds))
        up = next((seconds for began, seconds in times if now - began > seconds + grace_s), None)
        return None if up is None else WorkbookError(f"{self.place}: it took longer than {up:g} s and was stopped")

    def died(self, code: int, said: BinaryIO) -> WorkbookError:
        """Return how a process ended that owes its answer."""
        if code < 0:
            name = (signal.strsignal(-code) or "unknown signal").lower()
            hint = ", perhaps for want of memory" if -code == signal.SIGKILL else ""
            return WorkbookError(f"{self.place}: its process crashed ({name}, signal {-code}{hint})")
        said.seek(0)
        lines = said.read().decode("utf-8", "replace").strip().splitlines()
        last = f"; its last words: {lines[-1].strip()[:200]}" if lines else ""
        return WorkbookError(f"{self.place}: its process ended itself with exit code {code}{last}")


class _Child:
    """A forked process that renders one task."""

    def __init__(self, pid: int, pipe: int, task: RenderTask, scratch: str, said: BinaryIO) -> None:
        self.pid, self.pipe = pid, pipe
        self._frames = Frames(task)
        self._scratch, self._said = scratch, said
        self._code: int | None = None
        self._overdue: WorkbookError | None = None

    def listen(self) -> None:
        """Take in what the process has written; more than a pipe holds comes in pieces."""
        with suppress(BlockingIOError):
            while content := os.read(self.pipe, 1 << 20):
                self._frames.take(content)

    def is_over(self) -> bool:
        """Tell whether the answer is there, the process is gone, or its time is up."""
        if self._frames.answer is not None:
            return True
        pid, status = os.waitpid(self.pid, os.WNOHANG)
        if pid:
            self._code = os.waitstatus_to_exitcode(status)
            self.listen()
            return True
        self._overdue = self._frames.overdue(_GRACE_S)
        return self._overdue is not None

    def end(self) -> Answer:
        """Leave nothing of the process, nor of what it started in its group, and return its answer."""
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.pid, signal.SIGKILL)
        if self._code is None:
            self._code = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        os.close(self.pipe)
        shutil.rmtree(self._scratch, ignore_errors=True)
        answer = self._frames.answer or self._overdue or self._frames.died(self._code, self._said)
        self._said.close()
        return answer


def _fork(task: RenderTask) -> _Child:
    scratch = tempfile.mkdtemp(prefix=scratch_prefix())
    said = tempfile.TemporaryFile()  # noqa: SIM115  (closed when the process has ended)
    reading, writing = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    parent = os.getpid()
    with warnings.catch_warnings():  # Python 3.12 warns of the linear-algebra library's thread, which ends at a fork
        warnings.simplefilter("ignore", DeprecationWarning)
        pid = os.fork()
    if pid == 0:
        _be_the_child(parent, task, reading, writing, Path(scratch), said)
    os.close(writing)
    os.set_blocking(reading, False)
    with suppress(PermissionError, ProcessLookupError):  # the child does the same: whoever comes first
        os.setpgid(pid, pid)
    return _Child(pid, reading, task, scratch, said)


def _be_the_child(parent: int, task: RenderTask, reading: int, writing: int, scratch: Path, said: BinaryIO) -> NoReturn:
    code = 1
    try:
        os.setpgid(0, 0)  # Ctrl-C in the terminal is for the parent, which then ends the children
        _end_with(parent)
        for number in _INTERRUPTS:
            signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _INTERRUPTS)
        os.close(reading)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
        faulthandler.disable()  # a test runner's would write into its own terminal
        _let_go(writing)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        os.environ.update(rendering_environment(scratch))
        tempfile.tempdir = None
        with os.fdopen(writing, "wb") as pipe:
            serve(task, pipe)
        code = 0
    except BaseException:  # noqa: BLE001  (the parent tells its last line)
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _end_with(parent: int) -> None:
    """Let the kernel end this process where the parent is killed, which ends it in any other case."""
    with suppress(OSError, AttributeError):  # without it, its answer finds no reader
        ctypes.CDLL(None).prctl(_DEATH_SIGNAL, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(1)


def _let_go(kept: int) -> None:
    """Let what is open lead nowhere, but for the pipe; a number that were closed would be another file's soon."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in [int(path.name) for path in Path("/proc/self/fd").iterdir()]:
        if number > 2 and number not in (kept, nowhere):
            with suppress(OSError):  # the one that listed them is closed
                os.fstat(number)
                os.dup2(nowhere, number)


def rendering_environment(scratch: Path) -> dict[str, str]:
    """Return what a rendering process finds: folders of its own, and plots that need no window."""
    return {
        "TMPDIR": str(scratch),
        "IPYTHONDIR": str(scratch / "ipython"),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    }


def _warn_as_a_new_python() -> None:
    """Forget the caller's warning filters: a report doesn't depend on who renders it."""
    warnings.resetwarnings()
    for category in (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning):
        warnings.simplefilter("ignore", category)
    warnings.filterwarnings("default", category=DeprecationWarning, module="__main__")


def _limit_memory(memory_bytes: int) -> None:
    if sys.platform.startswith("linux"):
        import resource

        pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
        limit = pages * resource.getpagesize() + memory_bytes
        _, highest = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (limit if highest < 0 else min(limit, highest), highest))
