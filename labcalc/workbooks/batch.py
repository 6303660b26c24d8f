"""Many reports into one folder: only what is missing or changed, side by side, each whole or not there."""

import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from itertools import chain, count
from pathlib import Path

from labcalc.errors import WorkbookError
from labcalc.workbooks import folder
from labcalc.workbooks.apart import cluster_executor, render_with, stop_helpers
from labcalc.workbooks.fork import Answer, fork_is_safe, interrupts_held, render_forked
from labcalc.workbooks.index import write_index
from labcalc.workbooks.jobs import ReportJob, job_task
from labcalc.workbooks.options import BatchOptions, BatchResult, Outcome, Progress
from labcalc.workbooks.page import Scripts, provide_script
from labcalc.workbooks.parameters import Json
from labcalc.workbooks.pdf import print_beside
from labcalc.workbooks.rendering import Rendering, RenderTask
from labcalc.writing import write_whole

_WINDOW = 256  # how many reports are out at an executor at a time
_INDEX_EVERY_S = 5.0


def render_batch(jobs: Sequence[ReportJob], options: BatchOptions) -> BatchResult:
    """Render reports and an index page into a folder: one outcome a job, failures with their reasons.

    Whatever happens, Ctrl-C and SIGTERM too, the folder then holds whole reports and an index that is true.
    WorkbookError: two jobs of one name, a notebook that can't be read, an engine that there isn't, no scheduler at the
    address, PDF wanted and no browser there.
    """
    with (
        cluster_executor(options.cluster) if options.cluster else nullcontext(options.executor) as executor,
        folder.one_writer(options.out, options.say),
    ):
        batch = _Batch(jobs, options)
        with folder.as_ctrl_c("SIGTERM"):
            try:
                batch.show()
                for stem, answer in _answers(batch, executor, options):
                    with interrupts_held():
                        batch.take(stem, answer)
                if options.pdf:
                    print_beside(batch.pages(), options.side_by_side)
            finally:
                batch.close()
        return batch.result()


def _answers(batch: "_Batch", executor: Executor | None, options: BatchOptions) -> Iterator[tuple[str, Answer]]:
    tasks = batch.due()
    if executor is not None:
        yield from render_with(executor, tasks, _WINDOW)
    elif fork_is_safe():
        yield from render_forked(tasks, options.side_by_side, more=len(batch.jobs) > 1)
    else:
        if options.say is not None:
            options.say("Processes can't be copied safely here, so helpers do it: slower to begin.")
        with ThreadPoolExecutor(options.side_by_side) as threads:
            try:
                yield from render_with(threads, tasks, options.side_by_side)
            finally:
                stop_helpers()


