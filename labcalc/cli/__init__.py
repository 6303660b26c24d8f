"""The command line: words in, words out; a module a command.

Exit codes: 0 all done; 1 done, but something was refused; 2 nothing could be done.
"""

from collections.abc import Mapping, Sequence

import click

from labcalc import __version__
from labcalc.cli import follow_up as follow_up  # adds to `labcalc record`
from labcalc.cli.duplicates import duplicates
from labcalc.cli.lessons import lessons
from labcalc.cli.methods import methods
from labcalc.cli.month import month, year
from labcalc.cli.net import NetGroup
from labcalc.cli.read import read
from labcalc.cli.record import record
from labcalc.cli.report import demo, report
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


EXAMPLES: Mapping[str, Sequence[str]] = {
    "check": ("labcalc check --lab lab.toml exports/*.csv", "labcalc check --schema lab.schema.json"),
    "comparison": (
        "labcalc comparison pairs.csv --allowed 0.05 --unit mm2/s --out reports",
        "labcalc comparison --example",
    ),
    "demo": ("labcalc demo",),
    "duplicates": ("labcalc duplicates --lab lab.toml --from 2026-01-01 --out reports",),
    "init": ("labcalc init exports/*.csv --to lab.toml",),
    "month": ("labcalc month 2026-03 --lab lab.toml --out reports --results march.xlsx",),
    "precision-study": ("labcalc precision-study levels.csv --out reports", "labcalc precision-study --example"),
    "proficiency": ("labcalc proficiency rounds.csv --out reports", "labcalc proficiency --example"),
    "read": (
        "labcalc read run.csv --to run.xlsx",
        "labcalc read strange.csv --propose >> lab.toml",
        "unzip -p week.zip run.csv | labcalc read - --json",
    ),
    "report": (
        "labcalc report today.csv --lab lab.toml --out reports",
        "labcalc report today.csv --lab lab.toml --out reports --run 2711-083 --issued 2026-03-31 --pdf",
    ),
    "record act": (
        "labcalc record act --lab lab.toml --month 2026-03 --finding KEY --owner 'R. Vance' --due 2026-04-10",
    ),
    "record add": ("labcalc record add exports --lab lab.toml",),
    "record decide": (
        "labcalc record decide --lab lab.toml --what exclude --run 2711-083 --why 'air seen in the cell'",
    ),
    "record limits": (
        "labcalc record limits --lab lab.toml --month 2026-03 --from 2026-04-01 --why '30 results in control'",
    ),
    "record show": (
        "labcalc record show --lab lab.toml --kind decision --since 2026-03-01",
        "labcalc record show --lab lab.toml --sample 2711 --to rows.xlsx",
    ),
    "record verify": ("labcalc record verify --lab lab.toml --printed 33:106dc9e8bccf78e2",),
    "verify": ("labcalc verify --out verified.html",),
    "workbook": (
        "labcalc workbook problem-sample --lab lab.toml",
        "labcalc workbook lessons --learner Ana --results class",
    ),
    "year": ("labcalc year 2026 --lab lab.toml --out reports",),
}
"""What stands beneath ``--help`` of a command."""

_others = (*study_commands, methods, verify, workbook, lessons)
for _command in (init, check, read, report, demo, month, year, duplicates, record, *_others):
    main.add_command(_command)
for _name, _lines in EXAMPLES.items():
    _group, _, _part = _name.partition(" ")
    _command = record.commands[_part] if _part else main.commands[_group]
    _command.epilog = "\b\nExamples:\n" + "\n".join(f"  {line}" for line in _lines)
