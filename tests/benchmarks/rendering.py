"""Rendering against the naive way, as ratios in one run: ``python -m tests.benchmarks.rendering [--reports N]``.

The naive way is papermill's command and then nbconvert's, one report after the other, on the same notebook and the
same machine. Both start cold: a new Python for each call. Times are the CPU's, of all processes of a call, the least of
some calls; the clock's stand beside them for a machine that does nothing else, where several cores help labcalc.
"""

from __future__ import annotations

import argparse
import compileall
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import psutil

import labcalc
from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab, workbook_file
from tests.benchmarks.timing import children_cpu_seconds

_ROUNDS = 2
"""How often each call is made, and how many reports the naive way is timed on."""

_BATCH = """
import sys
from dataclasses import replace
from pathlib import Path
from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab
from labcalc.workbooks import BatchOptions, Scripts, render_batch, run_report_jobs

number, workers, scripts, out = int(sys.argv[1]), int(sys.argv[2]), Scripts(sys.argv[3]), Path(sys.argv[4])
exports, lab = sample_exports(), sample_lab()
material = gather(exports, lab)
jobs = run_report_jobs(material, exports, lab, material.runs[:number])
more = [replace(job, name=f"{n} {job.name}") for n in range(9) for job in jobs]
result = render_batch(more[:number], BatchOptions(out, workers=workers, scripts=scripts))
assert len(result.rendered) == number, result.failures
"""


@dataclass(frozen=True)
class Measured:
    """A call: CPU time of all its processes and time of the clock [s], memory [MB], and the folder that it wrote."""

    cpu: float
    clock: float
    megabytes: float
    folder: Path


def run(command: list[str], folder: Path, *, watched: bool = False, refuses: bool = False) -> Measured:
    """Run a command to its end; it may say that it refused rows of the exports.

    Watched, also sum up the memory that it and its children hold (shared pages counted once); looking takes a good part
    of a core, so what is timed is not watched.
    """
    used, started = children_cpu_seconds(), time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak, done = [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.1):
            peak[0] = max(peak[0], _held(process.pid))

    watcher = threading.Thread(target=watch)
    if watched:
        watcher.start()
    code = process.wait()
    cpu, clock = children_cpu_seconds() - used, time.perf_counter() - started
    done.set()
    if watched:
        watcher.join()
    assert code == 0 or (refuses and code == 1), f"{command[:4]} ended with {code}"
    return Measured(cpu, clock, peak[0], folder)


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
    return Measured(ran.cpu + told.cpu, ran.clock + told.clock, max(ran.megabytes, told.megabytes), folder)


def least(call: Callable[[Path], Measured], folder: Path) -> Measured:
    """Make a call some times, each into a folder of its own; return the one that took least of the CPU, with the least
    time of the clock."""
    folders = [folder / str(number) for number in range(_ROUNDS)]
    for one in folders:
        one.mkdir(parents=True)
    calls = [call(one) for one in folders]
    best = min(calls, key=lambda one: one.cpu)
    return replace(best, clock=min(one.clock for one in calls))


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


def ratios(times: dict[str, float], wanted: int) -> dict[str, tuple[float, str]]:
    """Return what is compared, with its target, for one kind of time."""
    naive, early = times["naive"], (times["twenty"] - times["one"]) / 19
    further = (times["many"] - times["some"]) / (wanted - wanted // 2)
    return {
        "naive, one report, [s]": (naive, ""),
        "20 reports, cold: times faster": (20 * naive / times["twenty"], "30 or more by the clock"),
        "one report, cold: times faster": (naive / times["one"], "3 or more"),
        "a further report: naive ones in its time": (naive / further, "60 or more by the clock"),
        f"a further report, {wanted // 2} to {wanted} against 1 to 20": (further / early, "about 1: flat"),
    }


def main() -> None:
    """Print every ratio with its target."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--reports", type=int, default=60, help="how many reports the long batch renders")
    wanted = words.parse_args().reports
    compileall.compile_dir(Path(labcalc.__file__).parent, quiet=1)  # as an installation does
    workers = os.cpu_count() or 1
    print(f"CPU time, the least of {_ROUNDS} calls; in brackets the clock's, with {workers} jobs for the batches, on a")
    print(f"machine with {os.getloadavg()[0]:.1f} processes running before: unless near 0, the clock tells of them")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        calls = {
            "naive": least(naive, folder / "naive"),
            "one": least(lambda out: command(1, out, workers=1), folder / "one"),
            "twenty": least(lambda out: command(20, out, workers=workers), folder / "twenty"),
            "some": least(lambda out: batch(wanted // 2, out, workers=workers), folder / "some"),
            "many": least(lambda out: batch(wanted, out, workers=workers), folder / "many"),
        }
        seen = batch(40, folder, workers=workers, watched=True)
        single = batch(2, folder, workers=1, scripts="inside")
        sizes = (
            ("largest report, script beside", f"{largest(calls['many'].folder):.1f} kB", "60 kB or less"),
            ("largest report, script inside", f"{largest(single.folder) / 1e3:.2f} MB", "2.2 MB or less"),
            ("peak memory", f"{seen.megabytes:.0f} MB", f"{400 + 150 * workers} MB or less at {workers} jobs"),
        )
    by_cpu = ratios({name: one.cpu for name, one in calls.items()}, wanted)
    by_clock = ratios({name: one.clock for name, one in calls.items()}, wanted)
    times = ((what, f"{value:.3g} ({by_clock[what][0]:.3g})", target) for what, (value, target) in by_cpu.items())
    for what, value, target in (*times, *sizes):
        print(f"{what:<48} {value:>16}   {target}")


if __name__ == "__main__":
    main()
