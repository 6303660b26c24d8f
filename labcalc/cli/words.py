"""What all commands share: options, messages, exit codes, and what pages say as a file for other programs."""

from __future__ import annotations

import getpass
import json
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec
from zoneinfo import ZoneInfo

import click

import labcalc.exports
import labcalc.lab
from labcalc import judgement, workbooks
from labcalc.errors import ExportError
from labcalc.wording import STEERING
from labcalc.writing import write_whole

if TYPE_CHECKING:
    import pandas as pd

P = ParamSpec("P")
PATH, FILE = click.Path(path_type=Path), click.Path(path_type=Path, dir_okay=False)


class _Folder(click.Path):
    """A folder, there or to be made: what is there and is none, such as a device, is told before any work."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if Path(value).exists() and not Path(value).is_dir():
            self.fail(f"'{value}' is no folder; a folder is expected", param, ctx)
        return super().convert(value, param, ctx)


FOLDER = _Folder(path_type=Path)
out_option = partial(click.option, "--out", type=FOLDER, metavar="DIR", help="Where the pages go.")
_RESULTS = "Write what the pages say to .json, .csv or .xlsx too."
results_option = click.option("--results", type=FILE, metavar="FILE", help=_RESULTS)


def _piped(context: click.Context, _: click.Parameter, exports: tuple[Path, ...]) -> tuple[Path, ...]:
    """Put a file in the place of ``-``; it goes when the command has ended."""
    if exports.count(_DASH) > 1:
        raise click.BadParameter("- stands for what comes in by a pipe, once")
    if _DASH not in exports:
        return exports
    piped = Path(context.with_resource(tempfile.TemporaryDirectory(prefix="labcalc-"))) / "piped"
    piped.write_bytes(sys.stdin.buffer.read())
    return tuple(piped if one == _DASH else one for one in exports)


def _be_quiet(context: click.Context, _: click.Parameter, quiet: bool) -> None:
    context.meta[_QUIET] = quiet


_DASH = Path("-")
exports_argument = click.argument("exports", nargs=-1, required=True, type=PATH, callback=_piped, metavar="EXPORT...")
_LAB = "lab.toml"
_lab = partial(click.option, "--lab", type=FILE, metavar="LAB.toml")
_SETTINGS = "Settings of the laboratory; default: lab.toml, if it is in this folder."
lab_option = _lab(default=lambda: _LAB if Path(_LAB).is_file() else None, help=_SETTINGS)
record_option = _lab(default=_LAB, show_default=True, help="It names the record.")
_QUIET = "labcalc.quiet"
_QUIETLY = "Say only what is wrong, and what was asked for."
quiet_option = click.option("-q", "--quiet", is_flag=True, expose_value=False, callback=_be_quiet, help=_QUIETLY)
_SIDE_BY_SIDE = "Reports rendered side by side; default: one a core."
jobs_option = click.option("--jobs", "workers", type=click.IntRange(min=1), metavar="N", help=_SIDE_BY_SIDE)


def day_option(*names: str, told: str, required: bool = False) -> Callable[[Any], Any]:
    """Return an option that takes a day."""
    kind: Any = {"type": click.DateTime(["%Y-%m-%d"]), "callback": lambda _, __, moment: moment and moment.date()}
    return click.option(*names, required=required, metavar="DATE", help=told, **kind)


_INSIDE = "Put the drawing script inside each report, compressed."


def paged(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of how its pages are written: ``out``, ``scripts``, ``pdf`` of ``BatchOptions``."""
    inside: Any = {"callback": lambda _, __, inside: workbooks.Scripts.INSIDE if inside else workbooks.Scripts.BESIDE}
    for option in (
        click.option("--pdf", is_flag=True, help="Print each report to PDF too, with the browser that is installed."),
        click.option("--single-file", "scripts", is_flag=True, help=_INSIDE, **inside),
        out_option(required=True),
    ):
        command = option(command)
    return command


def harmless(text: str) -> str:
    r"""Return a text as a terminal may show it; JSON stays the same JSON.

    >>> harmless("BL-26\x1b[2J")
    'BL-26\\u001b[2J'
    """
    return STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def say(line: str) -> None:
    """Say something about the work, on stderr."""
    click.echo(harmless(line), err=True)


def remark(line: str, say: Callable[[str], None] = say) -> None:
    """Say that something went as it should, unless --quiet was given."""
    if not click.get_current_context().meta.get(_QUIET):
        say(line)


def tell(text: str, nl: bool = True) -> None:
    """Put out what was asked for, on stdout."""
    click.echo(harmless(text), nl=nl)


def json_text(content: object) -> str:
    """Return what other programs read."""
    return json.dumps(content, ensure_ascii=False, indent=1)


