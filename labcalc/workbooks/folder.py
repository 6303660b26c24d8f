"""A folder that reports go into: one writer at a time, what others put there stays, what killed calls left goes.

File names come from names that a person gave: never a path, never two reports under one name.
"""

import hashlib
import os
import re
import shutil
import signal
import socket
import tempfile
import threading
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import chain, count
from pathlib import Path

from filelock import FileLock, Timeout

_LONGEST = 80
_TAKEN = re.compile(r"(?:index|reports-index-\d+|con|conin|conout|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.I)
"""The index page, and names that some systems keep for themselves."""
_LOCK = ".labcalc-reports.lock"
_GENERATOR = b'<meta name="generator" content="labcalc '
_HEAD = 4096  # bytes of a page in which its generator stands, [-]
_ASIDE = re.compile(r"\..+\.\d+(\.\w+)?\.part(\.html)?")
"""Names of files that ``write_whole`` and the printing to PDF write aside."""


@contextmanager
def as_ctrl_c(*names: str) -> Iterator[None]:
    """Take the signals of these names that the system has like Ctrl-C; in another than the main thread nothing is."""
    is_main = threading.current_thread() is threading.main_thread()
    numbers = [getattr(signal, name) for name in names if is_main and hasattr(signal, name)]
    before = {number: signal.signal(number, signal.default_int_handler) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


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


def _is_own(page: Path) -> bool:
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
        if is_page and path.stem not in known and not _is_own(path.with_suffix(".html")):
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


def safe_stem(text: str) -> str:
    """Return a file name without its ending: letters, digits, dot, dash and underscore of ASCII, at most 80.

    >>> safe_stem("../HX 46: lot Ü/7")
    'HX-46-lot-U-7'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", plain)
    stem = re.sub(r"([.-])[.-]+", r"\1", stem)[:_LONGEST].strip(".-")
    if not stem:
        return f"report-{_mark(text)}"
    return f"report-{stem}" if _TAKEN.fullmatch(stem) else stem


def safe_stems(names: Sequence[str], others: Mapping[str, str]) -> dict[str, str]:
    """Return a file name for each name; those that would fall together, case ignored, get a mark of their own.

    ``others`` says whose each stem is that lies in the folder already; of files that are no reports nobody's: empty.
    """
    stems = {name: safe_stem(name) for name in names}
    owners = {stem.lower(): name for stem, name in others.items()}
    counts = Counter(stem.lower() for stem in stems.values())
    for name, stem in stems.items():
        if counts[stem.lower()] > 1 or owners.get(stem.lower(), name) != name:
            marked = (f"{stem[: _LONGEST - 9]}-{_mark(f'{name}{again}')}" for again in chain([""], count(2)))
            stems[name] = next(one for one in marked if not counts[one.lower()] and owners.get(one, name) == name)
            counts[stems[name].lower()] += 1
    return stems


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
