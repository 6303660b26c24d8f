"""``labcalc month`` and ``labcalc year``: the quality report of a month, of a year."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from labcalc.cli.words import PATH, answer, exit_code, finish, lab_option, name_doubts, needed, one_page, say
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.judgement import Material, MonthReport


def _options(command: Callable[..., None]) -> click.Command:
    """Give a command the options of both."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="The action list as JSON, for other programs."),
        click.option("--out", type=PATH, required=True, metavar="DIR", help="Where the report goes."),
        lab_option,
    ):
        command = option(command)
    return click.command()(command)


@_options
@click.argument("month", metavar="YYYY-MM")
@answer
def month(month: str, lab: Path | None, out: Path, as_json: bool) -> int:
    """Render the quality report of a month from the laboratory's record: reference oils, second fills, actions."""
    from labcalc.judgement import report_month

    return _render(report_month, month, lab, out, as_json)


@_options
@click.argument("year", metavar="YYYY")
@answer
def year(year: str, lab: Path | None, out: Path, as_json: bool) -> int:
    """Render the quality report of a year: month by month, drift, corrective actions, what runs out."""
    from labcalc.judgement import report_year

    return _render(report_year, year, lab, out, as_json)


def _render(
    report: Callable[[Material, str], MonthReport], period: str, lab: Path | None, out: Path, as_json: bool
) -> int:
    from labcalc.judgement import gather_record
    from labcalc.workbooks import month_report_job, render_batch

    lab = needed(lab, f"a {'month' if '-' in period else 'year'} is made from")
    material = gather_record(lab)
    code = name_doubts(material)
    quality = report(material, period)
    code = max(code, exit_code(quality))
    for refused in (*quality.failures, *quality.refusals):
        say(f"refused: {refused}")
    for notice in quality.notices:
        if notice.removesuffix(".") not in material.repeated:
            say(notice)
    result = render_batch([month_report_job(quality, lab, out)], one_page(out, quality.laboratory))
    if as_json:
        return finish(result, [json.dumps(quality.for_programs, ensure_ascii=False, indent=1)], (), code)
    return finish(result, _in_words(quality), result.paths, code)


def _in_words(quality: MonthReport) -> Iterator[str]:
    """Say the verdict on a month and its actions."""
    actions = counted(len(quality.actions), "action")
    yield f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."
    for one in quality.actions:
        yield f"{one.rank}. {one.about}: {one.finding}" + f" ({one.followed})" * bool(one.followed)
