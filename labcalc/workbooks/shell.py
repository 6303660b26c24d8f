"""Runs cells in this process as a Jupyter kernel would, and keeps what they put out.

One shell a process: it takes over the display hook and, while a cell runs, the standard streams.
"""

import atexit
import base64
import builtins
import io
import json
import os
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.error import StdinNotImplementedError
from IPython.core.interactiveshell import InteractiveShell
from nbformat import NotebookNode
from traitlets import Type
from traitlets.config import Config

from labcalc.workbooks.options import Limits

_WRITTEN_OVER, _BACKSPACE = re.compile(r".*\r(?=[^\n])"), re.compile(r"[^\n]\x08")


class TimeLimitError(BaseException):
    """A cell took longer than allowed; no ``except Exception`` of a notebook holds it up."""


class CellOutputs:
    """What the running cell has put out, in nbformat's form."""

    def __init__(self) -> None:
        self.outputs: list[NotebookNode] = []
        self._shown: dict[str, list[NotebookNode]] = {}
        self._clear_at_next = False

    def begin(self) -> list[NotebookNode]:
        """Start a cell; the list that is returned fills while it runs."""
        self.outputs, self._clear_at_next = [], False
        return self.outputs

    def add(self, output: NotebookNode, display_id: str | None = None) -> None:
        """Put out a result, a display or an error."""
        self._clear_if_asked()
        self.outputs.append(output)
        if display_id is not None:
            self._shown.setdefault(display_id, []).append(output)

    def write(self, stream: str, text: str) -> None:
        """Put out text; a stream is one output a cell, as nbclient joins them."""
        self._clear_if_asked()
        for output in self.outputs:
            if output.output_type == "stream" and output.name == stream:
                output.text += text
                return
        self.outputs.append(_output("stream", name=stream, text=text))

    def update(self, display_id: str, data: dict[str, Any], metadata: dict[str, Any]) -> None:
        """Change what was displayed before under this name."""
        for output in self._shown.get(display_id, []):
            output.data, output.metadata = NotebookNode(data), NotebookNode(metadata)

    def clear(self, wait: bool) -> None:
        """Drop what the cell has put out, now or when it next puts something out."""
        self._clear_at_next = True
        if not wait:
            self._clear_if_asked()

    def settle(self) -> None:
        """Let text that was written over be gone, as nbclient does."""
        for output in self.outputs:
            if output.output_type == "stream":
                while _BACKSPACE.search(output.text):
                    output.text = _BACKSPACE.sub("", output.text)
                output.text = _WRITTEN_OVER.sub("", output.text)

    def _clear_if_asked(self) -> None:
        if self._clear_at_next:
            self._clear_at_next = False
            self.outputs.clear()


def _output(kind: str, **words: Any) -> NotebookNode:
    """Return an output; the notebook is validated as a whole when it is written, not here once more for each."""
    parts = {name: NotebookNode(one) if isinstance(one, dict) else one for name, one in words.items()}
    return NotebookNode(output_type=kind, **parts)  # what a bundle holds stays as it is: nobody asks it for attributes


class _Hook(DisplayHook):
    shell: "NotebookShell"

    def write_output_prompt(self) -> None:
        pass

    def write_format_data(self, format_dict: dict[str, Any], md_dict: dict[str, Any] | None = None) -> None:
        count = self.shell.running_count
        data, metadata = _plain(format_dict), _plain(md_dict or {})
        self.shell.outputs.add(_output("execute_result", data=data, metadata=metadata, execution_count=count))

    def finish_displayhook(self) -> None:
        pass


class _Publisher(DisplayPublisher):
    shell: "NotebookShell"

    def publish(self, data: Any, metadata: Any = None, *_: Any, transient: Any = None, **how: Any) -> None:
        display_id = (transient or {}).get("display_id")
        plain, about = _plain(data), _plain(metadata or {})
        if display_id is not None:
            self.shell.outputs.update(display_id, plain, about)
        if not how.get("update"):
            self.shell.outputs.add(_output("display_data", data=plain, metadata=about), display_id)

    def clear_output(self, wait: bool = False) -> None:
        self.shell.outputs.clear(wait)


