"""``labcalc month``: the quality report of a month."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from labcalc.cli.words import answer, lab_option, say
from labcalc.errors import MonthError
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.judgement import MonthReport
    from labcalc.workbooks import BatchResult


@click.command()
@click.argument("month", metavar="YYYY-MM")
@lab_option
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where the report goes.")
@click.option("--json", "as_json", is_flag=True, help="The action list as JSON, for other programs.")
@answer
def month(month: str, lab: Path | None, out: Path, as_json: bool) -> int:
    """Render the quality report of a month from the laboratory's record: reference oils, second fills, actions."""
    from labcalc.judgement import gather_record, report_month
    from labcalc.workbooks import month_report_job, render_batch

    if lab is None:
        raise MonthError("a month is made from the record that lab.toml names: say which with --lab")
    quality = report_month(gather_record(lab), month)
    for refused in (*quality.failures, *quality.refusals):
        say(f"refused: {refused}")
    for notice in quality.notices:
        say(notice)
    result = render_batch([month_report_job(quality, lab)], out, workers=1, say=say)
    for failed in result.failures:
        say(f"no report {failed.name}: {failed.reason}")
    if as_json:
        click.echo(json.dumps(quality.for_programs, ensure_ascii=False, indent=1))
    else:
        click.echo(_month_in_words(quality, result))
    if result.failures:
        return 2
    return 1 if quality.refusals or quality.failures else 0


def _month_in_words(quality: MonthReport, result: BatchResult) -> str:
    """Say the verdict on a month, its actions, and where to read."""
    actions = counted(len(quality.actions), "action")
    lines = [f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."]
    lines += [f"{one.rank}. {one.about}: {one.finding}" for one in quality.actions]
    return "\n".join([*lines, *(f"Begin with {one.path}" for one in result.reports)])
