"""``labcalc duplicates``: how well results repeat in a period."""

from __future__ import annotations

from pathlib import Path

import click

from labcalc.cli.words import answer, exit_code, lab_option, name_refusals, say


@click.command()
@lab_option
@click.option("--from", "first_day", default="", metavar="DATE", help="First day; default: the record's first.")
@click.option("--to", "last_day", default="", metavar="DATE", help="Last day, included; default: the record's last.")
@click.option("--product", default="", metavar="NAME", help="Only this product or precision class.")
@click.option("--operator", default="", metavar="NAME", help="Only repeats in which this person measured.")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where the report goes.")
@answer
def duplicates(lab: Path | None, first_day: str, last_day: str, product: str, operator: str, out: Path) -> int:
    """Render the precision of duplicate runs: repeatability, intermediate precision, and what is beyond its limit."""
    from labcalc.workbooks import render_duplicates

    page = render_duplicates(
        lab, out, first_day=first_day, last_day=last_day, product=product, operator=operator, say=say
    )
    name_refusals(page.reading)
    for failed in page.result.failures:
        say(f"no report {failed.name}: {failed.reason}")
    click.echo(page.in_words)
    return 2 if page.result.failures else exit_code(page.reading)
