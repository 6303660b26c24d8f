"""What a folder of reports knows of itself, so that a second call renders only what changed.

One JSON line a report in ``.labcalc-reports.jsonl``; the last line of a report counts, a torn line counts nothing.
"""

import hashlib
import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import labcalc
from labcalc.workbooks.lean import for_speed_only
from labcalc.workbooks.rendering import RenderTask
from labcalc.workbooks.scripts import plotly_script_name
from labcalc.writing import write_whole

_FILE = ".labcalc-reports.jsonl"
_LIBRARIES = ("ipython", "mistune", "numpy", "pandas", "papermill", "plotly", "scipy")


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
