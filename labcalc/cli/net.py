"""The net beneath all commands: whatever happens is one line and exit code 2, never a traceback."""

import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import Any, NoReturn

import click
from click.exceptions import NoArgsIsHelpError

from labcalc import __version__
from labcalc.cli.words import say
from labcalc.errors import LabcalcError


class NetGroup(click.Group):
    """Commands that return their exit code; whatever else ends one is exit code 2, since 1 says that rows were refused.

    A refusal, a failing disk and an interruption are one line; what nobody foresaw is one line with the name of a file
    that holds its traceback.
    """

    def main(self, *args: Any, **words: Any) -> NoReturn:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, TextIOWrapper):  # a console that lacks ν or holds half a character shows its number
                stream.reconfigure(errors="backslashreplace")
        code = 2
        try:
            code = super().main(*args, **words | {"standalone_mode": False})
        except NoArgsIsHelpError as asked_for:
            say(asked_for.format_message())
        except click.ClickException as refusal:
            asked = refusal.ctx.command_path if isinstance(refusal, click.UsageError) and refusal.ctx else self.name
            say(f"{asked}: {refusal.format_message().rstrip('.?')}; see {asked} --help")
        except click.Abort:
            say("labcalc: interrupted")
        except SystemExit as end:  # click's answer to a shell that completes, or to a closed pipe
            code = 0 if end.code == 0 else 2
            if code:
                say("labcalc: what it writes to was closed")
        except LabcalcError as refusal:
            say(f"labcalc: {refusal}")
        except OSError as failure:
            place = f"{failure.filename}: " if failure.filename else ""
            say(f"labcalc: {place}{failure.strerror or failure}")
        except BaseException as failure:  # noqa: BLE001  (a library's panic is no Exception)
            words_of = " ".join(f"{type(failure).__name__}: {failure}".split())[:_LONGEST]
            say(f"labcalc: this was not foreseen, and nothing more was done: {words_of}; {_log(failure)}")
        sys.exit(code)


_LONGEST = 200
"""Characters of an unforeseen failure that are shown; the rest stands in the log."""


def _log(failure: BaseException) -> str:
    """Write down what happened in a file that only this person can read, and say where."""
    told: Sequence[str] = [f"labcalc {__version__}, Python {sys.version}\n", f"{sys.argv}\n"]
    try:
        handle, name = tempfile.mkstemp(prefix="labcalc-", suffix=".log")
        os.close(handle)
        Path(name).write_text("".join([*told, *traceback.format_exception(failure)]), "utf-8", "backslashreplace")
    except OSError as unwritten:
        return f"its log could not be written: {unwritten.strerror}"
    return f"please send {name} to whoever looks after labcalc"
