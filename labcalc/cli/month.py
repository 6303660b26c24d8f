"""``labcalc month`` and ``labcalc year``: the quality report of a month, of a year."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labcalc.cli.results import results_option, write_quality
from labcalc.cli.words import answer, exit_code, finish, name_doubts, one_page, paged, record_option, say
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.judgement import Material, MonthReport


def _command(period: str, months: int, metavar: str) -> click.Command:
    """Return the command of a kind of period; a name that is none of it is told before anything else."""

    def known(_: click.Context, __: click.Parameter, name: str) -> str:
        from labcalc.judgement.period import month_of

        return month_of(name, "UTC", months).name

    @click.command(period, help=f"Render the quality report of a {period} from the record.")
    @record_option
    @results_option
    @paged
    @click.option("--json", "as_json", is_flag=True, help="Print the document of --results FILE.json.")
    @click.argument("name", metavar=metavar, callback=known)
    @answer
    def render(name: str, lab: Path, as_json: bool, **pages: Any) -> int:
        from labcalc import judgement

        return _render(getattr(judgement, f"report_{period}"), name, lab, as_json, **pages)

    return render


month, year = _command("month", 1, "YYYY-MM"), _command("year", 12, "YYYY")


def _render(
    report: Callable[[Material, str], MonthReport],
    period: str,
    lab: Path,
    as_json: bool,
    out: Path,
    results: Path | None,
    **how: Any,
) -> int:
    from labcalc.judgement import gather_record, quality_for_programs
    from labcalc.workbooks import month_report_job, render_batch

    material = gather_record(lab)
    quality = report(material, period)
    if quality.broken:
        to_do = "restore its backup, and hold that by `labcalc record verify`"
        say(f"labcalc: the record was changed since it was written: {quality.broken}; {to_do}")
    code = max(name_doubts(material), exit_code(quality), int(bool(quality.broken)))
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
