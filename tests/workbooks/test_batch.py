"""Batches: what is up to date stays, what failed is named first, an interrupt leaves whole reports and a true index."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from labcalc.errors import WorkbookError
from labcalc.workbooks import BatchOptions, BatchResult, Progress, ReportJob, Scripts, render_batch
from labcalc.workbooks.folder import scratch_prefix
from labcalc.workbooks.index import index_page
from labcalc.workbooks.options import Outcome
from tests.workbooks.conftest import Writer

SOURCE = """
class Summary:
    def _repr_mimebundle_(self, include=None, exclude=None):
        words = {"verdict": ["releasable", "needs a second look", "not releasable"][size % 3], "verdict_rank": size % 3}
        return {"application/vnd.labcalc.summary+json": words | {"line": f"Oil <{size}>."}}
if size == 99:
    raise ValueError("no such oil")
Summary()
"""


def jobs(notebook: Path, *sizes: int, key: str = "k") -> list[ReportJob]:
    return [ReportJob(f"run/{size}", f"Run {size}", notebook, {"size": size}, f"{key}{size}") for size in sizes]


def states(result: BatchResult) -> list[str]:
    return [one.state for one in result.outcomes]


def test_a_second_call_renders_what_changed(write: Writer, tmp_path: Path) -> None:
    notebook, out = write(SOURCE), tmp_path / "out"
    assert states(render_batch(jobs(notebook, 1, 2, 3), BatchOptions(out, workers=2))) == ["rendered"] * 3
    assert states(render_batch(jobs(notebook, 1, 2, 3), BatchOptions(out))) == ["up to date"] * 3
    assert states(render_batch(jobs(notebook, 1, 2, 3, key="new"), BatchOptions(out))) == ["rendered"] * 3
    (out / "run-1.html").write_text("altered", encoding="utf-8")
    (out / "run-2.html").unlink()
    assert states(render_batch(jobs(notebook, 1, 2, 3, key="new"), BatchOptions(out))) == [
        "rendered",
        "rendered",
        "up to date",
    ]
    assert states(render_batch(jobs(notebook, 3, key="new"), BatchOptions(out, scripts=Scripts.INSIDE))) == ["rendered"]
    assert states(
        render_batch(jobs(notebook, 3, key="new"), BatchOptions(out, scripts=Scripts.INSIDE, again=True))
    ) == ["rendered"]
    write(SOURCE + "\nprint(1)")
    assert states(render_batch(jobs(notebook, 3, key="new"), BatchOptions(out, scripts=Scripts.INSIDE))) == ["rendered"]


def test_failures_come_first_and_leave_no_page(write: Writer, tmp_path: Path) -> None:
    notebook, seen = write(SOURCE), list[Progress]()
    render_batch(jobs(notebook, 99), BatchOptions(tmp_path))
    result = render_batch(jobs(notebook, 0, 1, 99, 2), BatchOptions(tmp_path, workers=2, progress=seen.append))
    assert [one.name for one in result.failures] == ["run/99"]
    assert result.failures[0].reason == "small.ipynb, cell 2: ValueError: no such oil"
    assert not (tmp_path / "run-99.html").exists()
    assert sorted(one.done for one in seen) == [1, 2, 3, 4]
    assert seen[-1].remaining_seconds == 0
    index = result.index.read_text("utf-8")
    order = re.findall(r'<th scope="row">(?:<a[^>]*>)?<bdi>(run/\d+)', index)
    assert order == ["run/99", "run/2", "run/1", "run/0"]
    assert "Oil &lt;2&gt;." in index
    assert "1 could not be rendered. 3 reports: not releasable 1, needs a second look 1, releasable 1" in index


def test_a_report_that_fails_now_is_not_shown_as_it_was(write: Writer, tmp_path: Path) -> None:
    render_batch(jobs(write(SOURCE), 1), BatchOptions(tmp_path))
    assert (tmp_path / "run-1.html").exists()
    result = render_batch(jobs(write("1/0"), 1), BatchOptions(tmp_path))
    assert states(result) == ["failed"]
    assert not (tmp_path / "run-1.html").exists()


def test_earlier_reports_stay_in_the_index(write: Writer, tmp_path: Path) -> None:
    render_batch(jobs(write(SOURCE), 1), BatchOptions(tmp_path))
    result = render_batch(jobs(write(SOURCE), 2), BatchOptions(tmp_path))
    assert 'href="run-1.html"' in result.index.read_text("utf-8")
    assert len(result.outcomes) == 1


def test_same_bytes_wherever_and_however(oil: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice, in another folder, with another number of processes, from another working folder, with threads about."""
    some = [ReportJob(f"oil {n}", f"Oil {n}", oil, {"name": f"VG {n}"}, "") for n in range(3)]
    render_batch(some, BatchOptions(tmp_path / "a", workers=1))
    render_batch(some, BatchOptions(tmp_path / "a", workers=2, again=True))
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    monkeypatch.setenv("PYTHONHASHSEED", "7")
    render_batch(some, BatchOptions(Path("b"), workers=3))
    with ThreadPoolExecutor(2) as threads:  # a new Python for each report, another hash seed
        render_batch(some, BatchOptions(tmp_path / "c", executor=threads))
    pages = [
        sorted((path.name, path.read_bytes()) for path in folder.glob("oil*.html"))
        for folder in (tmp_path / "a", tmp_path / "elsewhere" / "b", tmp_path / "c")
    ]
    assert len(pages[0]) == 3
    assert pages[0] == pages[1] == pages[2]