class NotebookShell(InteractiveShell):
    """An IPython shell whose outputs are a notebook's."""

    displayhook_class = Type(_Hook)
    display_pub_class = Type(_Publisher)

    def __init__(self, **words: Any) -> None:
        self.outputs, self.running_count, self._failed = CellOutputs(), 0, False
        super().__init__(**words)  # type: ignore[no-untyped-call]

    def init_virtualenv(self) -> None:
        """Leave the search path as it is, as a kernel does."""

    def enable_gui(self, gui: str | None = None) -> None:
        """Reports have no windows."""

    def system_piped(self, cmd: str) -> None:
        """Run ``!command`` and put out what it writes; its exit code is ``_exit_code``, as in a kernel."""
        from IPython.utils.process import system  # type: ignore[attr-defined]

        self.user_ns["_exit_code"] = system(self.var_expand(cmd, depth=1))  # type: ignore[no-untyped-call]

    system = system_piped

    def raw_input(self, prompt: str = "") -> str:
        """Refuse to wait for an answer."""
        raise StdinNotImplementedError("a report is rendered with nobody at the keyboard: input() has no answer")

    def _showtraceback(self, etype: type[BaseException], evalue: BaseException, stb: list[str]) -> None:
        self.outputs.add(_output("error", ename=etype.__name__, evalue=str(evalue), traceback=list(stb)))
        self._last_traceback = stb
        self._failed = True  # an error while a result is shown counts too, as in a kernel

    def run_code_cell(self, source: str, seconds: float) -> tuple[list[NotebookNode], int, bool]:
        """Run one cell, for so many [s] at most: its outputs, its execution count, and whether it came to its end."""
        outputs, self.running_count, self._failed = self.outputs.begin(), self.execution_count, False
        with self._streams(), _time_limit(seconds):
            result = self.run_cell(source, store_history=True)  # type: ignore[no-untyped-call]
        self.outputs.settle()
        return outputs, self.running_count, bool(result.success) and not self._failed

    @contextmanager
    def _streams(self) -> Iterator[None]:
        before = sys.stdout, sys.stderr, self.builtin_trap.auto_builtins.get("input")
        sys.stdout, sys.stderr = _Stream("stdout", self.outputs), _Stream("stderr", self.outputs)
        self.builtin_trap.auto_builtins["input"] = self.raw_input
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before[:2]


class _Stream(io.TextIOBase):
    encoding = "utf-8"

    def __init__(self, name: str, outputs: CellOutputs) -> None:
        self.name, self._outputs = name, outputs

    def writable(self) -> bool:
        return True

    def write(self, text: str) -> int:
        if text:
            self._outputs.write(self.name, text)
        return len(text)


_SETTINGS = Config(HistoryManager={"enabled": False}, InteractiveShell={"enable_tip": False})
_ahead: list[NotebookShell] = []


def run_cells(notebook: NotebookNode, limits: Limits, begin_cell: Callable[[str], None] | None = None) -> None:
    """Run the cells of a notebook one after another, until one fails; ``begin_cell`` hears each one's id."""
    shell, ends = new_shell(), time.monotonic() + limits.report_seconds
    for cell in notebook.cells:
        if cell.cell_type == "code" and cell.source.strip() and "skip-execution" not in cell.metadata.get("tags", []):
            if begin_cell is not None:
                begin_cell(cell.id)
            left = min(limits.cell_seconds, max(ends - time.monotonic(), 0.001))
            cell.outputs, cell.execution_count, succeeded = shell.run_code_cell(cell.source, left)
            if not succeeded:
                return


def new_shell() -> NotebookShell:
    """Return the shell of this process, new and empty: the one that was made ahead, if any."""
    shell = _ahead.pop() if _ahead else NotebookShell(config=_SETTINGS)
    for prepare in (shell.init_ipython_dir, shell.init_profile_dir):
        prepare(None)  # type: ignore[no-untyped-call]  # a folder of this process
    shell.history_manager.dir_hist[:] = [Path.cwd()]  # type: ignore[union-attr]
    for enter in (shell.save_sys_module_state, shell.init_sys_modules, shell.init_builtins, shell.init_prompts):
        enter()  # type: ignore[no-untyped-call]
    InteractiveShell._instance = NotebookShell._instance = shell  # type: ignore[assignment]
    os.environ["PLOTLY_RENDERER"] = "plotly_mimetype"
    if plotly_io := sys.modules.get("plotly.io"):  # plotly chose its way of showing figures before there was a shell
        plotly_io.renderers.default = "plotly_mimetype"
    return shell


def make_shell_ahead(scratch: str) -> None:
    """Make the shell that ``new_shell`` returns in a copy of this process; this one finds itself as it was.

    ``scratch``: a folder that may go afterwards.
    """
    if _ahead:
        return
    names = {sys: ("ps1", "ps2", "ps3"), builtins: ("__IPYTHON__", "display")}
    before = [(home, name, getattr(home, name, None)) for home, some in names.items() for name in some]
    main = sys.modules["__main__"]
    try:
        shell = NotebookShell(config=_SETTINGS, ipython_dir=scratch)
        shell.display_formatter.format("")  # type: ignore[union-attr]  # what shows a result is made at the first one
        atexit.unregister(shell.atexit_operations)
        _ahead.append(shell)
    finally:
        sys.modules["__main__"] = main
        for home, name, value in before:
            if value is not None:
                setattr(home, name, value)
            elif hasattr(home, name):
                delattr(home, name)


@contextmanager
def _time_limit(seconds: float) -> Iterator[None]:
    if not hasattr(signal, "SIGALRM") or threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(_: int, frame: FrameType | None) -> None:
        raise TimeLimitError(f"it took longer than {seconds:g} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds, 1.0)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _plain(bundle: Mapping[str, Any]) -> dict[str, Any]:
    """Return what nbformat can hold: pictures as base64, the rest as JSON."""
    as_text = {kind: base64.b64encode(v).decode() if isinstance(v, bytes) else v for kind, v in bundle.items()}
    plain: dict[str, Any] = json.loads(json.dumps(as_text))
    return plain
