"""Whatever a notebook does, the batch goes on, the reason is named with the cell, and no process is left."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.workbooks import Limits, render_workbook
from labcalc.workbooks.apart import render_apart
from labcalc.workbooks.fork import fork_is_safe
from labcalc.workbooks.rendering import task_for
from tests.workbooks.conftest import Writer

ENDLESS = "cell 3: it took longer than 2 s"


STUBBORN = "while True:\n    try:\n        while True: pass\n    except BaseException: pass"
DEAF = "import signal\nsignal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGALRM})\nwhile True: pass"

EVERY_PIPE = """import os
for number in range(3, 64):
    try:
        if os.readlink(f'/proc/self/fd/{number}').startswith('pipe:'):
            os.write(number, %s)
    except OSError:
        pass
import time
time.sleep(5)
"""
NO_FRAME = "cell 3: something else than its page came out of its process"

HARM = {
    EVERY_PIPE % "b'a cell that writes where it should not'": NO_FRAME,
    EVERY_PIPE % "b'R' + (20).to_bytes(8, 'big') + b'{\"summary\": 1}<p>    '": NO_FRAME,
    EVERY_PIPE % "b'Z' + bytes(8)": NO_FRAME,
    EVERY_PIPE % "b'E' + (1).to_bytes(8, 'big') + b'['": NO_FRAME,
    "raise ValueError('no oil\\nin the cell')": "cell 3: ValueError: no oil in the cell",
    "from labcalc.errors import ExportError\nraise ExportError('a.csv', 'empty')": "cell 3: a.csv: empty",
    "import sys\nsys.exit(0)": "cell 3: SystemExit: 0",
    "import os\nos._exit(7)": "cell 3: its process ended itself with exit code 7",
    "import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)": "cell 3: its process crashed (segmentation fault",
    "while True: pass": ENDLESS,
    "import time\ntry:\n    time.sleep(9)\nexcept Exception: pass": ENDLESS,
    STUBBORN: ENDLESS,
    DEAF: f"{ENDLESS} and was stopped",
    "x = bytearray(4 << 30)": "cell 3: MemoryError",
    "input()": "cell 3: StdinNotImplementedError",
    "class Bad:\n    def __repr__(self): raise RuntimeError('no text')\nBad()": "cell 3: RuntimeError: no text",
}


def children() -> str:
    """Return the processes that this one has."""
    return Path(f"/proc/self/task/{os.getpid()}/children").read_text("ascii")


linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits of memory are kept on Linux")


@linux
@pytest.mark.parametrize("harm", HARM)
def test_harm_is_contained_and_named(harm: str, write: Writer, tmp_path: Path) -> None:
    notebook, before = write("# Title", harm, "print('never')"), children()
    patience = 2.0 if HARM[harm].startswith(ENDLESS) else 60.0
    limits = Limits(cell_seconds=patience, report_seconds=60.0, memory_bytes=512 << 20)
    with pytest.raises(WorkbookError) as caught:
        render_workbook(notebook, {"size": 2}, tmp_path / "report.html", title="T", limits=limits)
    assert str(caught.value).startswith(f"small.ipynb, {HARM[harm]}")
    assert "\n" not in str(caught.value)
    assert not list(tmp_path.glob("*.html"))
    assert not list(tmp_path.glob(".*"))
    assert children() == before or not fork_is_safe()  # a helper waits for the next report


@linux
def test_a_cell_holds_nothing_of_its_caller(write: Writer, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    with kept.open("wb", buffering=0) as file:
        os.set_inheritable(file.fileno(), True)
        ask = "import os\nfor number in range(3, 99):\n    try: os.write(number, b'x')\n    except OSError: pass"
        with pytest.raises(WorkbookError, match="something else than its page"):
            render_workbook(write("# Title", ask), {"size": 2}, tmp_path / "report.html", title="T")
    assert kept.read_bytes() == b""


@linux
def test_a_detached_process_holds_nobody_up(write: Writer, tmp_path: Path) -> None:
    leave = "import subprocess\nsubprocess.Popen(['sleep', '20'], start_new_session=True)"
    render_workbook(write("# Title", leave), {"size": 2}, tmp_path / "report.html", title="T")
    assert (tmp_path / "report.html").exists()


@linux
def test_a_new_python_contains_as_well(write: Writer) -> None:
    """Threads make copying unsafe; then a new process is started instead."""
    release = threading.Event()
    thread = threading.Thread(target=release.wait)
    thread.start()
    try:
        assert not fork_is_safe()
        good = render_apart(task_for(write("6 * 7"), {}, title="T"))
        bad = render_apart(task_for(write("import os", "os._exit(7)"), {}, title="T"))
    finally:
        release.set()
        thread.join()
    assert b"42" in good.html  # type: ignore[union-attr]
    assert str(bad) == "small.ipynb, cell 3: its process ended itself with exit code 7"


def test_reports_share_no_state(write: Writer, tmp_path: Path) -> None:
    notebook = write("import numpy as np\nprint(getattr(np, 'left_behind', 'clean'))\nnp.left_behind = 'dirty'")
    for name in ("one", "two"):
        render_workbook(notebook, {}, tmp_path / f"{name}.html", title="T")
    assert "clean" in (tmp_path / "one.html").read_text("utf-8")
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()


FILLED_BEFORE = """
import sys
from pathlib import Path
import labcalc.errors
from labcalc.workbooks import render_workbook
labcalc.errors.read_before = "from memory"
render_workbook(Path(sys.argv[1]), {}, Path(sys.argv[2]), title="T")
"""


@linux
def test_what_the_caller_has_read_is_there(write: Writer, tmp_path: Path) -> None:
    """A cache that was filled before is inherited by the copy of the process."""
    notebook = write("import labcalc.errors\nprint(labcalc.errors.read_before)")
    command = [sys.executable, "-c", FILLED_BEFORE, str(notebook), str(tmp_path / "report.html")]
    subprocess.run(command, check=True, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)})
    assert "from memory" in (tmp_path / "report.html").read_text("utf-8")
