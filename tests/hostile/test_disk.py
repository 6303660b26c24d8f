"""What an ordinary user may not do, full disks, files that change while they are read: a line, nothing half."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.lab import earlier_export_files, load_laboratory
from tests.hostile.test_net import GOOD

pytestmark = pytest.mark.skipif(os.name == "nt", reason="users and limits are told otherwise there")
NOBODY = 65534
HEAD = '[laboratory]\nname = "X"\ntime_zone = "Europe/Lisbon"\n'
LAB = f'{HEAD}[record]\nfile = "r.db"\n'


def run(*words: object) -> Result:
    return CliRunner().invoke(main, list(map(str, words)))


@contextlib.contextmanager
def as_an_ordinary_user() -> Iterator[None]:
    """Let root be somebody to whom permissions apply; another user is one already."""
    if os.geteuid() != 0:
        yield
        return
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


@pytest.fixture
def folder() -> Iterator[Path]:
    """Yield a folder that another user reaches, with an export, a lab.toml and a record."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        (folder / "x.csv").write_text(GOOD.format(""), "utf-8")
        (folder / "lab.toml").write_text(LAB, "utf-8")
        assert run("record", "add", folder / "x.csv", "--lab", folder / "lab.toml", "--by", "Ann").exit_code == 0
        assert run("report", folder / "x.csv", "--lab", folder / "lab.toml", "--out", folder / "first").exit_code < 2
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


FORBIDDEN = {
    "x.csv": (0o000, "read {0}/x.csv", "x.csv: the file can't be read: Permission denied"),
    "lab.toml": (0o000, "read {0}/x.csv --lab {0}/lab.toml", "lab.toml: the file can't be read: Permission denied"),
    "r.db": (0o000, "record verify --lab {0}/lab.toml", "r.db: unable to open database file"),
    ".": (0o555, "read {0}/x.csv --to {0}/t.csv", "t.csv: the file can't be written: Permission denied"),
    "./": (0o555, "report {0}/x.csv --lab {0}/lab.toml --out {0}/out", "out: Permission denied"),
    "././": (0o555, "record add {0}/y.csv --lab {0}/lab.toml --by Ann", "r.db: attempt to write a readonly database"),
    "first": (0o555, "report {0}/x.csv {0}/y.csv --lab {0}/lab.toml --out {0}/first", "Permission denied"),
}
"""What is taken away from whom by mode, the command, and what it says."""


@pytest.mark.parametrize("name", FORBIDDEN)
def test_what_an_ordinary_user_may_not(name: str, folder: Path) -> None:
    mode, words, told = FORBIDDEN[name]
    (folder / "y.csv").write_text(GOOD.format("again"), "utf-8")
    (folder / name).chmod(mode)
    there = sorted(folder.rglob("*"))
    with as_an_ordinary_user():
        result = run(*words.format(folder).split())
    assert result.exit_code == 2
    assert "not foreseen" not in result.stderr
    assert told in result.stderr.splitlines()[-1]
    assert sorted(folder.rglob("*")) == there


LIMITED = """
import resource, sys
from labcalc.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
main(sys.argv[2:])
"""


@pytest.mark.parametrize(
    "words",
    [
        "read {0}/x.csv --to {0}/t.csv",
        "read {0}/x.csv --to {0}/t.xlsx",
        "report {0}/x.csv --lab {0}/lab.toml --out {0}/out",
        "record add {0}/y.csv --lab {0}/lab.toml --by Ann",
    ],
)
def test_files_that_may_not_grow(words: str, folder: Path) -> None:
    """A limit of a process' files stands for a disk that is full: what was there stays as it was."""
    (folder / "y.csv").write_text(GOOD.format("again"), "utf-8")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "60", *words.format(folder).split()],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "not foreseen" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith(f"labcalc: {folder}")
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert {path: after[path] for path in before} == before
    assert all(path.name.startswith(".") for path in after.keys() - before)


def test_an_export_that_grows_while_it_is_read(folder: Path) -> None:
    """What is read is a beginning of the file, by its digest; a line that is cut is refused, no other."""
    path, row, stop = folder / "x.csv", GOOD.format("").splitlines()[1] + "\n", threading.Event()

    def grow() -> None:
        with path.open("a", encoding="utf-8") as file:
            for _ in range(20_000):
                file.write(row)
                if stop.is_set():
                    return

    writer = threading.Thread(target=grow)
    writer.start()
    try:
        results = [run("read", path, "--json") for _ in range(3)]
    finally:
        stop.set()
        writer.join()
    content = path.read_bytes()
    for result in results:
        assert result.exit_code in (0, 1)
        (source,) = json.loads(result.stdout)["files"]
        assert source["rows_refused"] <= 1
        lines = content.split(b"\n")
        ends = {hashlib.sha256(content[:end]).hexdigest() for end in range(0, len(content) + 1, 4096)}
        whole = {hashlib.sha256(b"\n".join(lines[: source["rows_read"] + 1]) + b"\n").hexdigest()}
        assert source["sha256"] in ends | whole | {hashlib.sha256(content).hexdigest()}


def test_the_limit_is_one(folder: Path) -> None:
    """A check that can fail: without a limit the same command writes its file."""
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    assert run("read", folder / "x.csv", "--to", folder / "t.csv").exit_code == 0


@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "link"])
@pytest.mark.parametrize("name", ["decisions.jsonl", "first/.labcalc-reports.jsonl", "first/index.html"])
def test_what_stands_in_the_place_of_a_file(name: str, kind: str, folder: Path) -> None:
    """Nothing waits for ever for its end, and what a link leads to stays as it was."""
    path, precious = folder / name, folder / "precious.txt"
    precious.write_text("precious", "utf-8")
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero" if kind == "device" else precious)
    command = [sys.executable, "-m", "labcalc", "report", "x.csv", "--lab", "lab.toml", "--out", "first"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode in ((1, 2) if name.startswith("d") else (0,))
    assert "Traceback" not in done.stderr
    assert "not foreseen" not in done.stderr
    assert precious.read_text("utf-8") == "precious"


def test_a_number_of_an_entry_that_no_record_holds(folder: Path) -> None:
    result = run("record", "show", 10**23, "--lab", folder / "lab.toml")
    assert result.exit_code == 2
    assert "not foreseen" not in result.stderr


@pytest.mark.parametrize("pattern", ["/**/*.csv", "/**", "../../../../../../**/x.csv"])
def test_a_pattern_of_a_whole_disk(pattern: str, folder: Path) -> None:
    (folder / "lab.toml").write_text(f'{HEAD}earlier_exports = ["{pattern}"]\n', "utf-8")
    result = run("month", "2026-03", "--lab", folder / "lab.toml", "--out", folder / "o")
    assert result.exit_code == 2
    assert f"'{pattern}' fits a whole disk" in result.stderr


def test_links_that_lead_back_are_not_followed(folder: Path) -> None:
    """Each of three links to its own folder would double what is looked through, at each of 40 depths."""
    for name in "abc":
        (folder / name).symlink_to(".")
    (folder / "lab.toml").write_text(f'{HEAD}earlier_exports = ["**/*.csv"]\n', "utf-8")
    assert earlier_export_files(load_laboratory(folder / "lab.toml")) == (folder / "x.csv",)