def test_any_executor_will_do(write: Writer, tmp_path: Path) -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        result = render_batch(jobs(write(SOURCE), 1, 99), BatchOptions(tmp_path, executor=pool))
    assert states(result) == ["rendered", "failed"]


def test_an_executor_that_breaks_is_told(write: Writer, tmp_path: Path) -> None:
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    result = render_batch(jobs(write(SOURCE), 1), BatchOptions(tmp_path, executor=pool))
    assert "lost with the worker that rendered it: RuntimeError" in result.failures[0].reason


def test_two_reports_of_one_name_are_refused(write: Writer, tmp_path: Path) -> None:
    with pytest.raises(WorkbookError, match="two reports are named 'run/1'"):
        render_batch(jobs(write(SOURCE), 1, 1), BatchOptions(tmp_path))


def test_an_engine_that_there_is_not_is_refused(write: Writer, tmp_path: Path) -> None:
    with pytest.raises(WorkbookError, match="there is no engine 'kennel'; there are labcalc and kernel"):
        render_batch(jobs(write(SOURCE), 1), BatchOptions(tmp_path, engine="kennel"))


def test_an_empty_batch_has_an_index(tmp_path: Path) -> None:
    assert "0 reports" in render_batch([], BatchOptions(tmp_path)).index.read_text("utf-8")


