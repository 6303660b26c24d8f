"""``labcalc duplicates``: how well results repeat in a period."""

from pathlib import Path

import click

from labcalc.cli.results import results_option, write_quality
from labcalc.cli.words import answer, exit_code, finish, name_doubts, name_refusals, one_page, paged, record_option

_MOST = 5  # sets beyond their limit that are named on the screen


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
    from labcalc.judgement import gather_record, report_duplicates
    from labcalc.workbooks import duplicate_report_job, render_batch

    material = gather_record(lab)
    doubted = name_doubts(material)
    report = report_duplicates(material, **asked)
    write_quality(report, results)
    how = one_page(out, material.laboratory, single_file=single_file, pdf=pdf)
    result = render_batch([duplicate_report_job(report, lab, out)], how)
    name_refusals(material.reading)
    code = max(doubted, exit_code(material.reading))
    lines = [f"{report.about}: {report.verdict}: {report.reason}."]
    lines += [f"{one.about}: {one.finding}." for one in report.named]
    lines += [f"{one.name}: {one.apart}" for one in sorted(report.beyond, key=lambda one: not one.is_gross)[:_MOST]]
    lines += [f"and {more} more, on the page" for more in [len(report.beyond) - _MOST] if more > 0]
    return finish(result, lines, result.paths, code)
