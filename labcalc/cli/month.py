"""``labcalc month``: the quality report of a month."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from labcalc.cli.words import PATH, answer, exit_code, finish, lab_option, name_doubts, needed, one_page, say
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.judgement import MonthReport


@click.command()
@click.argument("month", metavar="YYYY-MM")
@lab_option
@click.option("--out", type=PATH, required=True, metavar="DIR", help="Where the report goes.")
@click.option("--json", "as_json", is_flag=True, help="The action list as JSON, for other programs.")
@answer
def month(month: str, lab: Path | None, out: Path, as_json: bool) -> int:
    """Render the quality report of a month from the laboratory's record: reference oils, second fills, actions."""
    from labcalc.judgement import gather_record, report_month
    from labcalc.workbooks import month_report_job, render_batch

    lab = needed(lab, "a month is made from")
    material = gather_record(lab)
    code = name_doubts(material)
    quality = report_month(material, month)
    code = max(code, exit_code(quality))
    for refused in (*quality.failures, *quality.refusals):
        say(f"refused: {refused}")
    for notice in quality.notices:
        if notice.removesuffix(".") not in material.repeated:
            say(notice)
    result = render_batch([month_report_job(quality, lab)], one_page(out, quality.laboratory))
    if as_json:
        return finish(result, [json.dumps(quality.for_programs, ensure_ascii=False, indent=1)], (), code)
    return finish(result, _in_words(quality), result.paths, code)


def _in_words(quality: MonthReport) -> Iterator[str]:
    """Say the verdict on a month and its actions."""
    actions = counted(len(quality.actions), "action")
    yield f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."
    for one in quality.actions:
        yield f"{one.rank}. {one.about}: {one.finding}" + f" ({one.followed})" * bool(one.followed)
