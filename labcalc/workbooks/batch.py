"""Many reports into one folder: only what is missing or changed, side by side, each whole or not there."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

from labcalc.errors import WorkbookError
from labcalc.workbooks.apart import stop_helpers
from labcalc.workbooks.executors import render_with
from labcalc.workbooks.fork import Answer, fork_is_safe, interrupts_held, render_forked
from labcalc.workbooks.index import write_index
from labcalc.workbooks.names import safe_stems
from labcalc.workbooks.outcome import (
    EARLIER,
    FAILED,
    RENDERED,
    UP_TO_DATE,
    WAITING,
    BatchResult,
    Outcome,
    Progress,
)
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.pdf import print_beside
from labcalc.workbooks.render import Limits, Rendering, RenderTask, task_for
from labcalc.workbooks.scripts import Scripts, provide_script
from labcalc.workbooks.state import Record, add_record, fingerprint, read_records, write_records
from labcalc.workbooks.writing import PART, write_whole

__all__ = ["ReportJob", "render_batch"]

_WINDOW = 256
"""How many reports are out at an executor at a time."""
_INDEX_EVERY_S = 5.0


@dataclass(frozen=True)
class ReportJob:
    """A report to render."""

    name: str
    """What the report is called; its file name comes from it."""
    title: str
    notebook: Path
    parameters: Mapping[str, Json]
    key: str
    """Digest of all that the notebook reads: a report whose key, settings and versions are the same is up to date,
    wherever its inputs lie; without one, the parameters stand for the inputs."""


def render_batch(
    jobs: Sequence[ReportJob],
    out: Path,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    engine: str = "labcalc",
    scripts: Scripts = Scripts.BESIDE,
    limits: Limits | None = None,
    again: bool = False,
    pdf: bool = False,
    progress: Callable[[Progress], None] | None = None,
    say: Callable[[str], None] | None = None,
) -> BatchResult:
    """Render reports and an index page into a folder.

    Whatever happens, Ctrl-C and SIGTERM too, the folder then holds whole reports and an index that is true.

    Parameters
    ----------
    jobs : sequence of ReportJob
        Different names.
    out : pathlib.Path
        The folder; made if it isn't there.
    workers : int, optional
        How many reports are rendered side by side; default: the cores.
    executor : concurrent.futures.Executor, optional
        Renders elsewhere, such as on a cluster; pages come back and are written here.
    engine : str
        ``labcalc``, or ``kernel`` for a Jupyter kernel a report.
    scripts : Scripts
        The drawing script once beside the reports, or inside each.
    limits : Limits, optional
        Of each report.
    again : bool
        Render also what is up to date.
    pdf : bool
        Print each report to PDF too.
    progress : callable, optional
        Told after each report.
    say : callable, optional
        Told in a sentence when processes can't be copied here, so that each report starts a new Python.

    Returns
    -------
    BatchResult
        One outcome a job, failures with their reasons.

    Raises
    ------
    WorkbookError
        Two jobs of one name, a notebook that can't be read, PDF wanted and no browser there.
    """
    batch = _Batch(jobs, out, engine=engine, scripts=scripts, limits=limits or Limits(), progress=progress)
    due = batch.due(again)
    with _terminated_as_interrupted():
        try:
            batch.show()
            for stem, answer in _answers(due, workers or os.cpu_count() or 1, executor, say):
                with interrupts_held():
                    batch.take(stem, answer)
            if pdf:
                print_beside(batch.pages(), workers or os.cpu_count() or 1)
        finally:
            batch.close()
    return batch.result()


def _answers(
    due: Sequence[tuple[str, RenderTask]], workers: int, executor: Executor | None, say: Callable[[str], None] | None
) -> Iterator[tuple[str, Answer]]:
    if not due:
        return
    if executor is not None:
        yield from render_with(executor, due, _WINDOW)
    elif fork_is_safe():
        yield from render_forked(due, workers)
    else:
        if say is not None:
            say("Processes can't be copied safely here, so helpers do it: slower to begin.")
        with ThreadPoolExecutor(workers) as threads:
            try:
                yield from render_with(threads, due, workers)
            finally:
                stop_helpers()


@dataclass
class _Batch:
    """The folder and what is known of each of its reports."""

    jobs: Sequence[ReportJob]
    out: Path
    engine: str
    scripts: Scripts
    limits: Limits
    progress: Callable[[Progress], None] | None
    _outcomes: dict[str, Outcome] = field(default_factory=dict)
    _prints: dict[str, str] = field(default_factory=dict)
    _began: float = field(default_factory=time.monotonic)
    _shown_at: float = 0.0
    _total: int = 0
    _done: int = 0

    def __post_init__(self) -> None:
        _refuse_equal_names(self.jobs)
        self.out.mkdir(parents=True, exist_ok=True)
        self._records = read_records(self.out)
        others = {record.stem: record.name for record in self._records.values()}
        self._stems = safe_stems([job.name for job in self.jobs], others)
        for left_over in self.out.glob(f".*{PART}"):
            left_over.unlink(missing_ok=True)

    def due(self, again: bool) -> list[tuple[str, RenderTask]]:
        """Return the tasks that are to be done, by stem."""
        due: list[tuple[str, RenderTask]] = []
        for job in self.jobs:
            stem, task = self._stems[job.name], self._task(job)
            self._prints[stem] = fingerprint(job.key, task)
            record = self._records.get(stem)
            current = (
                not again
                and record is not None
                and record.fingerprint == self._prints[stem] != ""
                and record.is_whole(self.out)
            )
            path = self.out / f"{stem}.html"
            summary = record.summary if current and record is not None else {}
            state = UP_TO_DATE if current else WAITING
            self._outcomes[stem] = Outcome(job.name, job.title, state, path, "" if current else "not yet", summary)
            if not current:
                due.append((stem, task))
        self._total = len(due)
        if self.scripts is Scripts.BESIDE and self.jobs:
            provide_script(self.out)
        return due

    def _task(self, job: ReportJob) -> RenderTask:
        words = {"engine": self.engine, "scripts": self.scripts, "limits": self.limits}
        return task_for(job.notebook, job.parameters, title=job.title, **words)  # type: ignore[arg-type]

    def take(self, stem: str, answer: Answer) -> None:
        """Publish a page, or note why there is none; an older page of that name goes."""
        outcome = self._outcomes[stem]
        if isinstance(answer, WorkbookError):
            self._records.pop(stem, None)
            outcome.path.unlink(missing_ok=True)
            outcome.path.with_suffix(".pdf").unlink(missing_ok=True)
            self._outcomes[stem] = replace(outcome, state=FAILED, reason=str(answer))
        else:
            self._publish(stem, outcome, answer)
        self._done += 1
        self._report_progress()
        if time.monotonic() - self._shown_at > _INDEX_EVERY_S:
            self.show()

    def _publish(self, stem: str, outcome: Outcome, page: Rendering) -> None:
        outcome.path.with_suffix(".pdf").unlink(missing_ok=True)
        write_whole(outcome.path, page.html)
        rendered_at = datetime.now(UTC).isoformat(timespec="seconds")
        record = Record(stem, outcome.name, outcome.title, self._prints[stem], page.digest, page.summary, rendered_at)
        add_record(self.out, record)
        self._records[stem] = record
        self._outcomes[stem] = replace(outcome, state=RENDERED, reason="", summary=page.summary)

    def _report_progress(self) -> None:
        if self.progress is not None:
            passed = time.monotonic() - self._began
            failed = sum(one.state == FAILED for one in self._outcomes.values())
            remaining = passed / self._done * (self._total - self._done)
            self.progress(Progress(self._done, self._total, failed, remaining))

    def pages(self) -> list[Path]:
        """Return the reports of this batch that are there."""
        return [one.path for one in self._outcomes.values() if one.is_there]

    def show(self) -> None:
        """Write the index as things are now."""
        write_index(self.out, [*self._outcomes.values(), *self._earlier()])
        self._shown_at = time.monotonic()

    def _earlier(self) -> Iterable[Outcome]:
        for stem, record in self._records.items():
            path = self.out / f"{stem}.html"
            if stem not in self._outcomes and path.is_file():
                yield Outcome(record.name, record.title, EARLIER, path, "", record.summary)

    def close(self) -> None:
        """Leave records and an index that are true."""
        write_records(self.out, self._records.values())
        self.show()

    def result(self) -> BatchResult:
        """Return what became of the jobs."""
        outcomes = tuple(self._outcomes[self._stems[job.name]] for job in self.jobs)
        return BatchResult(outcomes, self.out / "index.html", time.monotonic() - self._began)


def _refuse_equal_names(jobs: Sequence[ReportJob]) -> None:
    seen: set[str] = set()
    for job in jobs:
        if job.name in seen:
            raise WorkbookError(f"two reports are named '{job.name}'")
        seen.add(job.name)


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Let SIGTERM end a batch as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
