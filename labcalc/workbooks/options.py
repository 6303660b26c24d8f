"""What is asked of a batch of reports, from the command line down to the last report, and what became of each."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labcalc.workbooks.page import Scripts

if TYPE_CHECKING:
    from concurrent.futures import Executor

ENGINES = LABCALC, KERNEL = "labcalc", "kernel"  # what runs the cells: labcalc itself, or a Jupyter kernel, slower


@dataclass(frozen=True)
class Limits:
    """What one report may take."""

    cell_seconds: float = 120.0  # longest time of a cell, [s]
    report_seconds: float = 600.0  # longest time of a report, [s]
    memory_bytes: int = 3 << 30  # most memory beyond what the process starts with, [B]; kept where the system can


@dataclass(frozen=True)
class Progress:
    """How far a batch is."""

    done: int
    total: int  # reports to render; those that are up to date don't count
    remaining_seconds: float  # estimate from the time so far, [s]


@dataclass(frozen=True)
class BatchOptions:
    """How a folder of reports is rendered."""

    out: Path  # the folder; made if it isn't there
    workers: int | None = None  # how many reports are rendered side by side, [-]; none: one a core
    again: bool = False  # render also what is up to date
    engine: str = LABCALC  # one of ``ENGINES``
    scripts: Scripts = Scripts.BESIDE  # the drawing script once beside the reports, or inside each
    limits: Limits = field(default_factory=Limits)  # of each report
    exports: tuple[str, ...] = ()  # what was read, refused and left out of the exports, in sentences for the index
    to_come: tuple[str, ...] = ()  # names of reports that the next batch brings: these lead to them already
    time_zone: str = ""  # in which the index says when it was written; empty: this machine's
    pdf: bool = False  # print each report to PDF too
    executor: "Executor | None" = None  # renders elsewhere; pages come back and are written here
    cluster: str | None = None  # address of a dask.distributed scheduler that renders instead of this machine
    progress: Callable[[Progress], None] | None = None  # told after each report
    record: Callable[[Sequence[Mapping[str, str]]], Mapping[str, str]] | None = None
    """Told which pages there are, as ``labcalc.lab.add_pages`` takes them; returns what is to be kept of each."""
    say: Callable[[str], None] | None = None  # told in a sentence what waits, stays, or is slower here

    @property
    def side_by_side(self) -> int:
        """How many reports are rendered side by side, [-]."""
        return self.workers or os.cpu_count() or 1


@dataclass(frozen=True)
class Outcome:
    """One report."""

    FAILED, WAITING, RENDERED, UP_TO_DATE, EARLIER = "failed", "not rendered", "rendered", "up to date", "earlier"
    name: str
    title: str
    state: str  # one of these; ``not rendered``: interrupted before; ``earlier``: of another batch
    path: Path  # where the report lies, or would
    reason: str = ""  # why there is no report
    summary: dict[str, Any] = field(default_factory=dict)

    @property
    def is_there(self) -> bool:
        """Whether there is a whole report."""
        return self.state in (self.RENDERED, self.UP_TO_DATE, self.EARLIER)


@dataclass(frozen=True)
class BatchResult:
    """A batch that came to its end."""

    outcomes: tuple[Outcome, ...]  # one a job, in the order of the jobs
    index: Path
    seconds: float  # wall time, [s]

    def followed_by(self, other: "BatchResult") -> "BatchResult":
        """Return this batch and one after it into the same folder as one."""
        return BatchResult((*self.outcomes, *other.outcomes), other.index, self.seconds + other.seconds)

    @property
    def reports(self) -> tuple[Outcome, ...]:
        """Those that are there, rendered now or up to date."""
        return tuple(one for one in self.outcomes if one.is_there)

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where those lie that are there."""
        return tuple(one.path for one in self.reports)

    @property
    def rendered(self) -> tuple[Outcome, ...]:
        """Those that were rendered now."""
        return tuple(one for one in self.outcomes if one.state == one.RENDERED)

    @property
    def failures(self) -> tuple[Outcome, ...]:
        """Those that aren't there, each with its reason."""
        return tuple(one for one in self.outcomes if one.state == one.FAILED)
