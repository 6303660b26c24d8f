"""JupyterLab for one workbook: on this machine only, behind a token, ended as a whole."""

import json
import os
import secrets
import subprocess
import sys
import tempfile
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO
from urllib.parse import quote
from urllib.request import ProxyHandler, build_opener

from labcalc.errors import WorkbookError
from labcalc.workbooks.folder import as_ctrl_c, scratch_prefix
from labcalc.workbooks.page import TEMPLATES

_LOOPBACK = "127.0.0.1"
_FIRST_PORT = 8888
_PORTS = 100  # how many ports are tried, [-]
_START_S = 90.0  # longest time that JupyterLab may take to answer, [s]
_IDLE_S = 600  # how long a kernel of a course that no tab is connected with lives on, [s]
_END_S = 10.0  # longest time that it may take to end, [s]


def serve_workbook(
    workbook: Path,
    *,
    port: int | None = None,
    browser: bool = True,
    read_only: bool = False,
    say: Callable[[str], None] = print,
) -> None:
    """Start JupyterLab on a workbook, say its address, and wait until it ends or Ctrl-C is pressed.

    ``workbook`` is the notebook, or a folder of some; the folder that it lies in is all that JupyterLab shows. Without
    a ``port`` it takes the first free one from 8888. ``read_only`` shows what was saved, and nobody can run, change or
    upload anything: no kernel, no terminal, no editor. WorkbookError: the port is taken, or JupyterLab doesn't start.
    """
    try:
        with (
            tempfile.TemporaryFile() as log,
            tempfile.TemporaryDirectory(prefix=scratch_prefix(), ignore_cleanup_errors=True) as scratch,
            as_ctrl_c("SIGTERM", "SIGHUP"),  # as when the terminal is closed
            (site := _Site(workbook, port, Path(scratch), log, read_only)).running() as server,
        ):
            address = site.address_when_it_answers(server)
            say(f"Open {address}\nCtrl-C ends JupyterLab.")
            if browser:
                webbrowser.open(address)
            if server.wait():
                raise WorkbookError(f"JupyterLab has ended by itself: {site.last_words()}")
    except KeyboardInterrupt:
        say("")


@dataclass(frozen=True)
class _Site:
    """A JupyterLab of our own: what it shows, where, what it writes down, and what it says."""

    workbook: Path
    port: int | None
    scratch: Path
    log: IO[bytes]
    read_only: bool
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        """Run it in a session of its own, since Ctrl-C is for us; its port it writes down in ``scratch``."""
        own = str(TEMPLATES / "jupyter")
        paths = os.pathsep.join(filter(None, (own, os.environ.get("JUPYTER_CONFIG_PATH", ""))))
        env = {**os.environ, "JUPYTER_CONFIG_PATH": paths, "JUPYTER_RUNTIME_DIR": str(self.scratch)}
        env["JUPYTER_TOKEN"] = self.token  # never on the command line: all see it
        server = subprocess.Popen(
            self._command(), stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log, env=env, start_new_session=True
        )
        try:
            yield server
        finally:
            server.terminate()
            try:
                server.wait(_END_S)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()

    def _command(self) -> list[str]:
        """Return the command; tabs are remembered in ``scratch``, so that none of another folder are opened again."""
        command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--ip={_LOOPBACK}"]
        command += [f"--port={self.port or _FIRST_PORT}", f"--ServerApp.port_retries={0 if self.port else _PORTS}"]
        command += [f"--ServerApp.root_dir={self.workbook.parent}", f"--LabApp.workspaces_dir={self.scratch}"]
        if self.read_only:
            command += ["--ServerApp.authorizer_class=labcalc.workbooks.looking.LookingOnly"]
            command += ["--ServerApp.terminals_enabled=False"]
        if self.workbook.is_dir():  # a course: the kernel of a lesson ends a while after its tab
            for setting, seconds in (("idle_timeout", _IDLE_S), ("interval", _IDLE_S // 10)):
                command.append(f"--MappingKernelManager.cull_{setting}={seconds}")
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.append("--allow-root")
        return command

    def address_when_it_answers(self, server: subprocess.Popen[bytes]) -> str:
        """Wait for it; then show a folder with the list of files, a workbook alone."""
        view = "lab" if self.workbook.is_dir() else "doc"
        ask, ends = build_opener(ProxyHandler({})), time.monotonic() + _START_S
        while time.monotonic() < ends:
            if server.poll() is not None:
                taken = f"port {self.port} can't be used, leave --port out or name another: " if self.port else ""
                raise WorkbookError(f"JupyterLab did not start: {taken}{self.last_words()}")
            for note in self.scratch.glob("jpserver-*.json"):
                try:
                    site = f"http://{_LOOPBACK}:{json.loads(note.read_text('utf-8'))['port']}"
                    with ask.open(f"{site}/api/status?token={self.token}", timeout=5.0):
                        return f"{site}/{view}/tree/{quote(self.workbook.name)}?token={self.token}"
                except (OSError, ValueError):  # not answering yet, or its note is half-written
                    continue
            time.sleep(0.1)
        raise WorkbookError(f"JupyterLab has not answered for {_START_S:g} s: {self.last_words()}")

    def last_words(self) -> str:
        self.log.seek(0)
        lines = self.log.read().decode("utf-8", "replace").strip().splitlines()
        return lines[-1].strip() if lines else "it said nothing"