INTERRUPTED = """
import sys
from pathlib import Path
from labcalc.workbooks import BatchOptions, ReportJob, render_batch
notebook, out = Path(sys.argv[1]), Path(sys.argv[2])
jobs = [ReportJob(f"run {n}", f"Run {n}", notebook, {"size": n}, "") for n in range(40)]
render_batch(jobs, BatchOptions(out, workers=2))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_interrupt_leaves_whole_reports_and_a_true_index(by: int, write: Writer, tmp_path: Path) -> None:
    notebook = write(SOURCE.replace("size % 3", "0"), "import time\ntime.sleep(0.2)")
    command, scratch = [sys.executable, "-c", INTERRUPTED, str(notebook), str(tmp_path)], notebook.parent
    process = subprocess.Popen(
        command,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path), "TMPDIR": str(scratch)},
    )
    until = time.monotonic() + 120
    while len(list(tmp_path.glob("run-*.html"))) < 3 and time.monotonic() < until:
        time.sleep(0.02)
    process.send_signal(by)
    assert process.wait(180) != 0
    pages = {path.name for path in tmp_path.glob("run-*.html")}
    assert 3 <= len(pages) < 40
    assert all((tmp_path / name).read_text("utf-8").endswith("</html>") for name in pages)
    index = (tmp_path / "index.html").read_text("utf-8")
    linked = set(re.findall(r'href="(run-\d+\.html)"', index))
    assert linked == pages if by != signal.SIGKILL else linked <= pages
    known = {json.loads(line)["stem"] for line in (tmp_path / ".labcalc-reports.jsonl").read_text("utf-8").splitlines()}
    assert {f"{stem}.html" for stem in known} <= pages
    assert render_batch([], BatchOptions(tmp_path)).index.is_file()
    assert not [path for path in tmp_path.iterdir() if path.name.endswith(".part")]


BESIDE_ANOTHER = """
import sys
from pathlib import Path
from labcalc.workbooks import BatchOptions, ReportJob, render_batch
notebook, out, name = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
jobs = [ReportJob(f"{name} {n}", f"Run {n}", notebook, {"size": n}, "") for n in range(6)]
render_batch(jobs, BatchOptions(out, workers=1, say=print))
"""


def of_another_process(script: str, *arguments: object, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)} | environment,
    )


def test_batches_into_one_folder_at_once_end_with_all_pages_and_one_true_index(write: Writer, tmp_path: Path) -> None:
    notebook, out = write(SOURCE, "import time\ntime.sleep(0.1)"), tmp_path / "out"
    batches = [of_another_process(BESIDE_ANOTHER, notebook, out, name) for name in ("Run", "run", "third")]
    said = [one.communicate(timeout=300)[0] for one in batches]
    assert [one.returncode for one in batches] == [0, 0, 0]
    assert sum("this one goes on when that has ended" in one for one in said) == 2
    pages = {path.name for path in out.glob("*.html")} - {"index.html"}
    assert len({name.lower() for name in pages}) == 18
    assert set(re.findall(r'href="([^"]+)"', (out / "index.html").read_text("utf-8"))) >= pages
    assert "18 reports" in (out / "index.html").read_text("utf-8")
    assert {"rendered"} == set(states(render_batch(jobs(notebook, 1), BatchOptions(out))))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes of Linux")
def test_a_killed_batch_takes_its_rendering_process_along(write: Writer, tmp_path: Path) -> None:
    mark = tmp_path / "rendering"
    cell = (
        f"import os, time\nwith open({str(mark)!r}, 'w') as file:\n    file.write(f'{{os.getpid()}} ')\ntime.sleep(600)"
    )
    killed = of_another_process(BESIDE_ANOTHER, write(SOURCE, cell), tmp_path / "out", "run", TMPDIR=str(tmp_path))

    def renders() -> bool:
        try:
            return Path(f"/proc/{mark.read_text().strip()}/stat").read_text().rpartition(") ")[2][0] != "Z"
        except OSError:
            return False

    until = time.monotonic() + 180
    while not (mark.exists() and mark.read_text().endswith(" ")) and time.monotonic() < until:
        time.sleep(0.02)
    assert renders()
    killed.kill()
    killed.communicate()
    until = time.monotonic() + 10
    while renders() and time.monotonic() < until:
        time.sleep(0.02)
    assert not renders()


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_killed_batch_leaves_no_lock_and_what_it_left_goes(
    write: Writer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notebook, out, scratch = write(SOURCE, "import time\ntime.sleep(0.5)"), tmp_path / "out", tmp_path / "scratch"
    scratch.mkdir()
    killed = of_another_process(BESIDE_ANOTHER, notebook, out, "run", TMPDIR=str(scratch))
    until = time.monotonic() + 180
    while not (list(out.glob("run-*.html")) and list(scratch.iterdir())) and time.monotonic() < until:
        killed.send_signal(signal.SIGCONT)
        time.sleep(0.02)
        killed.send_signal(signal.SIGSTOP)
    killed.kill()
    killed.communicate()
    living = scratch / f"{scratch_prefix()}living"
    living.mkdir()
    (scratch / "labcalc-notes-7-x").mkdir()
    assert len(list(scratch.iterdir())) > 2, "the batch was stopped between two reports"
    for name in (".index.html.123.part", ".run-1.123.A4.part.html", ".somebody.part"):
        (out / name).write_text("half", encoding="utf-8")
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    assert states(render_batch(jobs(notebook, 1), BatchOptions(out))) == ["rendered"]
    assert {path.name for path in scratch.iterdir()} == {living.name, "labcalc-notes-7-x"}
    assert {path.name for path in out.glob(".*part*")} == {".somebody.part"}


def test_files_that_labcalc_did_not_make_stay(write: Writer, tmp_path: Path) -> None:
    notebook, said = write(SOURCE), list[str]()
    theirs = {"index.html": "<p>mine</p>", "run-1.html": "<p>notes</p>", "run-2.pdf": "a scan", "other.html": ""}
    for name, text in theirs.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    for again in (False, True):
        result = render_batch(jobs(notebook, 1, 2, 99), BatchOptions(tmp_path, say=said.append, again=again))
        assert states(result) == ["rendered", "rendered", "failed"]
        assert {name: (tmp_path / name).read_text("utf-8") for name in theirs} == theirs
    assert result.index.name == "reports-index-1.html"
    assert not {path.name for path in result.paths} & {"run-1.html", "run-2.html"}
    assert said[0] == (
        "Not made by labcalc, and left as it is: index.html, run-1.html, run-2.pdf; reports go beside it."
    )
    assert len({path.name for path in tmp_path.glob("*.html")}) == 3 + 2 + 1


def test_index_counts_as_people_do(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    some = [Outcome(f"HX {n}", "", "rendered", tmp_path / f"{n}.html") for n in (10, 2, 1)]
    page = index_page(some, datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC))
    assert re.findall(r">(HX \d+)</bdi></a></th>", page) == ["HX 1", "HX 2", "HX 10"]
    assert "2026-01-02 03:04:05 (UTC+0000)" in page


def test_what_several_runs_of_a_day_point_to_is_said_once(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    warm = {"day": "VD-1 on 2026-03-19", "cause": "the cell was not at its temperature"}
    wet = {**warm, "cause": "solvent left in the cell"}
    other = {**warm, "day": "VD-2 on 2026-03-19"}
    named = (("R 10", warm), ("R 2", warm), ("R 5", wet), ("R 3", other), ("R 6", other), ("R 4", {}))
    some = [Outcome(name, "", "rendered", tmp_path / f"{name}.html", summary=told) for name, told in named]
    page = index_page(some, datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC))
    assert page.count("One cause may stand behind them") == 1
    assert "VD-1 on 2026-03-19: 3 runs point to the cell or the instrument (R 2, R 5, R 10; the cell" in page
    assert "temperature: 2; solvent left in the cell: 1)" in page
