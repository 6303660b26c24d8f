"""The command line: words in, words out.

Exit codes: 0 all done; 1 done, but something was refused; 2 nothing could be done.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

import click

from labcalc import __version__
from labcalc.errors import LabcalcError, MonthError

if TYPE_CHECKING:
    from labcalc.exports import Reading
    from labcalc.judgement import MonthReport
    from labcalc.workbooks import BatchResult, Progress, ReportJob

__all__ = ["main"]

P = ParamSpec("P")

_MANY = {
    "releasable": "releasable",
    "needs a second look": "to be looked at again",
    "not releasable": "not releasable",
}
"""How a number of reports is said, by verdict."""

_exports = click.argument("exports", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="EXPORT...")
_lab = click.option("--lab", type=click.Path(path_type=Path), metavar="LAB.toml", help="Settings of the laboratory.")
_jobs = click.option(
    "--jobs", type=click.IntRange(min=1), metavar="N", help="Reports rendered side by side; default: one a core."
)


def _answer(command: Callable[P, int]) -> Callable[P, None]:
    """Turn a command's return value into the exit code, and a refusal into one line."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
        except LabcalcError as refusal:
            _say(f"labcalc: {refusal}")
            code = 2
        except OSError as failure:
            place = f"{failure.filename}: " if failure.filename else ""
            _say(f"labcalc: {place}{failure.strerror or failure}")
            code = 2
        sys.exit(code)

    return run


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="labcalc %(version)s")
def main() -> None:
    """From a viscosity and density run export to a result that can be signed.

    Exit codes: 0 all done; 1 done, but some rows or runs were refused, each named; 2 nothing could be done.
    """


@main.command()
@_exports
@_lab
@click.option("--to", type=click.Path(path_type=Path), metavar="FILE", help="Write .csv, .xlsx or .parquet instead.")
@click.option("--json", "as_json", is_flag=True, help="Rows, refused rows and files as JSON, for other programs.")
@_answer
def read(exports: tuple[Path, ...], lab: Path | None, to: Path | None, as_json: bool) -> int:
    """Read run exports into one tidy table: a row a determination, units in the column names."""
    from labcalc.exports import read_exports, write_table
    from labcalc.lab import label_runs, load_laboratory

    laboratory = load_laboratory(lab)
    reading = read_exports(exports, profiles=laboratory.profiles, time_zone=laboratory.time_zone)
    table = label_runs(reading.table, laboratory)
    if to is not None and len(table):
        write_table(table, to)
    if as_json:
        click.echo(_reading_as_json(reading, json.loads(table.to_json(orient="records", date_format="iso"))))
    elif to is None:
        shown = table.drop(columns="run").dropna(axis=1, how="all")
        empty = {name: "" for name in shown.columns if shown[name].dtype == object}
        click.echo(shown.fillna(empty).to_string(index=False, na_rep=""))
    _name_refusals(reading)
    taken, refused = (sum(getattr(one, part) for one in reading.sources) for part in ("rows_read", "rows_refused"))
    written = f"; written to {to}" if to is not None and len(table) else ""
    _say(f"{_count(taken, 'row')} read, {refused} refused, from {_count(len(reading.sources), 'file')}{written}.")
    if not len(table):
        _say("labcalc: every row was refused: there is nothing to write")
        return 2
    return _code(reading)


@main.command()
@_exports
@_lab
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where the reports go.")
@click.option("--run", "runs", multiple=True, metavar="RUN", help="Only this run; may be given more than once.")
@_jobs
@click.option("--all", "again", is_flag=True, help="Render every report, also those that are up to date.")
@click.option("--single-file", is_flag=True, help="Put the drawing script inside each report, compressed.")
@click.option("--pdf", is_flag=True, help="Print each report to PDF too, with the browser that is installed.")
@click.option("--cluster", metavar="ADDRESS", help="Render on a dask.distributed scheduler, such as tcp://host:8786.")
@click.option(
    "--engine",
    type=click.Choice(["labcalc", "kernel"]),
    default="labcalc",
    show_default=True,
    help="kernel: a Jupyter kernel for each report, slower.",
)
@_answer
def report(
    exports: tuple[Path, ...],
    lab: Path | None,
    out: Path,
    runs: tuple[str, ...],
    jobs: int | None,
    again: bool,
    single_file: bool,
    pdf: bool,
    cluster: str | None,
    engine: str,
) -> int:
    """Render one report for each run of the exports, and an index page."""
    return _report(
        exports,
        lab,
        out,
        jobs,
        runs=runs,
        again=again,
        single_file=single_file,
        pdf=pdf,
        cluster=cluster,
        engine=engine,
    )


@main.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default="labcalc-demo",
    show_default=True,
    metavar="DIR",
    help="Where the pages go.",
)
@_jobs
@_answer
def demo(out: Path, jobs: int | None) -> int:
    """Do the main job on the sample laboratory: run reports, its last month's quality report, and an index page."""
    from labcalc.judgement import gather_record, report_month
    from labcalc.shipped import sample_exports, sample_lab
    from labcalc.workbooks import month_report_job

    month = month_report_job(report_month(gather_record()), sample_lab())
    return _report(sample_exports(), sample_lab(), out, jobs, more=(month,))