@dataclass
class _Batch:
    """The folder and what is known of each of its reports."""

    jobs: Sequence[ReportJob]
    options: BatchOptions
    _outcomes: dict[str, Outcome] = field(default_factory=dict)
    _prints: dict[str, str] = field(default_factory=dict)
    _began: float = field(default_factory=time.monotonic)
    _shown_at: float = 0.0
    _done: int = 0

    def __post_init__(self) -> None:
        counts = Counter(job.name for job in self.jobs)
        if twice := next((name for name, count in counts.items() if count > 1), None):
            raise WorkbookError(f"two reports are named '{twice}'")
        self.out = self.options.out
        folder.clear_left_overs(self.out)
        self._records = folder.read_records(self.out)
        names = {record.stem: record.name for record in self._records.values()}
        foreign = folder.others_files(self.out, frozenset(names))
        names_of_index = chain(["index"], (f"reports-index-{number}" for number in count(1)))
        self._index = self.out / f"{next(one for one in names_of_index if one not in foreign)}.html"
        earlier = {name: stem for stem, name in names.items()}
        self._stems = folder.safe_stems([job.name for job in self.jobs], names | dict.fromkeys(foreign, ""))
        self._known = {name: folder.safe_stem(name) for name in self.options.to_come} | earlier | self._stems
        self._leave(foreign)
        for job in self.jobs:
            page = self._waiting(job)
            if (record := self._records.get(page.path.stem)) and page.path.is_file():
                page = replace(page, state=Outcome.EARLIER, reason="", summary=record.summary)
            self._outcomes[page.path.stem] = page

    def _leave(self, foreign: Mapping[str, Path]) -> None:
        """Say which files that labcalc didn't make are in the way of a name, and stay."""
        wanted = {"index", *(folder.safe_stem(job.name).lower() for job in self.jobs)}
        kept = sorted(path.name for stem, path in foreign.items() if stem.lower() in wanted)
        if kept and self.options.say is not None:
            self.options.say(f"Not made by labcalc, and left as it is: {', '.join(kept)}; reports go beside it.")

    def due(self) -> Iterator[tuple[str, RenderTask]]:
        """Yield the tasks that are to be done, by stem; each is looked up when it is asked for."""
        if self.options.scripts is Scripts.BESIDE and self.jobs:
            provide_script(self.out)
        for job in self.jobs:
            stem, whole = self._stems[job.name], job.whole()
            task = self._task(whole)
            self._prints[stem] = folder.fingerprint(whole.key, task)
            record = None if self.options.again else self._records.get(stem)
            is_same = record is not None and record.fingerprint == self._prints[stem] != ""
            if record and is_same and record.is_whole(self.out):
                page = replace(self._waiting(job), state=Outcome.UP_TO_DATE, reason="", summary=record.summary)
                self._outcomes[stem] = page
            else:
                self._outcomes[stem] = self._waiting(job)
                yield stem, task

    def _waiting(self, job: ReportJob) -> Outcome:
        return Outcome(job.name, job.title, Outcome.WAITING, self.out / f"{self._stems[job.name]}.html", "not yet")

    def _task(self, job: ReportJob) -> RenderTask:
        links = {} if job.links is None else {"links": {"all reports": self._index.name, **self._ways(job.links)}}
        return job_task(replace(job, parameters={**job.parameters, **links}), self.options)

    def _ways(self, links: Mapping[str, str]) -> dict[str, Json]:
        """Return the links to what is in the folder or will be, as its files are named."""
        known = [(label, name) for label, name in links.items() if name in self._known]
        said = [label if label.replace(" ", "-", 1) == name else f"{label}: {name}" for label, name in known]
        return {words: f"{self._known[name]}.html" for words, (_, name) in zip(said, known, strict=True)}

    def take(self, stem: str, answer: Answer) -> None:
        """Publish a page, or note why there is none; an older page of that name goes."""
        outcome = self._outcomes[stem]
        if isinstance(answer, WorkbookError):
            self._records.pop(stem, None)
            outcome.path.unlink(missing_ok=True)
            outcome.path.with_suffix(".pdf").unlink(missing_ok=True)
            self._outcomes[stem] = replace(outcome, state=Outcome.FAILED, reason=str(answer))
        else:
            self._publish(stem, outcome, answer)
        self._done += 1
        if self.options.progress is not None:
            self.options.progress(self._progress())
        if time.monotonic() - self._shown_at > _INDEX_EVERY_S:
            self.show()

    def _publish(self, stem: str, outcome: Outcome, page: Rendering) -> None:
        outcome.path.with_suffix(".pdf").unlink(missing_ok=True)
        write_whole(outcome.path, page.html)
        record = folder.Record(stem, outcome.name, outcome.title, self._prints[stem], page.digest, page.summary)
        folder.add_record(self.out, record)
        self._records[stem] = record
        self._outcomes[stem] = replace(outcome, state=Outcome.RENDERED, reason="", summary=page.summary)

    def _progress(self) -> Progress:
        total = len(self.jobs) - sum(one.state == Outcome.UP_TO_DATE for one in self._outcomes.values())
        return Progress(self._done, total, (time.monotonic() - self._began) / self._done * (total - self._done))

    def pages(self) -> list[Path]:
        """Return the reports of this batch that are there."""
        return [one.path for one in self._outcomes.values() if one.is_there]

    def show(self) -> None:
        """Write the index as things are now."""
        outcomes = [*self._outcomes.values(), *self._earlier()]
        write_index(self._index, outcomes, self.options.exports, self.options.time_zone)
        self._shown_at = time.monotonic()

    def _earlier(self) -> Iterator[Outcome]:
        for stem, record in self._records.items():
            path = self.out / f"{stem}.html"
            if stem not in self._outcomes and path.is_file():
                yield Outcome(record.name, record.title, Outcome.EARLIER, path, "", record.summary)

    def close(self) -> None:
        """Leave records and an index that are true; the laboratory's record takes pages that it doesn't name yet."""
        folder.write_records(self.out, self._records.values())
        self.show()
        if self.options.record is None:
            return
        own = [self._records[stem] for stem in self._outcomes if stem in self._records]
        pages = [{"stem": one.stem, "inputs": one.fingerprint, "sha256": one.digest, "entry": one.entry} for one in own]
        entered = self.options.record(pages)
        self._records |= {stem: replace(self._records[stem], entry=entry) for stem, entry in entered.items()}
        if entered:
            folder.write_records(self.out, self._records.values())

    def result(self) -> BatchResult:
        """Return what became of the jobs."""
        outcomes = tuple(self._outcomes[self._stems[job.name]] for job in self.jobs)
        return BatchResult(outcomes, self._index, time.monotonic() - self._began)