def answer(command: Callable[P, int]) -> Callable[P, int]:
    """Keep short what a command imports, and let it be quiet; its return value is the exit code."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> int:
        from labcalc.workbooks.lean import keep_imports_short

        keep_imports_short()
        return command(*args, **kwargs)

    return quiet_option(run)


def name_refusals(reading: labcalc.exports.Reading, say: Callable[[str], None] = say) -> int:
    """Name what of the exports is in no result: files, rows, columns; return 1, the exit code, where rows are not."""
    for failure in reading.failures:
        say(f"labcalc: {failure}")
    for refusal in reading.refusals:
        say(f"refused: {refusal}")
    if unused := labcalc.exports.columns_not_used(reading.sources):
        say(unused)
    return 1 if reading.refusals or reading.failures else 0


def name_doubts(material: judgement.Material, say: Callable[[str], None] = say) -> int:
    """Name what the record doesn't hold although it was read: runs in doubt, rows that come again, torn decisions.

    Return 1, the exit code, where a decision isn't applied.
    """
    for line in (*material.unusable, *material.repeated):
        say(f"labcalc: {line}")
    for doubt in material.first_doubts:
        say(f"in doubt: {doubt.sentence}")
    return 1 if material.unusable else 0


def finish(result: workbooks.BatchResult, lines: Iterable[str], places: Iterable[Path], code: int) -> int:
    """Name the reports that aren't there, say the rest and where to begin, and return the exit code.

    ``code`` is the one for when every report is there.
    """
    for failed in result.failures:
        say(" ".join(f"no report {failed.name}: {failed.reason}".split()))
    remark("\n".join([*lines, *(f"Begin with {path}" for path in places)]), tell)
    if result.failures:
        return 1 if result.reports else 2
    return code


def write_page(to: Path, body: str, **about: str) -> None:
    """Write a page that no notebook makes; ``about``: its title, what made it as ``workbook``, its number."""
    from labcalc.workbooks.page import lay_out

    write_whole(to, lay_out(body, figures=0, scripts=workbooks.Scripts.BESIDE, **about).encode("utf-8"))


def recorder(laboratory: labcalc.lab.Laboratory) -> Callable[[Sequence[Mapping[str, str]]], Mapping[str, str]] | None:
    """Return what tells the laboratory's record of rendered pages; None without a record."""
    if laboratory.record is None:
        return None
    return partial(labcalc.lab.add_pages, laboratory, who=getpass.getuser())


def today_at(laboratory: labcalc.lab.Laboratory) -> date:
    """Return the day that it is in the laboratory."""
    return labcalc.lab.present_moment().astimezone(ZoneInfo(laboratory.time_zone)).date()


def one_page(out: Path, laboratory: labcalc.lab.Laboratory, **how: Any) -> workbooks.BatchOptions:
    """Return how a page that stands alone is rendered."""
    how |= {"record": recorder(laboratory), "time_zone": laboratory.time_zone}
    return workbooks.BatchOptions(out, workers=1, say=say, **how)


_COLUMNS = """
    rank; severity=When; about; finding=What was found; what_to_do; followed=Who sees to it; report_number; sample;
    product; lot; instrument; operator; oil=Reference oil; cause; measured_from=Measured; quantity;
    temperature_C=Temperature, °C; reported=Result; size; limit=Its limit; expanded_uncertainty=U (95 %);
    coverage_factor=k; unit; lowest=At least; highest=At most; decision_rule; limit_state=Limit; method; edition;
    verdict=Verdict on the run; note; since; runs; key; export; export_sha256=SHA-256 of the export
"""
"""Columns of a spreadsheet, in the order in which a customer reads them, with a heading where the name is none; the
other formats keep these short names."""
_NAMED = (one.strip().partition("=") for one in _COLUMNS.split(";"))
_HEADINGS = {name: heading or name.replace("_", " ").capitalize() for name, _, heading in _NAMED}


def write_quality(report: judgement.MonthReport | judgement.DuplicateReport, path: Path | None) -> None:
    """Write what a quality report asks for as ``write_document`` does, where it is wanted."""
    if path is not None:
        document = judgement.quality_for_programs(report)
        write_document(document, judgement.quality_table(document), path, [])


def write_document(document: Mapping[str, Any], table: pd.DataFrame, path: Path, exports: Iterable[Path] = ()) -> None:
    """Write a document as JSON, or its table as .csv or .xlsx; the same bytes for the same content.

    Raises ExportError : Another ending, or a file that labcalc didn't make.
    """
    ending = path.suffix.lower()
    if ending not in (".json", ".csv", ".xlsx"):
        raise ExportError(path.name, "results can be written to .json, .csv or .xlsx; expected one of these endings")
    path.parent.mkdir(parents=True, exist_ok=True)
    if ending == ".json":
        _write_json(document, path)
        return
    if ending == ".xlsx":
        names = {name: heading for name, heading in _HEADINGS.items() if name in table}
        table = table[list(names)].rename(columns=names) if names else table
        for name, figures in _FIGURES.items():
            if name in table:
                table[name] = table[name].map(lambda value, n=figures: float(f"{value:.{n}g}"), na_action="ignore")
        if "Result" in table:
            table["Result"] = table["Result"].map(_as_number)
    labcalc.exports.write_frame(table, path, exports=exports)


_FIGURES = {"U (95 %)": 2, "k": 3, "At least": 6, "At most": 6, "Size": 3, "Its limit": 3}
"""How many figures a spreadsheet shows of what isn't rounded already."""


def _as_number(reported: str) -> float | str | None:
    """Return a rounded result as the number that a spreadsheet reckons with; a grade stays a word."""
    if reported == "–":
        return None
    try:
        return float(reported.replace("−", "-").replace("\u202f", "").replace("\u00a0", ""))
    except ValueError:
        return reported


def _write_json(document: Mapping[str, Any], path: Path) -> None:
    begins = json.dumps({"format": document["format"]}, indent=1)[:-2]
    if path.exists() and not path.read_text("utf-8", errors="replace").startswith(begins):
        raise ExportError(str(path), "labcalc didn't make what is there; expected another name")
    write_whole(path, f"{json.dumps(document, ensure_ascii=False, indent=1)}\n".encode())
