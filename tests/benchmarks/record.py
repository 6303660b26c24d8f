"""The record: adding, verifying, knowing again, a day and a month on it.

``python -m tests.benchmarks.record [DETERMINATIONS [ENTRIES]]``. CPU time of the process. Seen on two cores, with
626,000 determinations (five years of forty samples a day on six instruments, each at two temperatures) and ten
million entries: 70,000 rows added a second, of which reading takes 40 %; the record has 0.5 times the bytes of the
export; verified in 4.2 µs a row, and in 23 µs an entry (19 µs of an eighth as many), SQLite's own check of the file
included, in less than 300 MB; recalled in 1.4 µs a row. The first page of a day takes 2.6 s on one instrument and 2.8
s on six: each run is looked up when its turn comes. ``labcalc month``, start of the program and its page included,
takes 10.2 to 11.1 s and 526 MB on a day on which the naive report of ``tests.benchmarks.rendering`` took 6.5 s
instead of 5.5 s. Without a number the determinations are a sixth of that.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pandas as pd

from labcalc.exports import read_export, write_table
from labcalc.judgement import gather, judge
from labcalc.lab import add_exports, load_laboratory, read_record, record_head, verify_record
from labcalc.lab.record.chain import linked
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import LATEST, entry_text, head_of, now, opened
from labcalc.shipped import sample_lab
from labcalc.workbooks import run_report_jobs
from tests.benchmarks.month import history
from tests.benchmarks.reader import NARROW, wide

FILES = 10_000
_TOGETHER = 100_000
"""Entries of one transaction, [-]."""

_WATCHED = """
import os, subprocess, sys
_, code, used = os.wait4(subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL).pid, 0)
print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
sys.exit(os.waitstatus_to_exitcode(code) not in (0, 1))
"""
"""Runs a command and prints its CPU time, [s], and most memory, [MB], in a process of its own: this one's memory would
count as the command's."""


def cpu(work: Callable[[], object]) -> float:
    """Return the CPU time of one call, [s]."""
    began = time.process_time()
    work()
    return time.process_time() - began


def laboratory_in(folder: Path, text: str = '[laboratory]\nname = "L"\ntime_zone = "Europe/Lisbon"\n') -> Path:
    """Write a lab.toml that names a record and return it."""
    (folder / "lab.toml").write_text(f'{text}\n[record]\nfile = "record.sqlite"\n', encoding="utf-8")
    return folder / "lab.toml"


def adding(folder: Path, rows: int) -> float:
    """Say how quickly one long export is read, added, verified and recalled; return the time to verify a row, [µs]."""
    laboratory = load_laboratory(laboratory_in(folder))
    export = folder / "export.csv"
    export.write_text("".join(wide(rows)), encoding="utf-8")
    read = cpu(lambda: read_export(export))
    added = cpu(lambda: list(add_exports(laboratory, [export], who="bench")))
    verified, recalled = cpu(lambda: verify_record(laboratory)), cpu(lambda: read_record(laboratory))
    print(
        f"{rows:,} rows: added {rows / added:,.0f} a second (50,000 wanted), of which reading takes {read / added:.0%}"
    )
    print(f"  verified {rows / verified:,.0f} a second, recalled {rows / recalled:,.0f} a second")
    size = (folder / "record.sqlite").stat().st_size / export.stat().st_size
    print(f"  the record has {size:.1f} times the bytes of the export")
    return verified / rows * 1e6


def entries(folder: Path, number: int) -> float:
    """Say how quickly entries without rows are added and verified, and in what memory; return the time of one, [µs]."""
    laboratory = load_laboratory(laboratory_in(folder))

    database = opened(laboratory, may_create=True)
    for first in range(0, number, _TOGETHER):
        with database.writing() as connection:
            connection.add("entries", _chained(connection, range(first, min(first + _TOGETHER, number))))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    verified, peak = cpu(lambda: verify_record(laboratory)), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{number:,} entries: verified in {verified / number * 1e6:.1f} µs an entry, in", end=" ")
    print(f"{peak / 1024:.0f} MB at most, {(peak - before) / 1024:.0f} MB beyond what adding had", flush=True)
    return verified / number * 1e6


def _chained(connection: Connection, numbers: range) -> Iterator[tuple[int, str, str, str, None, str, str, str]]:
    """Yield entries as ``append`` writes them, without asking for the head before each."""
    head, at = head_of(connection), now()
    previous, first = head.digest, head.entries + 1 - numbers.start
    for n in numbers:
        text = entry_text(first + n, at, "bench", "note", None, {"n": n})
        digest = linked(previous, text)
        yield first + n, at, "bench", "note", None, text, previous, digest
        previous = digest


