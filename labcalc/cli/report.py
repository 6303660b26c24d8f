"""``labcalc report`` and ``labcalc demo``: a page for each run."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labcalc.cli.issue import ToIssue, issue_reports, to_issue
from labcalc.cli.results import results_option, write_document
from labcalc.cli.words import (
    FOLDER,
    PATH,
    answer,
    day_option,
    exit_code,
    finish,
    jobs_option,
    lab_option,
    name_doubts,
    name_refusals,
    paged,
    recorder,
    remark,
    say,
)
from labcalc.errors import LabcalcError
from labcalc.wording import counted
from labcalc.workbooks.options import ENGINES, KERNEL, LABCALC, BatchOptions
from labcalc.workbooks.scripts import Scripts

if TYPE_CHECKING:
    from labcalc.judgement import Material
    from labcalc.workbooks import BatchResult, Progress, ReportJob


@click.command()
@click.argument("exports", nargs=-1, required=True, type=PATH, metavar="EXPORT...")
@lab_option
@paged
@results_option
@click.option("--run", "runs", multiple=True, metavar="RUN", help="Only this run; may be given more than once.")
@jobs_option
@click.option("--all", "again", is_flag=True, help="Render every report, also those that are up to date.")
@click.option("--cluster", metavar="ADDRESS", help="Render on a dask.distributed scheduler, such as tcp://host:8786.")
@click.option(
    "--engine",
    type=click.Choice(ENGINES),
    default=LABCALC,
    show_default=True,
    help=f"{KERNEL}: a Jupyter kernel for each report, slower.",
)
@day_option("--issued", "Issue the report of each --run on this day: kept in the record, never written over.")
@click.option("--amends", default="", metavar="NUMBER", help="The issued report that this one takes the place of.")
@click.option("--changed", default="", metavar="TEXT", help="What changed since that one.")
@click.option(
    "--watch", is_flag=True, help="Go on with what comes into folders later, until Ctrl-C; no --run, no --issued."
)
@answer
def report(
    exports: tuple[Path, ...],
    lab: Path | None,
    runs: tuple[str, ...],
    results: Path | None,
    watch: bool,
    issued: date | None,
    amends: str,
    changed: str,
    **chosen: Any,
) -> int:
    """Render a report for each run, and an index of them."""
    scripts = Scripts.INSIDE if chosen.pop("single_file") else Scripts.BESIDE
    options = BatchOptions(scripts=scripts, **chosen)
    issue = to_issue(issued, amends, changed, runs)
    if not watch:
        return _report(exports, lab, options, runs=runs, results=results, issue=issue)
    if issue or runs:
        raise click.UsageError("--watch renders every run: no --run or --issued beside it")
    return _watch(exports, lab, options, results)


def _watch(places: tuple[Path, ...], lab: Path | None, options: BatchOptions, results: Path | None) -> int:
    """Render as exports arrive; what was said of an export isn't said again when the next comes."""
    from labcalc.lab import settled_files

    said = set[str]()

    def say_once(line: str) -> None:
        if line not in said:
            said.add(line)
            say(line)

    remark(f"Watching {', '.join(map(str, places))}; Ctrl-C ends it.")
    there = dict[Path, None]()
    with suppress(KeyboardInterrupt):
        for ripe in settled_files(places):
            there |= dict.fromkeys(ripe)
            try:
                held = tuple(one for one in there if one.is_file())
                _report(held, lab, options, results=results, say=say_once)
            except LabcalcError as refusal:
                say_once(f"labcalc: {refusal}")
    return 0


@click.command()
@click.option(
    "--out", type=FOLDER, default="labcalc-demo", show_default=True, metavar="DIR", help="Where the pages go."
)
@jobs_option
@answer
def demo(out: Path, workers: int | None) -> int:
    """Do the main job on the sample laboratory.

    Run reports, its last month's quality report, and an index page."""
    from labcalc.judgement import gather_record, report_month
    from labcalc.shipped import planted_refusals, sample_exports, sample_lab
    from labcalc.workbooks import month_report_job

    def month() -> ReportJob:
        return month_report_job(quality, sample_lab(), out)

    quality = report_month(gather_record())
    options, planted = BatchOptions(out, workers, to_come=(f"month-{quality.month.name}",)), planted_refusals()
    return _report(sample_exports(), sample_lab(), options, last=month, planted=planted)


def _report(
    exports: tuple[Path, ...],
    lab: Path | None,
    options: BatchOptions,
    *,
    runs: tuple[str, ...] = (),
    last: Callable[[], ReportJob] | None = None,
    results: Path | None = None,
    planted: Sequence[str] = (),
    issue: ToIssue | None = None,
    say: Callable[[str], None] = say,
) -> int:
    from labcalc.workbooks.lean import quick_start

    with quick_start():
        from labcalc.exports import columns_not_used, totals
        from labcalc.judgement import gather
        from labcalc.workbooks import render_batch, run_report_jobs

        material = gather(exports, lab)
    name_refusals(material.reading, say)
    code = max(name_doubts(material, say), exit_code(material.reading))
    if planted and sorted(one.file for one in material.reading.refusals) == planted:
        remark(f"These {counted(len(planted), 'row')} were planted to be refused, and no other was.", say)
        code = 0
    for failure in material.record_failures:
        say(f"left out of the record: {failure}")
    if not material.runs:
        say("labcalc: every row was refused: there is no run to report")
        return 2
    read = totals(material.reading.sources), columns_not_used(material.reading.sources)
    remark(f"{read[0]}.", say)
    if results is not None:
        _write_results(material, runs or material.runs, results, exports)
    if issue is not None:
        return max(code, issue_reports(material, run_report_jobs(material, exports, lab, runs), issue, options))
    progress = _show_progress if sys.stderr.isatty() else None
    laboratory = material.laboratory
    told = replace(options, exports=read, progress=progress, say=say, record=recorder(laboratory))
    told = replace(told, time_zone=laboratory.time_zone)
    result = render_batch(run_report_jobs(material, exports, lab, runs), told)
    if last is not None:  # it links to those before it
        result = result.followed_by(render_batch([last()], told))
    return finish(result, [_totals(result)], [result.index], code)


def _write_results(material: Material, runs: Sequence[str], to: Path, exports: tuple[Path, ...]) -> None:
    from labcalc.judgement import judge, results_for_programs, results_table

    document = results_for_programs(judge(material.dossier(run)) for run in runs)
    write_document(document, results_table(document), to, exports)


def _show_progress(progress: Progress) -> None:
    left = f", about {progress.remaining_seconds:.0f} s left" if progress.remaining_seconds else ""
    line = f"{progress.done} of {progress.total} reports{left}"
    click.echo(f"\r{line:<60}", nl=progress.done == progress.total, err=True)


def _totals(result: BatchResult) -> str:
    """Say what became of the runs, the worst first, as the index does."""
    from labcalc.judgement import VERDICTS

    months = [one.summary for one in result.reports if "month" in one.summary]
    verdicts = Counter(one.summary["verdict"] for one in result.reports if "month" not in one.summary)
    found = ", ".join(f"{verdict} {verdicts[verdict]}" for verdict in VERDICTS[::-1] if verdicts[verdict])
    found += "".join(f"; month {one['month']} {one['verdict']}" for one in months)
    unchanged = len(result.reports) - len(result.rendered)
    kept = f" ({unchanged} unchanged since the last call)" if unchanged else ""
    failed = f", {len(result.failures)} not rendered" if result.failures else ""
    reports = counted(verdicts.total(), "report") + " and the month" * bool(months)
    return f"{reports}{kept} in {result.seconds:.1f} s: {found}{failed}."
