"""What all commands share: options, messages, exit codes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

import click

from labcalc.errors import LabcalcError

if TYPE_CHECKING:
    from labcalc.exports import Reading

P = ParamSpec("P")

exports_argument = click.argument(
    "exports", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="EXPORT..."
)
lab_option = click.option(
    "--lab", type=click.Path(path_type=Path), metavar="LAB.toml", help="Settings of the laboratory."
)
jobs_option = click.option(
    "--jobs", type=click.IntRange(min=1), metavar="N", help="Reports rendered side by side; default: one a core."
)


def answer(command: Callable[P, int]) -> Callable[P, None]:
    """Turn a command's return value into the exit code, and a refusal into one line."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
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


def name_refusals(reading: Reading) -> None:
    for failure in reading.failures:
        say(f"labcalc: {failure}")
    for refusal in reading.refusals:
        say(f"refused: {refusal}")


def exit_code(reading: Reading) -> int:
    return 1 if reading.refusals or reading.failures else 0


def say(line: str) -> None:
    click.echo(line, err=True)
