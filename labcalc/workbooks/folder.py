"""A folder that reports go into: one writer at a time, what others put there stays, what killed calls left goes."""

import os
import re
import shutil
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

_LOCK = ".labcalc-reports.lock"
_GENERATOR = b'<meta name="generator" content="labcalc '
_HEAD = 4096  # bytes of a page in which its generator stands, [-]
_ASIDE = re.compile(r"\..+\.\d+(\.\w+)?\.part(\.html)?")
"""Names of files that ``write_whole`` and the printing to PDF write aside."""


@contextmanager
def one_writer(folder: Path, say: Callable[[str], None] | None) -> Iterator[None]:
    """Hold a folder for writing; while another call holds it, say so and wait. The lock of a killed call is free."""
    folder.mkdir(parents=True, exist_ok=True)
    lock = FileLock(folder / _LOCK)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        if say is not None:
            say(f"Another call is writing into {folder}: this one goes on when that has ended.")
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def is_own(page: Path) -> bool:
    """Tell by its content whether labcalc made a page; nobody made one that isn't there."""
    if not page.is_file():
        return False
    with page.open("rb") as file:
        return _GENERATOR in file.read(_HEAD)


def others_files(folder: Path, known: frozenset[str]) -> dict[str, Path]:
    """Return the pages and PDFs that labcalc didn't make, by stem; ``known``: stems of reports that lie there."""
    found = {}
    for path in sorted(folder.iterdir()):
        is_page = path.suffix.lower() in (".html", ".pdf") and not path.name.startswith(".")
        if is_page and path.stem not in known and not is_own(path.with_suffix(".html")):
            found[path.stem] = path
    return found


def clear_left_overs(folder: Path) -> None:
    """Remove what killed calls left: half-written files of the folder, and rendering folders of processes that ended.

    The folder must be held for writing.
    """
    for path in folder.iterdir():
        if _ASIDE.fullmatch(path.name):
            path.unlink(missing_ok=True)
    for path in Path(tempfile.gettempdir()).glob(f"{_of_machine()}*"):
        number = path.name.removeprefix(_of_machine()).split("-")[0]
        if number.isdigit() and not _is_running(int(number)):
            shutil.rmtree(path, ignore_errors=True)


def scratch_prefix() -> str:
    """Return how the name of a rendering folder begins: it tells the machine and the process that it belongs to."""
    return f"{_of_machine()}{os.getpid()}-"


def _of_machine() -> str:
    return f"labcalc-{re.sub('[^A-Za-z0-9]', '', socket.gethostname())}-"


def _is_running(process: int) -> bool:
    if os.name != "posix":  # there, a signal to ask would end it
        return True
    with suppress(PermissionError):
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return False
    return True
