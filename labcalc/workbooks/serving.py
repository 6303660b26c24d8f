"""JupyterLab for one workbook: on this machine only, behind a token, ended as a whole."""

from __future__ import annotations

import os
import secrets
import signal
import socket
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
from urllib.error import URLError
from urllib.parse import quote
from urllib.request import ProxyHandler, build_opener

from labcalc.errors import WorkbookError
from labcalc.workbooks.page import TEMPLATES

__all__ = ["serve_workbook"]

_LOOPBACK = "127.0.0.1"
_FIRST_PORT = 8888
_PORTS = 100
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
    chosen, token = _free_port(port), secrets.token_urlsafe(24)
    try:
        with (
            tempfile.TemporaryFile() as log,
            tempfile.TemporaryDirectory(prefix="labcalc-", ignore_cleanup_errors=True) as tabs,
            _told_to_end(),
            _running(_command(workbook, chosen, tabs), token, log) as server,
        ):
            _wait_until_it_answers(server, chosen, token, log)
            view = "lab" if workbook.is_dir() else "doc"  # with the list of files, or the workbook alone
            address = f"http://{_LOOPBACK}:{chosen}/{view}/tree/{quote(workbook.name)}?token={token}"
            say(f"Open {address}\nCtrl-C ends JupyterLab.")
            if browser:
                webbrowser.open(address)
            if server.wait():
                raise WorkbookError(f"JupyterLab has ended by itself: {_last_words(log)}")
    except KeyboardInterrupt:
        say("")


def _free_port(wanted: int | None) -> int:
    for port in [wanted] if wanted is not None else range(_FIRST_PORT, _FIRST_PORT + _PORTS):
        with socket.socket() as probe:
            if sys.platform != "win32":  # there the option would let two programs share the port
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((_LOOPBACK, port))
            except (OSError, OverflowError):
                continue
            return port
    if wanted is not None:
        raise WorkbookError(f"port {wanted} can't be used: another program has it; leave --port out, or name another")
    raise WorkbookError(f"ports {_FIRST_PORT} to {_FIRST_PORT + _PORTS - 1} are all taken; name another with --port")


def _command(workbook: Path, port: int, tabs: str) -> list[str]:
    """Return the command; ``tabs``: an empty folder, so that no tabs of another folder are opened again."""
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--ip={_LOOPBACK}", f"--port={port}"]
    command += [
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={workbook.parent}",
        f"--LabApp.workspaces_dir={tabs}",
    ]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    return command


@contextmanager
def _running(command: list[str], token: str, log: IO[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    """Run JupyterLab in a session of its own: Ctrl-C comes to us, and we end it."""
    own = str(TEMPLATES / "jupyter")
    paths = os.pathsep.join(filter(None, (own, os.environ.get("JUPYTER_CONFIG_PATH", ""))))
    env = {**os.environ, "JUPYTER_TOKEN": token, "JUPYTER_CONFIG_PATH": paths}  # never on the command line: all see it
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


def _wait_until_it_answers(server: subprocess.Popen[bytes], port: int, token: str, log: IO[bytes]) -> None:
    ask, ends = build_opener(ProxyHandler({})), time.monotonic() + _START_S
    while time.monotonic() < ends:
        if server.poll() is not None:
            raise WorkbookError(f"JupyterLab did not start: {_last_words(log)}")
        try:
            with ask.open(f"http://{_LOOPBACK}:{port}/api/status?token={token}", timeout=5.0):
                return
        except (URLError, OSError):
            time.sleep(0.1)
    raise WorkbookError(f"JupyterLab has not answered for {_START_S:g} s: {_last_words(log)}")


def _last_words(log: IO[bytes]) -> str:
    log.seek(0)
    lines = log.read().decode("utf-8", "replace").strip().splitlines()
    return lines[-1].strip() if lines else "it said nothing"
