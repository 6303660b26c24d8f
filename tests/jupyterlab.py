"""JupyterLab as a person has it open: started by ``labcalc workbook``, its cells run by keys."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.chromium import Tab


@contextmanager
def opened(*words: str, folder: Path | None = None) -> Iterator[str]:
    """Run ``labcalc workbook`` with these words, and yield the address that it says."""
    command = [sys.executable, "-m", "labcalc.cli", "workbook", *words, "--no-browser"]
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
        shown.wait(20)
        shown.stderr.close()


def run_all_cells(tab: Tab, came: Callable[[], bool]) -> None:
    """Run all cells of the workbook that is open; again, where what they show doesn't come.

    JupyterLab says that it is idle before it is: what is run too early is lost, or it asks for a kernel.
    """
    tab.wait("document.querySelector('.jp-Notebook .jp-CodeCell')", 60)
    tab.wait("document.querySelector('.jp-Notebook-ExecutionIndicator')?.dataset.status === 'idle'", 60)
    for _ in range(5):
        _open_commands(tab)
        tab.type("Run All Cells")
        tab.wait("document.querySelector('.lm-CommandPalette-item.lm-mod-active')?.innerText.includes('Run All Cells')")
        tab.press("Enter")
        if came():
            return
        tab.press("Escape")


def _open_commands(tab: Tab) -> None:
    """Open the list of commands; the keys, or the focus, are lost while JupyterLab is busy."""
    for _ in range(8):
        tab.press("c", ctrl=True, shift=True)
        if comes(tab, "document.querySelector('.jp-ModalCommandPalette input') === document.activeElement", 5):
            return
        tab.press("Escape")
    raise AssertionError("JupyterLab doesn't open its list of commands")


def comes(tab: Tab, script: str, seconds: float) -> bool:
    """Tell whether an expression becomes true in time."""
    try:
        tab.wait(script, seconds)
    except AssertionError:
        return False
    return True
