"""``labcalc verify``: the installed package against printed values, for the auditor."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from platform import platform
from typing import TYPE_CHECKING

import click

from labcalc import __version__
from labcalc.cli.words import FILE, answer, say, tell, write_page
from labcalc.wording import counted

if TYPE_CHECKING:
    from labcalc.formulae.published import Comparison

_LIBRARIES = ("numpy", "scipy", "pandas")


@click.command()
@click.option("--out", type=FILE, metavar="FILE.html", help="Write a dated page with every value.")
@answer
def verify(out: Path | None) -> int:
    """Hold these formulas against printed values of standards."""
    from labcalc.formulae.published import compare_with_published

    found = list(compare_with_published())
    wrong = [one for one in found if not one.agrees]
    for one in wrong:
        place = f"{one.source}, {one.clause}: {one.formula} of {one.inputs}"
        say(f"differs: {place} is {one.computed}; printed {one.printed}")
    if out is not None:
        _write(found, out)
    seen = sum(one.seen for one in found)
    tell(
        f"labcalc {__version__}: {counted(len(found), 'printed value')}, {len(wrong)} differ; {seen} seen, "
        f"{len(found) - seen} from memory, {counted(len({one.source for one in found}), 'source')}."
    )
    return 1 if wrong else 0


def _write(found: Sequence[Comparison], out: Path) -> None:
    from importlib.metadata import version

    from labcalc.figures.markup import folded, html_table, note
    from labcalc.lab.clock import present_moment

    def table(caption: str, columns: Sequence[str], rows: Iterable[Sequence[str]], numeric: tuple[int, ...]) -> str:
        return html_table(caption, columns, [[*map(escape, row)] for row in rows], numeric=numeric, stacked=True)

    made = f"{present_moment():%Y-%m-%d %H:%M (UTC%z)}"
    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    machine = f"labcalc {__version__}, Python {sys.version.split()[0]}, {libraries}, {platform()}."
    words = "A value agrees within half a unit of its last printed place, or as its source states."
    by_source: dict[str, list[Comparison]] = {}
    for one in found:
        by_source.setdefault(one.source, []).append(one)
    counts = [
        (source, *(str(sum(kind)) for kind in zip(*((1, not one.agrees, not one.seen) for one in of), strict=True)))
        for source, of in by_source.items()
    ]
    body = note(f"Made {made}.", machine, words).html + "<h2>Sources</h2>"
    body += table("By source", ("Source", "Values", "Differ", "From memory"), counts, (1, 2, 3)) + "<h2>Values</h2>"
    for source, of in by_source.items():
        rows = [(o.clause, o.formula, o.inputs, o.printed, o.computed, "yes" if o.agrees else "no") for o in of]
        columns = ("Place", "Formula", "Of", "Printed", "Here", "Agrees")
        body += folded(f"{source}: {len(of)}", table(source, columns, rows, (3, 4)))
    write_page(out, body, title="Verification", workbook="labcalc verify", number=made)
