"""One browser or JupyterLab at a time, whatever the number of test processes: on two cores they starve each other."""

from __future__ import annotations

import fcntl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_HELD: list[str] = []


@contextmanager
def alone() -> Iterator[None]:
    """Wait until no other process has a browser; within one process it is had once."""
    with (Path(tempfile.gettempdir()) / "labcalc-browser.lock").open("w") as file:
        if not _HELD:
            fcntl.flock(file, fcntl.LOCK_EX)
        _HELD.append(file.name)
        try:
            yield
        finally:
            _HELD.pop()
