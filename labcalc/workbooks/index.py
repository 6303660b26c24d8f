"""The index page of a folder of reports: failures first, then months, then the worst verdict first."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any

from labcalc.wording import counted
from labcalc.workbooks.outcome import EARLIER, FAILED, RENDERED, UP_TO_DATE, WAITING, Outcome
from labcalc.workbooks.page import build_page, keep_units
from labcalc.workbooks.writing import write_whole

_CSS = ("releasable", "second-look", "not-releasable")


def index_names() -> Iterator[str]:
    """Yield the names that an index page may have; the first is taken that is no file of somebody else's."""
    yield "index"
    yield from (f"reports-index-{number}" for number in count(1))


def write_index(path: Path, outcomes: Sequence[Outcome], exports: Sequence[str] = ()) -> None:
    """Write the index page; the time of writing stands here and in no report."""
    page = index_page(outcomes, datetime.now().astimezone().replace(microsecond=0), exports)
    write_whole(path, page.encode("utf-8"))


def index_page(outcomes: Sequence[Outcome], written_at: datetime, exports: Sequence[str] = ()) -> str:
    """Return the index page; ``exports``: what was read of them and what not, in sentences."""
    ranked = sorted(outcomes, key=_rank)
    return build_page(
        "index.html.j2",
        title="Reports",
        totals=_totals(outcomes),
        exports=[*_shared(outcomes), *(f"{line[0].upper()}{line[1:]}." for line in exports if line)],
        written_at=written_at.isoformat(),
        shown_at=written_at.strftime("%Y-%m-%d %H:%M:%S (UTC%z)"),
        rows=[_row(one) for one in ranked],
    )


_FEWEST = 3
"""Runs of an instrument's day from which one cause behind them is thought of: two come by chance now and then."""


def _shared(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Say once what several runs of an instrument's day point to."""
    days: dict[str, list[Outcome]] = {}
    for one in sorted(outcomes, key=lambda one: _as_counted(one.name)):
        if one.is_there and "day" in one.summary:
            days.setdefault(str(one.summary["day"]), []).append(one)
    for day, these in days.items():
        if len(these) >= _FEWEST:
            causes = Counter(str(one.summary["cause"]) for one in these)
            told = "; ".join(f"{cause}: {number}" for cause, number in causes.most_common())
            runs = ", ".join(one.name for one in these)
            yield (
                f"{day}: {len(these)} runs point to the cell or the instrument ({runs}; {told}). One cause may stand "
                "behind them: see to its temperature and cleaning first, then measure them again."
            )


def _rank(one: Outcome) -> tuple[bool, bool, bool, float, list[tuple[int, str]]]:
    of_a_run = "month" not in one.summary
    return one.state != FAILED, one.state != WAITING, of_a_run, -_verdict_rank(one), _as_counted(one.name)


def _as_counted(name: str) -> list[tuple[int, str]]:
    """Return a key that puts HX 2 before HX 10."""
    return [(int(digits or 0), text) for text, digits in re.findall(r"(\D*)(\d*)", name)]


def _verdict_rank(one: Outcome) -> float:
    rank = one.summary.get("verdict_rank", 0)
    return float(rank) if isinstance(rank, int | float) else 0.0


def _row(one: Outcome) -> dict[str, Any]:
    pdf = one.path.with_suffix(".pdf")
    verdict = str(one.summary.get("verdict", "")) if one.is_there else ""
    return {
        "name": one.name,
        "title": one.title,
        "href": one.path.name if one.is_there else "",
        "pdf": pdf.name if one.is_there and pdf.is_file() else "",
        "verdict": verdict if one.state != FAILED else "no report",
        "css": _CSS[min(int(_verdict_rank(one)), 2)] if one.state != FAILED else "failed",
        "line": keep_units(str(one.summary.get("line", ""))) if one.is_there else one.reason,
        "state": one.state,
    }


def _totals(outcomes: Sequence[Outcome]) -> str:
    counts = Counter(one.state for one in outcomes)
    parts = [f"{counts[state]} {state}" for state in (RENDERED, UP_TO_DATE, EARLIER, WAITING) if counts[state]]
    there = sum(one.is_there for one in outcomes)
    worst_first = sorted((one for one in outcomes if one.is_there), key=_verdict_rank, reverse=True)
    verdicts = Counter(str(one.summary.get("verdict", "")) for one in worst_first)
    told = ", ".join(f"{verdict} {count}" for verdict, count in verdicts.items() if verdict)
    failed = f"{counts[FAILED]} could not be rendered. " if counts[FAILED] else ""
    made = f" ({', '.join(parts)})" if parts else ""
    return f"{failed}{counted(there, 'report')}{f': {told}' if told else ''}{made}."
