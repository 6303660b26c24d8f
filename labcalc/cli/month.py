"""``labcalc month`` and ``labcalc year``: the quality report of a month, of a year."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labcalc.cli.results import results_option, write_quality
from labcalc.cli.words import answer, exit_code, finish, lab_option, name_doubts, needed, one_page, paged, say
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.judgement import Material, MonthReport


def _options(command: Callable[..., int]) -> click.Command:
    """Give a command the options of both."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the document of --results FILE.json."),
        paged,
        results_option,
        lab_option,
    ):
        command = option(command)
    return click.command()(command)


@_options
@click.argument("month", metavar="YYYY-MM")
@answer
def month(month: str, lab: Path | None, as_json: bool, **pages: Any) -> int:
    """Render the quality report of a month from the laboratory's record: reference oils, second fills, actions."""
    from labcalc.judgement import report_month

    return _render(report_month, month, lab, as_json, **pages)


@_options
@click.argument("year", metavar="YYYY")
@answer
def year(year: str, lab: Path | None, as_json: bool, **pages: Any) -> int:
    """Render the quality report of a year: month by month, drift, corrective actions, what runs out."""
    from labcalc.judgement import report_year

    return _render(report_year, year, lab, as_json, **pages)


def _render(
    report: Callable[[Material, str], MonthReport],
    period: str,
    lab: Path | None,
    as_json: bool,
    out: Path,
    results: Path | None,
    **how: Any,
) -> int:
    from labcalc.judgement import gather_record, quality_for_programs
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
    write_quality(quality, results)
    result = render_batch([month_report_job(quality, lab, out)], one_page(out, quality.laboratory, **how))
    if as_json:
        return finish(result, [json.dumps(quality_for_programs(quality), ensure_ascii=False, indent=1)], (), code)
    return finish(result, _in_words(quality), result.paths, code)


def _in_words(quality: MonthReport) -> Iterator[str]:
    """Say the verdict on a month and its actions."""
    actions = counted(len(quality.actions), "action")
    yield f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."
    for one in quality.actions:
        yield f"{one.rank}. {one.about}: {one.finding}" + f" ({one.followed})" * bool(one.followed)
