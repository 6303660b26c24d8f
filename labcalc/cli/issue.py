"""``labcalc report --issued``: the reports of named runs, dated, kept in the record as they are handed out."""

from __future__ import annotations

import getpass
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from labcalc.cli.words import say, tell
from labcalc.errors import RecordError

if TYPE_CHECKING:
    from labcalc.judgement import Dossier, Material
    from labcalc.workbooks import BatchOptions, ReportJob


@dataclass(frozen=True)
class ToIssue:
    """What was asked for."""

    day: date
    amends: str  # number of the report that is amended; empty: none
    changed: str  # what changed since that one


def to_issue(day: date | None, amends: str, changed: str, runs: Sequence[str]) -> ToIssue | None:
    """Return what is to be issued, or None; what doesn't go together is refused."""
    if bool(amends) != bool(changed):
        raise click.UsageError("--amends NUMBER and --changed TEXT are given together")
    if day is None:
        if amends:
            raise click.UsageError("--amends needs --issued YYYY-MM-DD")
        return None
    if not runs or (amends and len(runs) > 1):
        raise click.UsageError(f"say with --run which {'one run' if amends else 'runs'} the report is issued of")
    return ToIssue(day, amends, changed)


def issue_reports(material: Material, jobs: Sequence[ReportJob], asked: ToIssue, options: BatchOptions) -> int:
    """Issue a report a job: keep it in the record first, then write it; one that is held already is written only."""
    from labcalc.lab import Issue, add_issued, export_bytes, issued_report
    from labcalc.workbooks import page_of, put_page, safe_stem

    laboratory = material.laboratory
    for job in (one.whole() for one in jobs):
        dossier = material.dossier(job.name)
        _refuse_day(asked.day, dossier)
        number = dossier.number_after(asked.amends)
        issue = Issue(job.name, number, asked.day.isoformat(), asked.amends, asked.changed)
        held = issued_report(laboratory, issue)
        if held is None:
            words = {"issued": issue.issued, "replaces": issue.replaces, "changed": issue.changed}
            page = page_of(replace(job, parameters={**job.parameters, **words}), options)
            kept = add_issued(laboratory, issue, page, who=getpass.getuser())
            tell(f"Issued: report {number}, entry {kept.entry} of the record.")
        else:
            kept = held
            say(f"Issued already, and kept as it was: report {number}, entry {kept.entry} of the record.")
        page = export_bytes(laboratory, kept.entry)
        path = options.out / f"{safe_stem(job.name)[:50]}-{safe_stem(number.rpartition(' / ')[2])}.html"
        if path.is_file() and path.read_bytes() != page:
            raise RecordError(str(path), f"it is not the page of entry {kept.entry}: move it away; it stays as it is")
        put_page(path, page, options)
        tell(f"It is {path}")
    return 0


def _refuse_day(day: date, dossier: Dossier) -> None:
    from labcalc.lab import present_moment

    today = present_moment().astimezone(ZoneInfo(dossier.laboratory.time_zone)).date()
    measured = [one.date() for one in dossier.rows["measured_at"].dropna()]
    if not max([date.min, *measured]) <= day <= today:
        about = f"run '{dossier.run}' was measured on {max(measured)}, and " if measured else ""
        raise click.UsageError(f"--issued {day}: {about}today is {today}: a day between is expected")
