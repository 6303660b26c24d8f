"""Rendering on a cluster against rendering here, as ratios: ``python -m tests.benchmarks.cluster [--pairs N]``.

The cluster is a scheduler and two workers on this machine; the same command runs with and without ``--cluster``, in
turn. Times are the CPU's of all processes that take part, workers and their children too, and the clock's beside them.
The first pair has workers that have rendered nothing yet, so it holds their start; the further pairs hold none.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

from labcalc.judgement import gather
from labcalc.shipped import sample_exports, sample_lab
from tests.benchmarks.timing import children_cpu_seconds

_WORKERS = 2


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Start a scheduler and its workers on loopback; its address, and all the processes."""
    file, environment = folder / "scheduler.json", os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}

    def start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-W", "ignore", "-m", *words, "--scheduler-file", str(file), "--host", "127.0.0.1"]
        return subprocess.Popen(
            command, env=environment, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    processes = [start("distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard", "--no-show")]
    for _ in range(_WORKERS):
        processes.append(start("distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", "--no-dashboard"))
    try:
        until = time.monotonic() + 60
        while not file.is_file() and time.monotonic() < until:
            time.sleep(0.1)
        yield json.loads(file.read_text("utf-8"))["address"], processes
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait()


def used_by(processes: list[subprocess.Popen[bytes]]) -> float:
    """Return the CPU time of running processes, of their children, and of those that their children waited for, [s]."""
    tops = [psutil.Process(one.pid) for one in processes]
    times = [one.cpu_times() for top in tops for one in (top, *top.children(recursive=True))]
    return float(sum(one.user + one.system + one.children_user + one.children_system for one in times))


def render(number: int, out: Path, *more: str) -> tuple[float, float]:
    """Run the command on some runs of the sample exports; CPU time of what it waited for and time of the clock, [s]."""
    exports, lab = sample_exports(), sample_lab()
    words = [sys.executable, "-m", "labcalc", "report", *map(str, exports), "--lab", str(lab), "--out", str(out)]
    words += [word for run in gather(exports, lab).runs[:number] for word in ("--run", run)]
    used, began = children_cpu_seconds(), time.perf_counter()
    code = subprocess.run(
        [*words, "--jobs", str(_WORKERS), *more], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False
    ).returncode
    assert code in (0, 1), f"the command ended with {code}"
    return children_cpu_seconds() - used, time.perf_counter() - began


def digests(folder: Path) -> dict[str, str]:
    """Return the digest of each report in a folder, by its name."""
    pages = [path for path in folder.glob("*.html") if path.name != "index.html"]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in pages}


def main() -> None:
    """Print each pair's ratio and, of those without a start, the median."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--reports", type=int, default=73, help="how many reports a call renders")
    words.add_argument("--pairs", type=int, default=3, help="pairs after the first")
    wanted = words.parse_args()
    ratios = []
    with tempfile.TemporaryDirectory() as name, cluster(Path(name)) as (address, processes):
        for number in range(wanted.pairs + 1):
            near, far, before = Path(name) / f"near-{number}", Path(name) / f"far-{number}", used_by(processes)
            cpu, clock = render(wanted.reports, far, "--cluster", address)
            cpu += used_by(processes) - before
            here_cpu, here_clock = render(wanted.reports, near)
            assert len(digests(near)) == wanted.reports
            assert digests(near) == digests(far), "the cluster's pages have other bytes"
            ratio = cpu / here_cpu, clock / here_clock
            ratios += [ratio] * (number > 0)
            print(
                f"{'with' if number == 0 else 'without'} the workers' start: CPU {cpu:.1f} s against {here_cpu:.1f} s, "
                f"{ratio[0]:.2f} ×; clock {clock:.1f} s against {here_clock:.1f} s, {ratio[1]:.2f} ×",
                flush=True,
            )
    if ratios:
        by_cpu, by_clock = (statistics.median(column) for column in zip(*ratios, strict=True))
        print(f"{wanted.reports} reports, the same bytes: CPU {by_cpu:.2f} ×, clock {by_clock:.2f} ×; 1.3 × or less")


if __name__ == "__main__":
    main()
