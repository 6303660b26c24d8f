"""What all commands share: options, messages, exit codes."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

import click

from labcalc.errors import LabcalcError, MonthError

if TYPE_CHECKING:
    from labcalc.exports import Reading
    from labcalc.judgement import Material, MonthReport
    from labcalc.lab import Laboratory
    from labcalc.workbooks import BatchOptions, BatchResult

P = ParamSpec("P")

PATH = click.Path(path_type=Path)
exports_argument = click.argument("exports", nargs=-1, required=True, type=PATH, metavar="EXPORT...")
lab_option = click.option("--lab", type=PATH, metavar="LAB.toml", help="Settings of the laboratory.")
jobs_option = click.option(
    "--jobs",
    "workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Reports rendered side by side; default: one a core.",
)


def answer(command: Callable[P, int]) -> Callable[P, None]:
    """Turn a command's return value into the exit code, and a refusal into one line; keep what it imports short."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        from labcalc.workbooks.lean import keep_imports_short

        keep_imports_short()
        try:
            code = command(*args, **kwargs)
        except LabcalcError as refusal:
            say(f"labcalc: {refusal}")
            code = 2
        except OSError as failure:
            place = f"{failure.filename}: " if failure.filename else ""
            say(f"labcalc: {place}{failure.strerror or failure}")
            code = 2
        sys.exit(code)

    return run


def needed(lab: Path | None, what: str) -> Path:
    """Return lab.toml; ``what`` begins the sentence that says who needs its record."""
    if lab is None:
        raise MonthError(f"{what} the record that lab.toml names: say which with --lab")
    return lab


def name_refusals(reading: Reading) -> None:
    """Name what of the exports is in no result: files, rows, columns."""
    from labcalc.exports import columns_not_used

    for failure in reading.failures:
        say(f"labcalc: {failure}")
    for refusal in reading.refusals:
        say(f"refused: {refusal}")
    if unused := columns_not_used(reading.sources):
        say(unused)


def name_doubts(material: Material) -> int:
    """Name what the record doesn't hold although it was read: runs in doubt, rows that come again, torn decisions.

    Return 1, the exit code, where a decision isn't applied.
    """
    for line in (*material.unusable, *material.repeated):
        say(f"labcalc: {line}")
    for doubt in material.first_doubts:
        say(f"in doubt: {doubt.sentence}")
    return 1 if material.unusable else 0


def exit_code(read: Reading | MonthReport) -> int:
    return 1 if read.refusals or read.failures else 0


def finish(result: BatchResult, lines: Iterable[str], places: Iterable[Path], code: int) -> int:
    """Name the reports that aren't there, say the rest and where to begin, and return the exit code.

    ``code`` is the one for when every report is there.
    """
    for failed in result.failures:
        say(f"no report {failed.name}: {failed.reason}")
    click.echo("\n".join([*lines, *(f"Begin with {path}" for path in places)]))
    if result.failures:
        return 1 if result.reports else 2
    return code


def recorder(laboratory: Laboratory) -> Callable[[Sequence[Mapping[str, str]]], Mapping[str, str]] | None:
    """Return what tells the laboratory's record of rendered pages; None without a record."""
    if laboratory.record is None:
        return None
    from labcalc.lab import add_pages

    return partial(add_pages, laboratory, who=getpass.getuser())


def one_page(out: Path, laboratory: Laboratory) -> BatchOptions:
    """Return how a page that stands alone is rendered."""
    from labcalc.workbooks import BatchOptions

    return BatchOptions(out, workers=1, say=say, record=recorder(laboratory))


def say(line: str) -> None:
    click.echo(line, err=True)
