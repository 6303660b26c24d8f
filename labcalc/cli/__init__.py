"""The command line: words in, words out; a module a subject. Beneath all commands a net: no traceback ever comes out.

Exit codes: 0 all done; 1 done, but something was refused; 2 nothing could be done.
"""

import os
import sys
import tempfile
import traceback
from importlib.resources import files
from io import TextIOWrapper
from pathlib import Path
from typing import Any, NoReturn

import click
from click.exceptions import NoArgsIsHelpError

from labcalc import __version__
from labcalc.cli import follow_up as follow_up  # adds to `labcalc record`
from labcalc.cli.exports import check, init, read, sentences
from labcalc.cli.methods import methods, verify
from labcalc.cli.quality import duplicates, month, study_commands, year
from labcalc.cli.record import record
from labcalc.cli.report import demo, report
from labcalc.cli.words import say
from labcalc.cli.workbook import lessons, workbook
from labcalc.errors import LabcalcError

_LONGEST = 200  # characters of an unforeseen failure that are shown; the rest stands in the log


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


def _log(failure: BaseException) -> str:
    """Write down what happened in a file that only this person can read, and say where."""
    told = [f"labcalc {__version__}, Python {sys.version}\n", f"{sys.argv}\n", *traceback.format_exception(failure)]
    try:
        handle, name = tempfile.mkstemp(prefix="labcalc-", suffix=".log")
        os.close(handle)
        Path(name).write_text("".join(told), "utf-8", "backslashreplace")
    except OSError as unwritten:
        return f"its log could not be written: {unwritten.strerror}"
    return f"please send {name} to whoever looks after labcalc"


@click.group(cls=NetGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "-V", "--version", message="labcalc %(version)s")
def main() -> None:
    """From a viscosity and density run export to a result that can be signed.

    Exit codes: 0 all done; 1 done, but some rows or runs were refused, each named; 2 nothing could be done, or it was
    interrupted.
    """


_others = (*study_commands, methods, verify, sentences, workbook, lessons)
for _command in (init, check, read, report, demo, month, year, duplicates, record, *_others):
    main.add_command(_command)

EXAMPLES = tuple(files("labcalc.data").joinpath("examples.txt").read_text("utf-8").splitlines())
"""What stands beneath ``--help`` of the command that each names."""

for _line in EXAMPLES:
    _name, _part = f"{_line} ".partition("labcalc ")[2].split(" ", 2)[:2]
    _command = main.commands[_name]
    _command = _command.commands[_part] if isinstance(_command, click.Group) else _command
    _command.epilog = "\n  ".join((_command.epilog or "\b\nExamples:", _line))
