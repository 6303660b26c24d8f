"""A folder that reports go into: one writer at a time, what others put there stays, what killed calls left goes.

File names come from names that a person gave: never a path, never two reports under one name. What a folder knows of
itself, so that a second call renders only what changed, is one JSON line a report in ``.labcalc-reports.jsonl``; the
last line of a report counts, a torn line counts nothing.
"""

import hashlib
import json
import os
import re
import shutil
import signal
import socket
import tempfile
import threading
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib.metadata import version
from itertools import chain, count
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

import labcalc
from labcalc.workbooks.lean import for_speed_only
from labcalc.workbooks.page import plotly_script_name
from labcalc.workbooks.rendering import RenderTask
from labcalc.writing import write_whole

_FILE = ".labcalc-reports.jsonl"
_LIBRARIES = ("ipython", "mistune", "numpy", "pandas", "papermill", "plotly", "scipy")
_LONGEST = 80
_TAKEN = re.compile(r"(?:index|reports-index-\d+|con|conin|conout|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.I)
"""The index page, and names that some systems keep for themselves."""
_LOCK = ".labcalc-reports.lock"
_GENERATOR = b'<meta name="generator" content="labcalc '
_HEAD = 4096  # bytes of a page in which its generator stands, [-]
_ASIDE = re.compile(r"\..+\.\d+(\.\w+)?\.part(\.html)?")  # what ``write_whole`` and the printing to PDF write aside


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


@dataclass(frozen=True)
class Record:
    """A report that lies in the folder."""

    stem: str
    name: str
    title: str
    fingerprint: str  # SHA-256 over all that the report depends on
    digest: str  # SHA-256 of the file
    summary: dict[str, Any]
    entry: str = ""  # SHA-256 of the entry of the laboratory's record that names it; empty for none

    def is_whole(self, folder: Path) -> bool:
        """Tell whether the file is there as it was written."""
        page = folder / f"{self.stem}.html"
        try:
            return page.is_file() and hashlib.sha256(page.read_bytes()).hexdigest() == self.digest
        except OSError:
            return False


def fingerprint(key: str, task: RenderTask) -> str:
    """Return the SHA-256 over the inputs' key, the task, labcalc itself and the libraries that it stands on.

    It is empty where it can't be told: such a report is always rendered.
    """
    with for_speed_only("telling which reports are up to date"):
        links = json.dumps(task.parameters.get("links", {}), sort_keys=True)
        stated = (task.title, task.notebook, task.name, task.engine, task.scripts.value)
        parts = (key or json.dumps(task.parameters, sort_keys=True), links, *stated, plotly_script_name(), _program())
        return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogatepass")).hexdigest()
    return ""


@lru_cache(maxsize=1)
def _program() -> str:
    """Return what this labcalc is: its version, the bytes of its code, data and templates, its libraries' versions."""
    ink = hashlib.sha256()
    package = Path(labcalc.__file__).parent
    for path in sorted(package.rglob("*")):
        if path.suffix in (".py", ".toml", ".csv", ".j2", ".css", ".js"):
            ink.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    return " ".join([labcalc.__version__, ink.hexdigest(), *(f"{one} {version(one)}" for one in _LIBRARIES)])


def read_records(folder: Path) -> dict[str, Record]:
    """Return the records of a folder by stem; empty where there are none."""
    records: dict[str, Record] = {}
    with for_speed_only("reading which reports are up to date"):
        file = _file(folder)
        for line in file.read_text("utf-8", errors="replace").splitlines() if file.exists() else []:
            with suppress(ValueError, TypeError, RecursionError):  # torn, or another version's: it is rendered again
                record = _sound(Record(**json.loads(line)))
                records[record.stem] = record
    return records


def _file(folder: Path) -> Path:
    """Return where records are written down; OSError where a pipe, or a link to what is foreign, stands there."""
    file = folder / _FILE
    if file.is_symlink() or (file.exists() and not file.is_file()):
        raise OSError(f"{file} is no file")
    return file


def _sound(record: Record) -> Record:
    """Return a record whose fields are of their types, and whose stem names a file of the folder; else ValueError."""
    texts = [value for name, value in vars(record).items() if name != "summary"]
    "".join([*texts, json.dumps(record.summary, ensure_ascii=False)]).encode()  # of texts, none with half a character
    if not isinstance(record.summary, dict) or Path(record.stem).name != record.stem or "\0" in record.stem:
        raise ValueError
    return record


@for_speed_only("writing down which reports are up to date")
def add_record(folder: Path, record: Record) -> None:
    """Write down that a report has been published."""
    with _file(folder).open("a", encoding="utf-8", newline="\n") as file:
        file.write(_line(record))


@for_speed_only("writing down which reports are up to date")
def write_records(folder: Path, records: Iterable[Record]) -> None:
    """Write all records anew, one line a report."""
    lines = [_line(record) for record in sorted(records, key=lambda record: record.stem)]
    write_whole(folder / _FILE, "".join(lines).encode())


def _line(record: Record) -> str:
    return json.dumps(asdict(record), sort_keys=True) + "\n"
