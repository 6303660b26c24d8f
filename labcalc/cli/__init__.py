"""The command line: words in, words out; a module a subject.

Exit codes: 0 all done; 1 done, but something was refused; 2 nothing could be done.
"""

from importlib.resources import files

import click

from labcalc import __version__
from labcalc.cli import follow_up as follow_up  # adds to `labcalc record`
from labcalc.cli.lessons import lessons
from labcalc.cli.methods import methods
from labcalc.cli.month import duplicates, month, year
from labcalc.cli.net import NetGroup
from labcalc.cli.read import read
from labcalc.cli.record import record
from labcalc.cli.report import demo, report
from labcalc.cli.sentences import sentences
from labcalc.cli.setup import check, init
from labcalc.cli.studies import study_commands
from labcalc.cli.verify import verify
from labcalc.cli.workbook import workbook


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
