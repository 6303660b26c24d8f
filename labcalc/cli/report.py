"""``labcalc report`` and ``labcalc demo``: a page for each run.

With ``--issued`` the reports of named runs, dated, kept in the record as they are handed out.
"""

from __future__ import annotations

import getpass
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import click

import labcalc.exports
import labcalc.lab
from labcalc import judgement, workbooks
from labcalc.cli import words
from labcalc.cli.words import PATH, answer, day_option, jobs_option, lab_option, paged, remark, say, tell
from labcalc.errors import LabcalcError, RecordError
from labcalc.shipped import planted_refusals, sample_exports, sample_lab
from labcalc.wording import counted
from labcalc.workbooks.options import ENGINES, KERNEL, LABCALC, BatchOptions

_WATCH = "Go on with what comes into folders later, until Ctrl-C; no --run, no --issued."
_ENGINE = f"{KERNEL}: a Jupyter kernel for each report, slower."


@click.command()
@click.argument("exports", nargs=-1, required=True, type=PATH, metavar="EXPORT...")
@lab_option
@paged
@words.results_option
@click.option("--run", "runs", multiple=True, metavar="RUN", help="Only this run; may be given more than once.")
@jobs_option
@click.option("--all", "again", is_flag=True, help="Render every report, also those that are up to date.")
@click.option("--cluster", metavar="ADDRESS", help="Render on a dask.distributed scheduler, such as tcp://host:8786.")
@click.option("--engine", type=click.Choice(ENGINES), default=LABCALC, show_default=True, help=_ENGINE)
@day_option("--issued", told="Issue the report of each --run on this day: kept in the record, never written over.")
@click.option("--amends", default="", metavar="NUMBER", help="The issued report that this one takes the place of.")
@click.option("--changed", default="", metavar="TEXT", help="What changed since that one.")
@click.option("--watch", is_flag=True, help=_WATCH)
@answer
def report(
    exports: tuple[Path, ...], lab: Path | None, runs: tuple[str, ...], results: Path | None, watch: bool, **chosen: Any
) -> int:
    """Render a report for each run, and an index of them."""
    issue = _to_issue(runs, *(chosen.pop(name) for name in ("issued", "amends", "changed")))
    options = BatchOptions(**chosen)
    if not watch:
        return _report(exports, lab, options, runs=runs, results=results, issue=issue)
    if issue or runs:
        raise click.UsageError("--watch renders every run: no --run or --issued beside it")
    return _watch(exports, lab, options, results)


def _watch(places: tuple[Path, ...], lab: Path | None, options: BatchOptions, results: Path | None) -> int:
    """Render as exports arrive; what was said of an export isn't said again when the next comes."""
    said = set[str]()

    def say_once(line: str) -> None:
        if line not in said:
            said.add(line)
            say(line)

    remark(f"Watching {', '.join(map(str, places))}; Ctrl-C ends it.")
    there = dict[Path, None]()
    with suppress(KeyboardInterrupt):
        for ripe in labcalc.lab.settled_files(places):
            there |= dict.fromkeys(ripe)
            try:
                held = tuple(one for one in there if one.is_file())
                _report(held, lab, options, results=results, say=say_once)
            except LabcalcError as refusal:
                say_once(f"labcalc: {refusal}")
    return 0


@click.command()
@words.out_option(default="labcalc-demo", show_default=True)
@jobs_option
@answer
def demo(out: Path, workers: int | None) -> int:
    """Do the main job on the sample laboratory.

    Run reports, its last month's quality report, and an index page."""
    quality = judgement.report_month(judgement.gather_record())
    month = partial(workbooks.month_report_job, quality, sample_lab(), out)
    options = BatchOptions(out, workers, to_come=(f"month-{quality.month.name}",))
    return _report(sample_exports(), sample_lab(), options, last=month, planted=planted_refusals())


def _report(
    exports: tuple[Path, ...],
    lab: Path | None,
    options: BatchOptions,
    *,
    runs: tuple[str, ...] = (),
    last: Callable[[], workbooks.ReportJob] | None = None,
    results: Path | None = None,
    planted: Sequence[str] = (),
    issue: labcalc.lab.Issue | None = None,
    say: Callable[[str], None] = say,
) -> int:
    from labcalc.workbooks.lean import quick_start

    with quick_start():
        render, material = workbooks.render_batch, judgement.gather(exports, lab)
    refused = words.name_refusals(material.reading, say)
    code = max(words.name_doubts(material, say), refused)
    if planted and sorted(one.file for one in material.reading.refusals) == planted:
        remark(f"These {counted(len(planted), 'row')} were planted to be refused, and no other was.", say)
        code = 0
    for failure in material.record_failures:
        say(f"left out of the record: {failure}")
    if not material.runs:
        raise LabcalcError("every row was refused: there is no run to report")
    read = labcalc.exports.totals(material.reading.sources), labcalc.exports.columns_not_used(material.reading.sources)
    remark(f"{read[0]}.", say)
    if results is not None:
        judged = (judgement.judge(material.dossier(run)) for run in runs or material.runs)
        document = judgement.results_for_programs(judged)
        words.write_document(document, judgement.results_table(document), results, exports)
    if issue is not None:
        return max(code, _issue(material, workbooks.run_report_jobs(material, exports, lab, runs), issue, options))
    progress = _show_progress if sys.stderr.isatty() else None
    laboratory = material.laboratory
    how: Any = {"record": words.recorder(laboratory), "time_zone": laboratory.time_zone, "progress": progress}
    told = replace(options, exports=read, say=say, **how)
    result = render(workbooks.run_report_jobs(material, exports, lab, runs), told)
    if last is not None:  # it links to those before it
        result = result.followed_by(render([last()], told))
    return words.finish(result, [_totals(result)], [result.index], code)


