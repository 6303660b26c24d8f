"""JupyterLab for one workbook: on this machine only, behind a token, ended as a whole."""

from __future__ import annotations

import json
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO
from urllib.parse import quote
from urllib.request import ProxyHandler, build_opener

from labcalc.errors import WorkbookError
from labcalc.workbooks.page import TEMPLATES

_LOOPBACK = "127.0.0.1"
_FIRST_PORT = 8888
_PORTS = 100
"""How many ports are tried, [-]."""
_START_S = 90.0
"""Longest time that JupyterLab may take to answer, [s]."""
_END_S = 10.0
"""Longest time that it may take to end, [s]."""


def serve_workbook(
    workbook: Path, *, port: int | None = None, browser: bool = True, say: Callable[[str], None] = print
) -> None:
    """Start JupyterLab on a workbook, say its address, and wait until it ends or Ctrl-C is pressed.

    Parameters
    ----------
    workbook : pathlib.Path
        The notebook, or a folder of some; the folder that it lies in is all that JupyterLab shows.
    port : int, optional
        Port on this machine, [-]; none: the first free one from 8888.
    browser : bool
        Open the address in the person's browser.
    say : callable
        Takes one line for the person.

    Raises
    ------
    WorkbookError
        The port is taken, or JupyterLab doesn't start: its last words.
    """
    token = secrets.token_urlsafe(24)
    try:
        with (
            tempfile.TemporaryFile() as log,
            tempfile.TemporaryDirectory(prefix="labcalc-", ignore_cleanup_errors=True) as scratch,
            _told_to_end(),
            _running(_command(workbook, port, Path(scratch)), token, Path(scratch), log) as server,
        ):
            site = _site_when_it_answers(server, token, Path(scratch), log, port)
            view = "lab" if workbook.is_dir() else "doc"  # with the list of files, or the workbook alone
            address = f"{site}/{view}/tree/{quote(workbook.name)}?token={token}"
            say(f"Open {address}\nCtrl-C ends JupyterLab.")
            if browser:
                webbrowser.open(address)
            if server.wait():
                raise WorkbookError(f"JupyterLab has ended by itself: {_last_words(log)}")
    except KeyboardInterrupt:
        say("")


def _command(workbook: Path, port: int | None, scratch: Path) -> list[str]:
    """Return the command; tabs are remembered in ``scratch``, so that none of another folder are opened again."""
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--ip={_LOOPBACK}"]
    command += [f"--port={port or _FIRST_PORT}", f"--ServerApp.port_retries={0 if port else _PORTS}"]
    command += [f"--ServerApp.root_dir={workbook.parent}", f"--LabApp.workspaces_dir={scratch}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    return command


@contextmanager
def _running(command: list[str], token: str, scratch: Path, log: IO[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    """Run JupyterLab in a session of its own, since Ctrl-C is for us; its port it writes down in ``scratch``."""
    own = str(TEMPLATES / "jupyter")
    paths = os.pathsep.join(filter(None, (own, os.environ.get("JUPYTER_CONFIG_PATH", ""))))
    env = {**os.environ, "JUPYTER_CONFIG_PATH": paths, "JUPYTER_RUNTIME_DIR": str(scratch)}
    env["JUPYTER_TOKEN"] = token  # never on the command line: all see it
    server = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=env, start_new_session=True
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


@contextmanager
def _told_to_end() -> Iterator[None]:
    """Take being told to end, as when the terminal is closed, like Ctrl-C."""
    names = [signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    before = {name: signal.signal(name, _as_ctrl_c) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def _as_ctrl_c(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _site_when_it_answers(
    server: subprocess.Popen[bytes], token: str, scratch: Path, log: IO[bytes], port: int | None
) -> str:
    ask, ends = build_opener(ProxyHandler({})), time.monotonic() + _START_S
    while time.monotonic() < ends:
        if server.poll() is not None:
            taken = f"port {port} can't be used, leave --port out or name another: " if port else ""
            raise WorkbookError(f"JupyterLab did not start: {taken}{_last_words(log)}")
        for note in scratch.glob("jpserver-*.json"):
            try:
                site = f"http://{_LOOPBACK}:{json.loads(note.read_text('utf-8'))['port']}"
                with ask.open(f"{site}/api/status?token={token}", timeout=5.0):
                    return site
            except (OSError, ValueError):  # not answering yet, or its note is half-written
                continue
        time.sleep(0.1)
    raise WorkbookError(f"JupyterLab has not answered for {_START_S:g} s: {_last_words(log)}")


def _last_words(log: IO[bytes]) -> str:
    log.seek(0)
    lines = log.read().decode("utf-8", "replace").strip().splitlines()
    return lines[-1].strip() if lines else "it said nothing"
