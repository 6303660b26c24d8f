"""A class on one JupyterLab: its server as the command starts it, and kernels that run lessons as tabs do."""

from __future__ import annotations

import json
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote
from urllib.request import ProxyHandler, Request, build_opener

import websocket

from labcalc.lessons import Learner, keep_learner
from labcalc.workbooks import copy_workbook
from labcalc.workbooks.serving import _Site

LONGEST_S = 180


def course_of(learner: str, lab: Path, results: Path) -> Path:
    """Lay a learner's course beside lab.toml, as the command does, and return its folder."""
    copy = copy_workbook("lessons", (), lab, f"lessons-{learner.casefold()}")
    keep_learner(copy.path, Learner(learner, str(results)))
    return copy.path


@contextmanager
def served(course: Path) -> Iterator[Server]:
    """Start JupyterLab on a course, with those of the same folder beside it."""
    with tempfile.TemporaryFile() as log, tempfile.TemporaryDirectory() as scratch:
        site = _Site(course, None, Path(scratch), log, False)
        with site.running() as process:
            server = Server(site.address_when_it_answers(process).partition("/lab/")[0], site.token, process.pid)
            try:
                yield server
            finally:
                for kernel in server.opened:
                    kernel.socket.close()


@dataclass(frozen=True)
class Server:
    """A JupyterLab that answers."""

    address: str
    token: str
    pid: int
    opened: list[Kernel] = field(default_factory=list)

    def ask(self, path: str, words: object = None) -> Any:
        """Ask its interface something, or tell it something."""
        told = {"Authorization": f"token {self.token}", "Content-Type": "application/json"}
        request = Request(f"{self.address}/api/{path}", json.dumps(words).encode() if words else None, told)
        with build_opener(ProxyHandler({})).open(request, timeout=LONGEST_S) as answer:
            return json.load(answer)

    @property
    def kernels(self) -> set[str]:
        """Those that live."""
        return {one["id"] for one in self.ask("kernels")}

    def open(self, workbook: Path) -> Kernel:
        """Open a workbook with a kernel of its own."""
        path = f"{workbook.parent.name}/{workbook.name}"
        words = {"path": path, "name": path, "type": "notebook", "kernel": {"name": "python3"}}
        kernel = self.ask("sessions", words)["kernel"]["id"]
        where = f"{self.address.replace('http', 'ws', 1)}/api/kernels/{kernel}/channels?token={quote(self.token)}"
        self.opened.append(Kernel(kernel, websocket.create_connection(where, timeout=LONGEST_S), workbook))
        return self.opened[-1]


@dataclass
class Said:
    """What came back so far; its two ends come by two ways, in either order."""

    printed: str = ""
    waiting: set[str] = field(default_factory=lambda: {"execute_reply", "idle"})


@dataclass(frozen=True)
class Kernel:
    """The kernel of a workbook, connected as a tab connects with it."""

    name: str
    socket: websocket.WebSocket
    workbook: Path
    said: dict[str, Said] = field(default_factory=dict)

    def begin(self, code: str) -> str:
        """Send code, and return the name under which it is answered."""
        name = uuid.uuid4().hex
        header = {"msg_id": name, "session": "class", "username": "", "msg_type": "execute_request", "version": "5.3"}
        content = {"code": code, "silent": False, "store_history": False, "allow_stdin": False}
        words = {"header": header, "parent_header": {}, "metadata": {}, "content": content, "channel": "shell"}
        self.socket.send(json.dumps({**words, "buffers": []}))
        return name

    def end(self, name: str) -> str:
        """Wait for what was sent, and return what it printed.

        Raises AssertionError : It failed.
        """
        while self.said.setdefault(name, Said()).waiting:
            told = self.socket.recv()
            if isinstance(told, bytes):  # a message with buffers
                continue
            message = json.loads(told)
            content, said = message["content"], self.said.setdefault(message["parent_header"].get("msg_id"), Said())
            if content.get("name") == "stdout":
                said.printed += content["text"]
            assert content.get("status") != "error", content
            said.waiting -= {message["msg_type"], content.get("execution_state")}
        return self.said[name].printed

    def take(self) -> list[str]:
        """Send all cells of the workbook, and return under which names they are answered."""
        cells = json.loads(self.workbook.read_text("utf-8"))["cells"]
        return [self.begin("".join(one["source"])) for one in cells if one["cell_type"] == "code"]


def megabytes(pid: int, what: str = "Pss") -> float:
    """Return the memory of a process, [MB]; ``Pss`` shares out among processes what they share."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith(f"{what}:"):
            return int(line.split()[1]) / 1024.0
    raise AssertionError(f"no {what} of process {pid}")
