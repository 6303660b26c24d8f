"""JupyterLab as a person has it open: started by ``labcalc workbook``, its cells run by keys."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.alone import alone
from tests.chromium import Tab


@contextmanager
def opened(*words: str, folder: Path | None = None) -> Iterator[str]:
    """Run ``labcalc workbook`` with these words, and yield the address that it says."""
    command = [sys.executable, "-m", "labcalc", "workbook", *words, "--no-browser"]
    with alone():
        shown = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=folder, start_new_session=True)
        try:
            assert shown.stderr is not None
            said = ""
            while not (found := re.search(r"http://127\.0\.0\.1:\S+", said)):
                line = shown.stderr.readline()
                assert line, said
                said += line
            yield found[0]
        finally:
            shown.terminate()
            shown.wait(60)
            shown.stderr.close()


def run_all_cells(tab: Tab, came: Callable[[], bool]) -> None:
    """Run all cells of the workbook that is open, by the menu; again, where what they show doesn't come.

    JupyterLab says that it is idle before it is, and what is run too early is lost in part; its server knows better.
    """
    tab.wait("document.querySelector('.jp-Notebook .jp-CodeCell')", 180)
    tab.wait(_CONNECTED, 180)
    for _ in range(5):
        tab.click(in_menu("lm-MenuBar-itemLabel", "Run"))
        if comes(tab, in_menu("lm-Menu-itemLabel", "Run All Cells"), 5):
            tab.click(in_menu("lm-Menu-itemLabel", "Run All Cells"))
            if came():
                return
        if tab.run(f"{_OFFERED_KERNEL} !== null"):
            tab.click(_OFFERED_KERNEL)
            if came():
                return
        tab.press("Escape")


_CONNECTED = (
    "fetch('/api/sessions').then(said => said.json()).then(sessions => sessions.length > 0 && "
    "sessions.every(one => one.kernel.execution_state === 'idle' && one.kernel.connections > 0))"
)
"""Whether the workbook has its kernel, by the server."""

_OFFERED_KERNEL = "document.querySelector('.jp-Dialog .jp-mod-accept')"
"""What accepts the workbook's own kernel, which is asked for where cells are run too early."""


def in_menu(kind: str, text: str) -> str:
    return f"[...document.querySelectorAll('.{kind}')].find(one => one.innerText.trim() === {text!r})"


def comes(tab: Tab, script: str, seconds: float) -> bool:
    """Tell whether an expression becomes true in time."""
    try:
        tab.wait(script, seconds)
    except AssertionError:
        return False
    return True