@main.command()
@click.argument("month", metavar="YYYY-MM")
@_lab
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where the report goes.")
@click.option("--json", "as_json", is_flag=True, help="The action list as JSON, for other programs.")
@_answer
def month(month: str, lab: Path | None, out: Path, as_json: bool) -> int:
    """Render the quality report of a month from the laboratory's record: reference oils, second fills, actions."""
    from labcalc.judgement import gather_record, report_month
    from labcalc.workbooks import month_report_job, render_batch

    if lab is None:
        raise MonthError("a month is made from the record that lab.toml names: say which with --lab")
    quality = report_month(gather_record(lab), month)
    for refused in (*quality.failures, *quality.refusals):
        _say(f"refused: {refused}")
    for notice in quality.notices:
        _say(notice)
    result = render_batch([month_report_job(quality, lab)], out, workers=1, say=_say)
    for failed in result.failures:
        _say(f"no report {failed.name}: {failed.reason}")
    if as_json:
        click.echo(json.dumps(quality.for_programs, ensure_ascii=False, indent=1))
    else:
        click.echo(_month_in_words(quality, result))
    if result.failures:
        return 2
    return 1 if quality.refusals or quality.failures else 0


def _month_in_words(quality: MonthReport, result: BatchResult) -> str:
    """Say the verdict on a month, its actions, and where to read."""
    counted = _count(len(quality.actions), "action")
    lines = [f"{quality.month.name}: {quality.verdict}, {counted} in {_count(quality.runs, 'sample run')}."]
    lines += [f"{one.rank}. {one.about}: {one.finding}" for one in quality.actions]
    return "\n".join([*lines, *(f"Begin with {one.path}" for one in result.reports)])


def _report(
    exports: tuple[Path, ...],
    lab: Path | None,
    out: Path,
    jobs: int | None,
    *,
    runs: tuple[str, ...] = (),
    more: tuple[ReportJob, ...] = (),
    again: bool = False,
    single_file: bool = False,
    pdf: bool = False,
    cluster: str | None = None,
    engine: str = "labcalc",
) -> int:
    from labcalc.judgement import gather
    from labcalc.workbooks import render_run_reports

    material = gather(exports, lab)
    _name_refusals(material.reading)
    for failure in material.record_failures:
        _say(f"left out of the record: {failure}")
    if not material.runs:
        _say("labcalc: every row was refused: there is no run to report")
        return 2
    result = render_run_reports(
        material,
        exports,
        lab,
        out,
        runs=runs,
        more=more,
        workers=jobs,
        again=again,
        single_file=single_file,
        pdf=pdf,
        cluster=cluster,
        engine=engine,
        progress=_show_progress if sys.stderr.isatty() else None,
        say=_say,
    )
    for failed in result.failures:
        _say(f"no report {failed.name}: {failed.reason}")
    click.echo(_totals(result))
    if result.failures:
        return 1 if result.reports else 2
    return _code(material.reading)


def _show_progress(progress: Progress) -> None:
    left = f", about {progress.remaining_seconds:.0f} s left" if progress.remaining_seconds else ""
    line = f"{progress.done} of {progress.total} reports{left}"
    click.echo(f"\r{line:<60}", nl=progress.done == progress.total, err=True)


def _totals(result: BatchResult) -> str:
    """Say what became of the runs, and where to begin reading."""
    verdicts = Counter(one.summary["verdict"] for one in result.reports)
    found = ", ".join(f"{verdicts[verdict]} {words}" for verdict, words in _MANY.items() if verdicts[verdict])
    found += "".join(
        f"; month {one.summary['month']} {one.summary['verdict']}" for one in result.reports if "month" in one.summary
    )
    unchanged = len(result.reports) - len(result.rendered)
    kept = f" ({unchanged} unchanged since the last call)" if unchanged else ""
    failed = f", {len(result.failures)} not rendered" if result.failures else ""
    return (
        f"{_count(len(result.reports), 'report')}{kept} in {result.seconds:.1f} s: {found}{failed}.\n"
        f"Begin with {result.index}"
    )


def _name_refusals(reading: Reading) -> None:
    for failure in reading.failures:
        _say(f"labcalc: {failure}")
    for refusal in reading.refusals:
        _say(f"refused: {refusal}")


def _code(reading: Reading) -> int:
    return 1 if reading.refusals or reading.failures else 0


def _reading_as_json(reading: Reading, rows: object) -> str:
    answer = {
        "rows": rows,
        "refused": [vars(refusal) for refusal in reading.refusals],
        "files": [vars(source) for source in reading.sources],
        "failed": [{"file": failure.file, "problem": failure.problem} for failure in reading.failures],
    }
    return json.dumps(answer, ensure_ascii=False, indent=1)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _say(line: str) -> None:
    click.echo(line, err=True)
