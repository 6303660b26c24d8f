"""``labcalc read``: exports as one tidy table."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import click

import labcalc.exports
import labcalc.lab
from labcalc.cli.words import FILE, answer, exports_argument, lab_option, name_refusals, remark, say, tell
from labcalc.errors import ExportError, LabcalcError
from labcalc.wording import counted, first_of


@click.command()
@exports_argument
@lab_option
@click.option("--to", type=FILE, metavar="FILE", help="Write .csv or .xlsx instead.")
@click.option("--force", is_flag=True, help="Let --to write over a file that labcalc didn't make.")
@click.option("--propose", is_flag=True, help="Propose a [[profile]] for each export, to be added to lab.toml.")
@click.option("--json", "as_json", is_flag=True, help="Rows, refused rows and files as JSON, for other programs.")
@answer
def read(
    exports: tuple[Path, ...], lab: Path | None, to: Path | None, force: bool, propose: bool, as_json: bool
) -> int:
    """Read run exports into one tidy table.

    A row is a determination; units stand in the column names. EXPORT may be a folder of them; - is what comes in by a
    pipe.
    """
    if propose:
        return _propose(exports, lab)
    reading = labcalc.lab.read(exports, lab)
    table = reading.table
    if to is not None and len(table):
        labcalc.exports.write_table(table, to, exports=exports, force=force)
    if as_json:
        tell(_reading_as_json(reading, json.loads(table.to_json(orient="records", date_format="iso"))))
    elif to is None:
        shown = table.drop(columns="run").dropna(axis=1, how="all")
        empty = {name: "" for name in shown.columns if shown[name].dtype == object}
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        tell(shown.fillna(empty).to_string(index=False, na_rep="", line_width=width))
    code = name_refusals(reading)
    if untimed := table.loc[table["measured_at"].isna(), "source_file"].tolist():
        rows = counted(len(untimed), "row")
        say(f"no time of measurement in {rows}, and no chart and no month holds them: {first_of(untimed)}")
    written = f"; written to {to}" if to is not None and len(table) else ""
    of = "" if len(reading.sources) == 1 else f", from {counted(len(reading.sources), 'file')}"
    remark(f"{labcalc.exports.totals(reading.sources)}{of}{written}.")
    if not len(table):
        raise LabcalcError("every row was refused: there is nothing to write")
    return code


def _propose(exports: tuple[Path, ...], lab: Path | None) -> int:
    """Say what was seen in each export as remarks of TOML, and a profile for it."""
    zone, code = labcalc.lab.load_laboratory(lab).time_zone, 0
    for export in exports:
        try:
            tell(labcalc.exports.propose_profile(export, time_zone=zone).toml, nl=False)
        except ExportError as failure:
            say(f"labcalc: {failure}")
            code = 2
    return code


def _reading_as_json(reading: labcalc.exports.Reading, rows: object) -> str:
    refused, files = [*map(vars, reading.refusals)], [*map(vars, reading.sources)]
    failed = [{"file": failure.file, "problem": failure.problem} for failure in reading.failures]
    told = {"rows": rows, "refused": refused, "files": files, "failed": failed}
    return json.dumps(told, ensure_ascii=False, indent=1)
