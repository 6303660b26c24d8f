"""Killed, crowded, out of room: the record verifies, what was acknowledged is there, and nothing is there twice."""

from __future__ import annotations

import hashlib
import os
import random
import resource
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing, suppress
from functools import partial
from itertools import count
from pathlib import Path

import pytest

from labcalc.errors import RecordError
from labcalc.judgement import gather
from labcalc.lab import (
    Laboratory,
    add_decision,
    add_exports,
    add_pages,
    checked_decisions,
    find_entries,
    load_laboratory,
    read_record,
    record_head,
    verify_record,
)
from labcalc.lab.record.database import database_of
from labcalc.lab.record.journal import LATEST, append, head_of
from labcalc.workbooks import BatchOptions, render_batch, run_report_jobs
from tests.lab.record.conftest import LAB, export_files, lab_with

KILLS = int(os.environ.get("LABCALC_KILLS", "50"))
"""Of each of four: adding and deciding on either database, deciding in the file, rendering reports: 200 together."""
ROWS = 60


def in_a_child(work: Callable[[int], None]) -> tuple[int, int]:
    """Run in a process of its own; return its number and where its acknowledgements can be read."""
    end, beginning = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(end)
            work(beginning)
            code = 0
        finally:
            os._exit(code)
    os.close(beginning)
    return child, end


def acknowledged(end: int) -> list[str]:
    with os.fdopen(end, "rb") as pipe:
        return pipe.read().decode().split()


@pytest.mark.slow
def test_killed_at_random_moments(laboratory: Laboratory, tmp_path: Path) -> None:
    rest = export_files(tmp_path / "exports", 6 * KILLS, ROWS)
    there: set[str] = set()
    dice = random.Random(15)

    def work(beginning: int) -> None:
        for n, one in enumerate(add_exports(laboratory, rest, who="Inês")):
            os.write(beginning, f"{one.path.name}\n".encode())
            if n % 2:
                add_decision(laboratory, who="Inês", what="conclusion", why="seen", run=one.path.name)
                os.write(beginning, f"decided:{one.path.name}\n".encode())

    killed = 0
    while killed < KILLS and rest:
        child, end = in_a_child(work)
        time.sleep(dice.uniform(0.002, 0.12))
        os.kill(child, signal.SIGKILL)
        killed += os.waitpid(child, 0)[1] == signal.SIGKILL
        there |= set(acknowledged(end))
        if not there:
            continue
        assert verify_record(laboratory)[1] is None
        names = [one.content["name"] for one in find_entries(laboratory, kind="export")]
        assert len(names) == len(set(names)), "nothing twice"
        said = {f"decided:{one.run}" for one in checked_decisions(laboratory).decisions}
        assert there <= {*names, *said}, "what was acknowledged is there"
        rest = [file for file in rest if file.name not in there]
    assert rest, "there was work for each"
    list(add_exports(laboratory, [tmp_path / "exports"], who="Inês"))
    table = read_record(laboratory).table
    assert len(table) == 6 * KILLS * ROWS == table["sample"].nunique()


