"""What can be simulated of Windows and macOS: no fork, no modules of POSIX, other encodings, names that clash there.

Nothing of it was ever run on these systems; README says so.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import labcalc
from tests.hostile.test_net import GOOD

LAB = '[laboratory]\nname = "Ölprüfstelle"\ntime_zone = "Europe/Lisbon"\n'
RECORD = '[record]\nfile = "r.db"\n'
WITHOUT = """
import os, sys, warnings
for name in ("fcntl", "pwd", "grp", "resource", "termios", "readline", "syslog"):
    sys.modules[name] = None
for name in ("fork", "forkpty", "mkfifo", "geteuid", "getuid", "setsid", "killpg"):
    delattr(os, name)
import multiprocessing
multiprocessing.set_start_method("spawn", force=True)
from labcalc.workbooks import fork
fork.fork_is_safe = lambda: False
warnings.filterwarnings("error", category=EncodingWarning, module="labcalc")
from labcalc.cli import main
main(sys.argv[1:])
"""
"""Modules and calls that Windows lacks are gone; a file that is opened by the encoding of the system is an error."""


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    system = {**os.environ, "PYTHONIOENCODING": "cp1252:backslashreplace", "PYTHONUTF8": "0", "LC_ALL": "C"}
    command = [sys.executable, "-X", "warn_default_encoding", "-c", WITHOUT, *words]
    return subprocess.run(command, capture_output=True, cwd=folder, env=system, check=False, encoding="cp1252")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    rows = GOOD.format("für Ångström") + "con,2026-03-02 11:00,40,15.02,838.9,\nCON,2026-03-03 12:00,40,15.03,838.8,\n"
    (tmp_path / "x.csv").write_text(rows, "utf-8")
    (tmp_path / "lab.toml").write_text(LAB, "utf-8")
    return tmp_path


COMMANDS = [
    "read x.csv --json",
    "read x.csv --to t.csv",
    "read x.csv --to t.xlsx",
    "read x.csv --propose",
    "init x.csv",
    "check --lab lab.toml",
    "record add x.csv --lab lab.toml --by Ann",
    "record verify --lab lab.toml",
]


def test_commands_without_posix(folder: Path) -> None:
    (folder / "lab.toml").write_text(LAB + RECORD, "utf-8")
    for words in COMMANDS:
        done = run(folder, *words.split())
        assert done.returncode in (0, 1), (words, done.stderr)
        assert "Traceback" not in done.stderr
        assert "not foreseen" not in done.stderr
        if words.endswith("--json"):
            assert json.loads(done.stdout)["rows"][0]["remark"].startswith("für Ångström")


@pytest.mark.slow
def test_reports_without_fork_or_locks_of_posix(folder: Path) -> None:
    """Processes are started anew, locks are files; names that are reserved, or one but for case, are told apart."""
    done = run(folder, "report", "x.csv", "--lab", "lab.toml", "--out", "out", "--jobs", "2")
    assert "Traceback" not in done.stderr
    assert done.returncode == 0, done.stderr
    pages = [path.stem for path in (folder / "out").glob("*.html")]
    assert len({name.lower() for name in pages}) == len(pages) == 4
    assert not {"con", "prn", "aux", "nul"} & {name.lower().partition(".")[0] for name in pages}
    assert not [name for name in pages if name.endswith((".", " ")) or set(name) & set('<>:"/\\|?*')]
    there = {path: path.read_bytes() for path in (folder / "out").glob("*.html") if path.stem != "index"}
    command = [sys.executable, "-m", "labcalc", "report", "x.csv", "--lab", "lab.toml", "--out", "forked"]
    assert subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 0
    assert {path: (folder / "forked" / path.name).read_bytes() for path in there} == there


def test_stubs_are_read_by_the_encoding_of_the_system() -> None:
    """lazy_loader opens them without naming one: a Greek letter in one would keep labcalc from starting on Windows."""
    stubs = sorted(Path(labcalc.__file__).parent.rglob("*.pyi"))
    assert stubs
    assert [path for path in stubs if not path.read_bytes().isascii()] == []
