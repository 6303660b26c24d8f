"""What became of each report of a batch."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

FAILED, WAITING, RENDERED, UP_TO_DATE, EARLIER = "failed", "not rendered", "rendered", "up to date", "earlier"
"""States of a report."""


@dataclass(frozen=True)
class Outcome:
    """One report."""

    name: str
    title: str
    state: str
    """``rendered``, ``up to date``, ``failed``, ``not rendered`` (interrupted before), ``earlier`` (another batch)."""
    path: Path  # where the report lies, or would
    reason: str = ""  # why there is no report
    summary: dict[str, Any] = field(default_factory=dict)

    @property
    def is_there(self) -> bool:
        """Whether there is a whole report."""
        return self.state in (RENDERED, UP_TO_DATE, EARLIER)


@dataclass(frozen=True)
class BatchResult:
    """A batch that came to its end."""

    outcomes: tuple[Outcome, ...]  # one a job, in the order of the jobs
    index: Path
    seconds: float  # wall time, [s]

    def followed_by(self, other: BatchResult) -> BatchResult:
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
        return tuple(one for one in self.outcomes if one.state == RENDERED)

    @property
    def failures(self) -> tuple[Outcome, ...]:
        """Those that aren't there, each with its reason."""
        return tuple(one for one in self.outcomes if one.state == FAILED)


@dataclass(frozen=True)
class Progress:
    """How far a batch is."""

    done: int
    total: int  # reports to render; those that are up to date don't count
    failed: int
    remaining_seconds: float | None  # estimate from the time so far, [s]; None before the first report