@pytest.mark.slow
def test_killed_while_deciding_without_a_database(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    laboratory, dice, there = load_laboratory(tmp_path / "lab.toml"), random.Random(16), set[str]()

    def work(beginning: int) -> None:
        for n in count():
            run = f"R{os.getpid()}-{n}"
            add_decision(laboratory, who="Inês", what="accept", why="x" * 5000, run=run)
            os.write(beginning, f"{run}\n".encode())

    killed = 0
    while killed < KILLS or len(there) <= KILLS:
        child, end = in_a_child(work)
        if killed % 2:  # there is something to lose, however slow the machine is
            select.select([end], [], [], 60.0)
        time.sleep(dice.uniform(0.002, 0.08))
        os.kill(child, signal.SIGKILL)
        killed += os.waitpid(child, 0)[1] == signal.SIGKILL
        there |= set(acknowledged(end))
        decided = checked_decisions(laboratory)
        runs = [one.run for one in decided.decisions]
        assert len(runs) == len(set(runs)), "nothing twice"
        assert there <= set(runs), "what was acknowledged is there"
        assert [one.problem for one in decided.unusable if "torn" not in one.problem] == [], "the chain holds"


@pytest.mark.slow
def test_killed_while_reporting(tmp_path: Path) -> None:
    """Every page is whole, and named by the record with its digest, at the latest after the next call."""
    laboratory = lab_with(tmp_path)
    files, dice = export_files(tmp_path / "exports", 1), random.Random(17)
    list(add_exports(laboratory, files, who="Inês"))
    lab, out = tmp_path / "lab.toml", tmp_path / "out"

    def render(beginning: int = -1) -> None:
        jobs = run_report_jobs(gather(files, lab), tuple(files), lab)
        tell = partial(add_pages, laboratory, who="Inês")
        render_batch(jobs, BatchOptions(out, workers=1, again=beginning >= 0, record=tell))
        if beginning >= 0:
            os.write(beginning, b"done")

    def named() -> set[tuple[str, str]]:
        pages = (page for one in find_entries(laboratory, kind="report") for page in one.content["pages"])
        return {(page["stem"], page["sha256"]) for page in pages}

    def lying() -> set[tuple[str, str]]:
        pages = [path for path in out.glob("[!.]*.html") if path.stem != "index"]
        return {(path.stem, hashlib.sha256(path.read_bytes()).hexdigest()) for path in pages}

    render()
    killed, finished, began = 0, 0, time.monotonic()
    child, end = in_a_child(render)
    os.waitpid(child, 0)
    assert acknowledged(end) == ["done"]
    longest = 1.3 * (time.monotonic() - began)
    while killed < KILLS or not finished:  # one that ends before it can be killed: the last moments were reached
        before = len(find_entries(laboratory, kind="report"))
        child, end = in_a_child(render)
        time.sleep(dice.uniform(0.2, 1.0) * longest)
        os.kill(child, signal.SIGKILL)
        killed += os.waitpid(child, 0)[1] == signal.SIGKILL
        done = acknowledged(end) == ["done"]
        finished += done
        longest *= 1.0 + 0.2 * (killed > KILLS)  # the machine has become slower
        assert verify_record(laboratory)[1] is None
        assert len(find_entries(laboratory, kind="report")) - before >= done, "what was acknowledged is there"
        if killed % 10 == 0:
            render()
            assert lying() <= named()
    render()
    assert lying() <= named()
    assert len(lying()) == 3


def test_eight_processes_at_once(laboratory: Laboratory, tmp_path: Path) -> None:
    files = export_files(tmp_path / "exports", 16)

    def work(first: int) -> Callable[[int], None]:
        mine = [files[(first + n) % len(files)] for n in range(6)]

        def add(beginning: int) -> None:
            for one in add_exports(laboratory, mine, who=f"bench {first}"):
                os.write(beginning, f"{one.path.name}:{one.is_new}\n".encode())

        return add

    children = [in_a_child(work(2 * number)) for number in range(8)]
    assert [os.waitpid(child, 0)[1] for child, _ in children] == [0] * 8
    said = [line for _, end in children for line in acknowledged(end)]
    assert len(said) == 48
    assert sorted(line for line in said if line.endswith(":True")) == [f"{file.name}:True" for file in files]
    head, fault = verify_record(laboratory)
    assert (head.entries, fault) == (LATEST + 16, None)
    assert len(read_record(laboratory).table) == 48


@pytest.mark.slow
def test_a_disk_that_is_full_at_each_write(tmp_path: Path) -> None:
    """The operating system refuses to let any file grow beyond a limit that rises page by page."""
    laboratory = lab_with(tmp_path)
    first, second = export_files(tmp_path / "exports", 2, 400)
    list(add_exports(laboratory, [first], who="Inês"))
    record, before = tmp_path / "record.sqlite", record_head(laboratory)
    outcomes = set()
    for limit in range(4096, record.stat().st_size + (1 << 17), 8192):

        def work(beginning: int, limit: int = limit) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
            try:
                list(add_exports(laboratory, [second], who="Inês"))
                os.write(beginning, b"added")
            except RecordError as error:
                os.write(beginning, error.problem.replace(" ", "_").encode())

        child, end = in_a_child(work)
        assert os.waitpid(child, 0)[1] == 0
        (outcome,) = acknowledged(end)
        outcomes.add(outcome)
        head, fault = verify_record(laboratory)
        assert fault is None
        with closing(sqlite3.connect(record)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        if outcome == "added":
            assert head.entries == before.entries + 1
            break
        assert head == before
    assert "added" in outcomes
    assert outcomes & {"database_or_disk_is_full", "disk_I/O_error"}
    assert [one.is_new for one in add_exports(laboratory, [second], who="Inês")] == [False]


def test_restored_from_a_copy_it_goes_on(tmp_path: Path) -> None:
    laboratory = lab_with(tmp_path)
    first, second = export_files(tmp_path / "exports", 2)
    list(add_exports(laboratory, [first], who="Inês"))
    shutil.copy(tmp_path / "record.sqlite", tmp_path / "copy")
    list(add_exports(laboratory, [second], who="Inês"))
    shutil.copy(tmp_path / "copy", tmp_path / "record.sqlite")
    assert [one.is_new for one in add_exports(laboratory, [first, second], who="Inês")] == [False, True]
    assert verify_record(laboratory)[1] is None


def test_a_reader_sees_one_moment_while_another_writes(laboratory: Laboratory, tmp_path: Path) -> None:
    list(add_exports(laboratory, export_files(tmp_path / "exports", 1), who="Inês"))
    database = database_of(laboratory)
    with database.writing() as writer:
        append(writer, kind="note", who="Inês", content={})
        before = record_head(laboratory)
        assert before.entries == LATEST + 1, "readers aren't held up by a writer who isn't done, nor see half of it"
    with database.reading() as reader:
        assert head_of(reader).entries == LATEST + 2
    with suppress(KeyboardInterrupt), database.writing() as writer:
        append(writer, kind="note", who="Inês", content={})
        raise KeyboardInterrupt
    assert record_head(laboratory).entries == LATEST + 2


def test_the_commands_that_need_no_record_do_not_load_sqlalchemy(tmp_path: Path) -> None:
    (file,) = export_files(tmp_path / "exports", 1)
    commands = (["--help"], ["record", "--help"], ["read", str(file)], ["report", str(file), "--out", str(tmp_path)])
    code = f"""
import sys
from labcalc.cli import main
for words in {commands!r}:
    try:
        main(words)
    except SystemExit as end:
        assert end.code in (0, None), end.code
print([name for name in ("sqlalchemy", "psycopg") if name in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1] == "[]", done.stderr
