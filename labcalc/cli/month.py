"""``labcalc month``, ``year`` and ``duplicates``: the quality report of a month, of a year; how well results repeat."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from labcalc import judgement, workbooks
from labcalc.cli.results import results_option, write_quality
from labcalc.cli.words import answer, finish, name_doubts, name_refusals, one_page, paged, record_option, say
from labcalc.wording import counted

_MOST = 5  # sets beyond their limit that are named on the screen


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
    def render(name: str, lab: Path, as_json: bool, out: Path, results: Path | None, **how: Any) -> int:
        material = judgement.gather_record(lab)
        quality = getattr(judgement, f"report_{period}")(material, name)
        if quality.broken:
            to_do = "restore its backup, and hold that by `labcalc record verify`"
            say(f"labcalc: the record was changed since it was written: {quality.broken}; {to_do}")
        code = max(name_doubts(material), int(bool(quality.broken)))
        _say_what_is_missing(quality, material)
        write_quality(quality, results)
        job, options = workbooks.month_report_job(quality, lab, out), one_page(out, quality.laboratory, **how)
        result = workbooks.render_batch([job], options)
        lines, code = _in_words(quality), max(code, bool(quality.refusals or quality.failures))
        if not as_json:
            return finish(result, lines, result.paths, code)
        document = judgement.quality_for_programs(quality)
        return finish(result, [json.dumps(document, ensure_ascii=False, indent=1)], (), code)

    return render


month, year = _command("month", 1, "YYYY-MM"), _command("year", 12, "YYYY")


def _say_what_is_missing(quality: judgement.MonthReport, material: judgement.Material) -> None:
    for refused in (*quality.failures, *quality.refusals):
        say(f"refused: {refused}")
    for notice in quality.notices:
        if notice.removesuffix(".") not in material.repeated:
            say(notice)


def _in_words(quality: judgement.MonthReport) -> Iterator[str]:
    """Say the verdict on a month and its actions."""
    closed = len(quality.actions) - len(quality.open_actions)
    actions = counted(len(quality.open_actions), "action") + f" and {closed} closed" * bool(closed)
    yield f"{quality.month.name}: {quality.verdict}, {actions} in {counted(quality.runs, 'sample run')}."
    for one in quality.actions:
        yield f"{one.rank}. {one.about}: {one.finding}" + f" ({one.followed})" * bool(one.followed)


@click.command()
@record_option
@click.option("--from", "first_day", default="", metavar="DATE", help="First day; default: the record's first.")
@click.option("--to", "last_day", default="", metavar="DATE", help="Last day, included; default: the record's last.")
@click.option("--product", default="", metavar="NAME", help="Only this product or precision class.")
@click.option("--operator", default="", metavar="NAME", help="Only repeats in which this person measured.")
@click.option("--instrument", default="", metavar="NAME", help="Only repeats in which this instrument measured.")
@paged
@results_option
@answer
def duplicates(lab: Path, out: Path, results: Path | None, single_file: bool, pdf: bool, **asked: str) -> int:
    """Render how well results repeat, and whose do less so."""
    material = judgement.gather_record(lab)
    doubted = name_doubts(material)
    report = judgement.report_duplicates(material, **asked)
    write_quality(report, results)
    how = one_page(out, material.laboratory, single_file=single_file, pdf=pdf)
    result = workbooks.render_batch([workbooks.duplicate_report_job(report, lab, out)], how)
    code = max(doubted, name_refusals(material.reading))
    lines = [f"{report.about}: {report.verdict}: {report.reason}."]
    lines += [f"{one.about}: {one.finding}." for one in report.named]
    lines += [f"{one.name}: {one.apart}" for one in sorted(report.beyond, key=lambda one: not one.is_gross)[:_MOST]]
    lines += [f"and {more} more, on the page" for more in [len(report.beyond) - _MOST] if more > 0]
    return finish(result, lines, result.paths, code)
