"""Rendering on a real scheduler with two workers on loopback, one of them killed in mid-batch."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.workbooks import BatchOptions, Progress, ReportJob, render_batch
from labcalc.workbooks.apart import cluster_executor

WORDS = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers; the address and the workers' processes."""
    pytest.importorskip("distributed", reason="dask.distributed isn't installed")
    file, environment = tmp_path / "scheduler.json", os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}

    def start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-W", "ignore", "-m", *words, "--scheduler-file", str(file), "--host", "127.0.0.1"]
        return subprocess.Popen(command, env=environment, cwd=tmp_path, **WORDS)  # type: ignore[call-overload,no-any-return]

    scheduler = start("distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard", "--no-show")
    workers = [start("distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", "--no-dashboard") for _ in "12"]
    try:
        until = time.monotonic() + 180
        while not file.is_file() and time.monotonic() < until:
            time.sleep(0.1)
        yield json.loads(file.read_text("utf-8"))["address"], workers
    finally:
        for process in [*workers, scheduler]:
            process.kill()
            process.wait()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_lost_worker_loses_no_report(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], oil: Path, tmp_path: Path
) -> None:
    address, workers = cluster
    jobs = [ReportJob(f"run {n}", f"Run {n}", oil, {"name": f"VG {n}"}, "") for n in range(8)]
    seen: list[int] = []

    def kill_one(progress: Progress) -> None:
        seen.append(progress.done)
        if progress.done == 2:
            workers[0].kill()

    with cluster_executor(address, workers=2) as executor:
        result = render_batch(jobs, BatchOptions(tmp_path / "far", executor=executor, progress=kill_one))
    assert [one.state for one in result.outcomes] == ["rendered"] * 8
    assert seen == [1, 2, 3, 4, 5, 6, 7, 8]
    render_batch(jobs[:2], BatchOptions(tmp_path / "near"))
    render_batch(jobs[:2], BatchOptions(tmp_path / "address", cluster=address))
    for name in ("run-0.html", "run-1.html"):
        near = (tmp_path / "near" / name).read_bytes()
        assert near == (tmp_path / "far" / name).read_bytes() == (tmp_path / "address" / name).read_bytes()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_an_address_without_a_scheduler_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="dask.distributed isn't installed")
    monkeypatch.setattr("labcalc.workbooks.apart._CONNECT_S", 1)
    with (
        pytest.raises(WorkbookError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"),
        cluster_executor("tcp://127.0.0.1:9"),
    ):
        pass


def test_without_dask_the_way_out_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WorkbookError, match=r"pip install 'labcalc\[cluster\]'"), cluster_executor("tcp://host:1"):
        pass