def knowing_again(folder: Path) -> None:
    """Say how long it takes to know many files that are in the record."""
    laboratory = load_laboratory(laboratory_in(folder))
    exports = folder / "exports"
    exports.mkdir()
    for n in range(FILES):
        (exports / f"{n}.csv").write_text(f"{NARROW}S{n};2026-03-02;40;15.0;838.9;\n", encoding="utf-8")
        os.utime(exports / f"{n}.csv", (1_700_000_000, 1_700_000_000))
    added = cpu(lambda: list(add_exports(laboratory, [exports], who="bench")))
    began = time.monotonic()
    known = cpu(lambda: list(add_exports(laboratory, [exports], who="bench")))
    print(f"{FILES:,} files of a row added in {added:.1f} s; known again in {known:.2f} s of CPU,", end=" ")
    print(f"{time.monotonic() - began:.2f} s by the clock (2 s wanted)")
    assert record_head(laboratory).entries == FILES + LATEST
    print(f"  verified in {cpu(lambda: verify_record(laboratory)):.1f} s")


def month(folder: Path, determinations: int) -> None:
    """Say what a month takes on a long record, and the most memory that it held."""
    lab = laboratory_in(folder, Path(sample_lab()).read_text("utf-8"))
    one = history(determinations // 12, read_export(*_one_export(folder)).table.columns)
    parts = (one.assign(run=f"{n}-" + one["run"], instrument=f"VD-{1 + n // 2}") for n in range(12))
    table = pd.concat(parts).sort_values("measured_at", kind="stable", ignore_index=True)
    del one
    write_table(table, folder / "history.csv")
    del table
    list(add_exports(load_laboratory(lab), [folder / "history.csv"], who="bench"))
    day(folder, lab)
    command = [sys.executable, "-m", "labcalc", "month", "2026-03", "--lab", str(lab), "--out", str(folder / "pages")]
    seconds, megabytes = subprocess.run(
        [sys.executable, "-c", _WATCHED, *command], stdout=subprocess.PIPE, text=True, check=True
    ).stdout.split()
    print(
        f"{determinations:,} determinations: `labcalc month` took {float(seconds):.1f} s of CPU (10 s wanted for",
        end=" ",
    )
    print(f"626,000), at most {float(megabytes):.0f} MB (600 wanted)", flush=True)


def day(folder: Path, lab: Path) -> None:
    """Say what one day's reports take until the first page is judged: of all instruments, and of one."""
    with (folder / "history.csv").open(encoding="utf-8") as file:
        header, *rows = file
    last = [row.replace("2026-03-31", "2026-04-01").replace("-r", "-d") for row in rows if "2026-03-31" in row]
    del rows
    for name, some in (("six instruments", last), ("one", [row for row in last if ",VD-1," in row])):
        export = folder / "day.csv"
        export.write_text("".join([header, *some]), encoding="utf-8")
        if (child := os.fork()) == 0:
            seconds = cpu(partial(_first_page, export, lab))
            print(f"the {len(some) // 2} runs of a day on {name}: {seconds:.1f} s to the first page", flush=True)
            os._exit(0)
        os.waitpid(child, 0)


def _first_page(export: Path, lab: Path) -> None:
    material = gather([export], lab)
    first = run_report_jobs(material, (export,), lab)[0].whole()
    judge(material.dossier(first.name))


def _one_export(folder: Path) -> list[Path]:
    (folder / "one.csv").write_text(f"{NARROW}S1;2026-03-02;40;15.0;838.9;\n", encoding="utf-8")
    return [folder / "one.csv"]


def main() -> None:
    """Print all figures."""
    determinations = int(sys.argv[1]) if len(sys.argv) > 1 else 104_000
    with tempfile.TemporaryDirectory() as name:
        folders = [Path(name) / part for part in ("few", "many", "files", "month", "few entries", "many entries")]
        for folder in folders:
            folder.mkdir()
        number = int(sys.argv[2]) if len(sys.argv) > 2 else determinations
        few, many = entries(folders[4], number // 8), entries(folders[5], number)
        print(f"time to verify an entry of eight times as many: {many / few:.2f} (1 wanted)")
        few, many = adding(folders[0], determinations // 8), adding(folders[1], determinations)
        print(f"time to verify a row of eight times as many: {many / few:.2f} (1 wanted)")
        knowing_again(folders[2])
        month(folders[3], determinations)


if __name__ == "__main__":
    main()
