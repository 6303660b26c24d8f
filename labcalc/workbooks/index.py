"""The index page of a folder of reports: quality pages on top, then every run, the newest day first."""

import re
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from labcalc.wording import counted
from labcalc.workbooks.options import Outcome
from labcalc.workbooks.page import build_page, inert_json, keep_units, own_script
from labcalc.writing import write_whole

_CSS = ("releasable", "second-look", "not-releasable")
_AT_FIRST = 300  # rows that stand on the page without a script; more would make a phone wait
_LONGEST, _AGAIN = 150, 70  # letters of a reason in a row, and of one that an earlier row has whole
_FACTS = ("measured", "sample", "product", "instrument", "operator")


def write_index(path: Path, outcomes: Sequence[Outcome], exports: Sequence[str], time_zone: str) -> None:
    """Write the index page; the time of writing stands here and in no report."""
    now = datetime.now().astimezone(ZoneInfo(time_zone) if time_zone else None)
    page = index_page(outcomes, now.replace(microsecond=0), exports)
    write_whole(path, page.encode("utf-8"))


def index_page(outcomes: Sequence[Outcome], written_at: datetime, exports: Sequence[str] = ()) -> str:
    """Return the index page; ``exports``: what was read of them and what not, in sentences."""
    runs = sorted((one for one in outcomes if _is_of_a_run(one)), key=_as_counted)
    runs.sort(key=lambda one: (one.state == one.FAILED, one.state == one.WAITING, _day(one), _rank(one)), reverse=True)
    firsts = {one.summary.get("line"): one for one in reversed(runs)}
    rows = [_row(one, again=firsts[one.summary.get("line")] is not one) for one in runs]
    script, policy = own_script("index.js")
    said = [*_shared(runs), *(f"{line[0].upper()}{line[1:]}." for line in exports if line)]
    quality = [_row(one) for one in sorted(outcomes, key=_as_counted) if not _is_of_a_run(one)]
    words: dict[str, Any] = {"title": "Reports", "totals": _totals(runs), "exports": said, "quality": quality}
    words |= {"written_at": written_at.isoformat(), "shown_at": f"{written_at:%Y-%m-%d %H:%M:%S (UTC%z)}"}
    words |= {"rows": rows[:_AT_FIRST], "total": len(rows), "data": inert_json(rows)}
    return build_page("index.html.j2", script=script, policy=policy, **words)


def _is_of_a_run(one: Outcome) -> bool:
    return not (one.summary.get("quality") and one.is_there)


_FEWEST = 3  # runs of an instrument's day from which one cause is thought of: two come by chance now and then


def _shared(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Say once what several runs of an instrument's day point to."""
    days: dict[str, list[Outcome]] = {}
    for one in sorted(outcomes, key=_as_counted):
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


def _as_counted(one: Outcome) -> list[tuple[int, str]]:
    """Return a key that puts HX 2 before HX 10."""
    return [(int(digits or 0), text) for text, digits in re.findall(r"(\D*)(\d*)", one.name)]


def _day(one: Outcome) -> str:
    return str(one.summary.get("measured", ""))[:10]


def _rank(one: Outcome) -> int:
    rank = one.summary.get("verdict_rank", 0)
    return int(rank) if isinstance(rank, int | float) and 0 <= rank <= 2 else 0


def _row(one: Outcome, *, again: bool = False) -> dict[str, str]:
    """Return the facts of a report as text; what failed says why. ``again``: a row before it gives the same reason."""
    pdf = one.path.with_suffix(".pdf")
    facts = {name: str(one.summary.get(name, "")) if one.is_there else "" for name in _FACTS}
    return {
        **facts,
        "sample": facts["sample"] or one.name,
        "name": one.name,
        "title": one.title or one.name,
        "href": one.path.name if one.is_there else "",
        "pdf": pdf.name if one.is_there and pdf.is_file() else "",
        "verdict": "no report" if one.state == Outcome.FAILED else str(one.summary.get("verdict", "")) or one.state,
        "css": "failed" if one.state == Outcome.FAILED else _CSS[_rank(one)] if one.is_there else "not-checked",
        "line": _short(one.summary.get("line", "")) if one.is_there else one.reason,
        "brief": _short(one.summary.get("line", ""), _AGAIN) if again and one.is_there else "",
        "to_do": _short(one.summary.get("to_do", "")) if one.is_there else "",
    }


def _short(words: object, longest: int = _LONGEST) -> str:
    """Cut a sentence where a row ends; the report has it whole."""
    return keep_units(textwrap.shorten(str(words), longest, placeholder=" …"))


def _totals(runs: Sequence[Outcome]) -> str:
    counts = Counter(one.state for one in runs)
    states = (Outcome.RENDERED, Outcome.UP_TO_DATE, Outcome.EARLIER, Outcome.WAITING)
    parts = [f"{counts[state]} {state}" for state in states if counts[state]]
    there = [one for one in runs if one.is_there]
    verdicts = Counter(str(one.summary.get("verdict", "")) for one in sorted(there, key=_rank, reverse=True))
    told = ", ".join(f"{verdict} {number}" for verdict, number in verdicts.items() if verdict)
    failed = f"{counts[Outcome.FAILED]} could not be rendered. " if counts[Outcome.FAILED] else ""
    made = f" ({', '.join(parts)})" if counts[Outcome.EARLIER] < len(runs) else ""
    return f"{failed}{counted(len(there), 'report')}{f': {told}' if told else ''}{made}."
