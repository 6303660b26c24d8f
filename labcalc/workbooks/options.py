"""How reports are rendered: what was chosen, as one thing from the command line down to the last report."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from labcalc.workbooks.scripts import Scripts

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from labcalc.workbooks.outcome import Progress

ENGINES = LABCALC, KERNEL = "labcalc", "kernel"
"""What runs the cells of a notebook: labcalc itself, or a Jupyter kernel for each report, slower."""


@dataclass(frozen=True)
class Limits:
    """What one report may take."""

    cell_seconds: float = 120.0  # longest time of a cell, [s]
    report_seconds: float = 600.0  # longest time of a report, [s]
    memory_bytes: int = 3 << 30  # most memory beyond what the process starts with, [B]; kept where the system can


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
    executor: Executor | None = None  # renders elsewhere; pages come back and are written here
    cluster: str | None = None  # address of a dask.distributed scheduler that renders instead of this machine
    progress: Callable[[Progress], None] | None = None  # told after each report
    record: Callable[[Sequence[Mapping[str, str]]], Mapping[str, str]] | None = None
    """Told which pages there are, as ``labcalc.lab.add_pages`` takes them; returns what is to be kept of each."""
    say: Callable[[str], None] | None = None
    """Told in a sentence when processes can't be copied here, so that each report starts a new Python."""

    @property
    def side_by_side(self) -> int:
        """How many reports are rendered side by side, [-]."""
        return self.workers or os.cpu_count() or 1
