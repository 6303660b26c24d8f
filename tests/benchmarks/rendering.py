"""Rendering against the naive way, as ratios in one run: ``python -m tests.benchmarks.rendering [--reports N]``.

The naive way is papermill's command and then nbconvert's, one report after the other, on the same notebook and the
same machine. Both start cold: a new Python for each call.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import psutil

from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab, workbook_file

_NAIVE = 2
"""How many reports the naive way is timed on: each takes seconds, all take the same."""

_BATCH = """
import sys
from pathlib import Path
from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import BatchOptions, ReportJob, Scripts, render_batch, run_report_jobs

number, workers, scripts, out = int(sys.argv[1]), int(sys.argv[2]), Scripts(sys.argv[3]), Path(sys.argv[4])
exports, lab = sample_exports(), sample_lab()
material = gather(exports, lab)
jobs = run_report_jobs(material, exports, lab, material.runs[:number])
more = [ReportJob(f"{n} {j.name}", j.title, j.notebook, j.parameters, j.key) for n in range(9) for j in jobs]
result = render_batch(more[:number], BatchOptions(out, workers=workers, scripts=scripts))
assert len(result.rendered) == number, result.failures
"""


@dataclass(frozen=True)
class Measured:
    """A call: wall time [s], memory of the whole tree of processes [MB], and the folder that it wrote."""

    seconds: float
    megabytes: float
    folder: Path


def run(command: list[str], folder: Path, *, watched: bool = False, refuses: bool = False) -> Measured:
    """Run a command to its end; it may say that it refused rows of the exports.

    Watched, also sum up the memory that it and its children hold (shared pages counted once); looking takes a good part
    of a core, so what is timed is not watched.
    """
    started = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak, done = [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.1):
            peak[0] = max(peak[0], _held(process.pid))

    watcher = threading.Thread(target=watch)
    if watched:
        watcher.start()
    code = process.wait()
    seconds = time.perf_counter() - started
    done.set()
    if watched:
        watcher.join()
    assert code == 0 or (refuses and code == 1), f"{command[:4]} ended with {code}"
    return Measured(seconds, peak[0], folder)


def _held(pid: int) -> float:
    try:
        tree = [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]
    except psutil.NoSuchProcess:
        return 0.0
    total = 0.0
    for process in tree:
        try:
            total += process.memory_full_info().pss / 1e6
        except (psutil.NoSuchProcess, psutil.AccessDenied):
            continue
    return total


def naive(folder: Path) -> Measured:
    """Render one report the naive way: a kernel for the notebook, then the exporter."""
    executed, words = folder / "executed.ipynb", [sys.executable, "-m"]
    ran = run([*words, "papermill", str(workbook_file("run_report")), str(executed)], folder)
    told = run([*words, "nbconvert", "--to", "html", "--no-input", str(executed)], folder)
    return Measured(ran.seconds + told.seconds, max(ran.megabytes, told.megabytes), folder)


def batch(number: int, folder: Path, *, workers: int, scripts: str = "beside", watched: bool = False) -> Measured:
    """Render some reports with labcalc in a new Python."""
    out = folder / f"{number}-{workers}-{scripts}-{watched}"
    return run([sys.executable, "-c", _BATCH, str(number), str(workers), scripts, str(out)], out, watched=watched)


def command(number: int, folder: Path, *, workers: int) -> Measured:
    """Render some reports with the command that an analyst types, in a new Python."""
    out, exports, lab = folder / f"command-{number}", sample_exports(), sample_lab()
    runs = gather(exports, lab).runs[:number]
    words = [
        str(Path(sys.executable).with_name("labcalc")),
        "report",
        *map(str, exports),
        "--lab",
        str(lab),
        "--out",
        str(out),
    ]
    words += ["--jobs", str(workers), *(word for name in runs for word in ("--run", name))]
    return run(words, out, refuses=True)


def largest(folder: Path) -> float:
    """Return the size of the largest report, [kB]."""
    return max(path.stat().st_size for path in folder.glob("*.html") if path.name != "index.html") / 1e3


def main() -> None:
    """Print every ratio with its target."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--reports", type=int, default=200, help="how many reports the long batch renders")
    wanted = words.parse_args().reports
    workers = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        slow = [naive(folder).seconds for _ in range(_NAIVE)]
        one_naive = sum(slow) / len(slow)
        one, twenty = command(1, folder, workers=1), command(20, folder, workers=workers)
        many = batch(wanted, folder, workers=workers)
        seen = batch(40, folder, workers=workers, watched=True)
        single = batch(2, folder, workers=1, scripts="inside")
        further = (many.seconds - twenty.seconds) / (wanted - 20)
        early = (twenty.seconds - one.seconds) / 19
        lines = (
            ("naive, one report", f"{one_naive:.2f} s", ""),
            ("20 reports, cold: times faster", f"{20 * one_naive / twenty.seconds:.1f}", "30 or more"),
            ("one report, cold: times faster", f"{one_naive / one.seconds:.1f}", "3 or more"),
            ("a further report: share of naive", f"1/{one_naive / further:.0f}", "1/60 or less"),
            (f"a further report, 20 to {wanted} against 1 to 20", f"{further / early:.2f}", "about 1: flat"),
            ("largest report, script beside", f"{largest(many.folder):.1f} kB", "60 kB or less"),
            ("largest report, script inside", f"{largest(single.folder) / 1e3:.2f} MB", "2.2 MB or less"),
            ("peak memory", f"{seen.megabytes:.0f} MB", f"{400 + 150 * workers} MB or less at {workers} jobs"),
        )
    for what, value, target in lines:
        print(f"{what:<48} {value:>10}   {target}")


if __name__ == "__main__":
    main()