def _show_progress(progress: workbooks.Progress) -> None:
    left = f", about {progress.remaining_seconds:.0f} s left" if progress.remaining_seconds else ""
    line = f"{progress.done} of {progress.total} reports{left}"
    click.echo(f"\r{line:<60}", nl=progress.done == progress.total, err=True)


def _totals(result: workbooks.BatchResult) -> str:
    """Say what became of the runs, the worst first, as the index does."""
    months = [one.summary for one in result.reports if "month" in one.summary]
    verdicts = Counter(one.summary["verdict"] for one in result.reports if "month" not in one.summary)
    found = ", ".join(f"{verdict} {verdicts[verdict]}" for verdict in judgement.VERDICTS[::-1] if verdicts[verdict])
    found += "".join(f"; month {one['month']} {one['verdict']}" for one in months)
    unchanged = len(result.reports) - len(result.rendered)
    kept = f" ({unchanged} unchanged since the last call)" if unchanged else ""
    failed = f", {len(result.failures)} not rendered" if result.failures else ""
    reports = counted(verdicts.total(), "report") + " and the month" * bool(months)
    return f"{reports}{kept} in {result.seconds:.1f} s: {found}{failed}."


def _to_issue(runs: Sequence[str], day: date | None, amends: str, changed: str) -> labcalc.lab.Issue | None:
    """Return what is to be issued, run and number still open, or None; what doesn't go together is refused."""
    if bool(amends) != bool(changed):
        raise click.UsageError("--amends NUMBER and --changed TEXT are given together")
    if day is None:
        if amends:
            raise click.UsageError("--amends needs --issued YYYY-MM-DD")
        return None
    if not runs or (amends and len(runs) > 1):
        raise click.UsageError(f"say with --run which {'one run' if amends else 'runs'} the report is issued of")
    return labcalc.lab.Issue("", "", day.isoformat(), amends, changed)


def _issue(
    material: judgement.Material, jobs: Sequence[workbooks.ReportJob], asked: labcalc.lab.Issue, options: BatchOptions
) -> int:
    """Issue a report a job: keep it in the record first, then write it; one that is held already is written only."""
    laboratory = material.laboratory
    for job in (one.whole() for one in jobs):
        dossier = material.dossier(job.name)
        _refuse_day(date.fromisoformat(asked.issued), dossier)
        number = dossier.number_after(asked.replaces)
        issue = replace(asked, run=job.name, number=number)
        kept = labcalc.lab.issued_report(laboratory, issue)
        if kept is None:
            stated = {"issued": issue.issued, "replaces": issue.replaces, "changed": issue.changed}
            page = workbooks.page_of(replace(job, parameters={**job.parameters, **stated}), options)
            kept = labcalc.lab.add_issued(laboratory, issue, page, who=getpass.getuser())
            tell(f"Issued: report {number}, entry {kept.entry} of the record.")
        else:
            say(f"Issued already, and kept as it was: report {number}, entry {kept.entry} of the record.")
        page = labcalc.lab.export_bytes(laboratory, kept.entry)
        stem, mark = map(workbooks.safe_stem, (job.name, number.rpartition(" / ")[2]))
        path = options.out / f"{stem[:50]}-{mark}.html"
        if path.is_file() and path.read_bytes() != page:
            raise RecordError(str(path), f"it is not the page of entry {kept.entry}: move it away; it stays as it is")
        workbooks.put_page(path, page, options)
        tell(f"It is {path}")
    return 0


def _refuse_day(day: date, dossier: judgement.Dossier) -> None:
    today = words.today_at(dossier.laboratory)
    measured = [one.date() for one in dossier.rows["measured_at"].dropna()]
    if not max([date.min, *measured]) <= day <= today:
        about = f"run '{dossier.run}' was measured on {max(measured)}, and " if measured else ""
        raise click.UsageError(f"--issued {day}: {about}today is {today}: a day between is expected")
