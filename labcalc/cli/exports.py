"""``labcalc read``: exports as one tidy table.

``labcalc init``, ``check``, ``sentences``: a first lab.toml, what is wrong with it, what a translator of pages gets.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import click

import labcalc.exports
import labcalc.lab
from labcalc import judgement
from labcalc.cli import words
from labcalc.cli.words import FILE, PATH, answer, exports_argument, json_text, lab_option, remark, say, tell
from labcalc.errors import ExportError, LabcalcError, SettingsError, typed
from labcalc.wording import counted, first_of
from labcalc.writing import write_whole

_MANY = 20  # exports of a profile that are named on the screen


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
        rows = json.loads(table.to_json(orient="records", date_format="iso"))
        refused, files = [*map(vars, reading.refusals)], [*map(vars, reading.sources)]
        failed = [{"file": failure.file, "problem": failure.problem} for failure in reading.failures]
        tell(json_text({"rows": rows, "refused": refused, "files": files, "failed": failed}))
    elif to is None:
        shown = table.drop(columns="run").dropna(axis=1, how="all")
        empty = {name: "" for name in shown.columns if shown[name].dtype == object}
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        tell(shown.fillna(empty).to_string(index=False, na_rep="", line_width=width))
    code = words.name_refusals(reading)
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


@click.command()
@exports_argument
@click.option("--to", type=FILE, metavar="LAB.toml", help="Where it goes; without, onto the screen.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@answer
def init(exports: tuple[Path, ...], to: Path | None, force: bool) -> int:
    """Write a first lab.toml from exports.

    Names, patterns and typical values come from them; the rest are questions to you.
    """
    if to is not None and to.exists() and not force:
        raise SettingsError(str(to), "", "there is such a file already; --force writes over it")
    profiles, folder = labcalc.exports.profiles_for(exports), "." if to is None else to.parent
    first = judgement.propose_settings(exports, profiles=profiles, folder=folder)
    code = words.name_refusals(first.reading)
    if first.reading.table.empty:
        raise LabcalcError("every row was refused: there is nothing to write")
    if to is None:
        tell(first.text, nl=False)
    else:
        to.write_text(first.text, encoding="utf-8")
        remark(f"Written to {to}. Answer what it asks; then: labcalc check --lab {typed(to)}")
    return code


@click.command()
@click.argument("exports", nargs=-1, type=PATH, metavar="[EXPORT]...")
@words.record_option
@click.option("--json", "as_json", is_flag=True, help="What was found as JSON, for other programs.")
@click.option("--keys", is_flag=True, help="Say what lab.toml may hold: key, what it takes, default, meaning.")
@click.option("--schema", type=FILE, metavar="FILE.json", help="Write the JSON Schema of lab.toml, for editors.")
@answer
def check(exports: tuple[Path, ...], lab: Path, as_json: bool, keys: bool, schema: Path | None) -> int:
    """Say what is wrong or unlikely in lab.toml.

    It is held against the record that it names and further exports.
    """
    if keys or schema is not None:
        return _reference(keys, schema)
    review = judgement.review_setup(lab, exports)
    if as_json:
        tell(json_text(review.for_programs))
    else:
        tell("\n".join(_in_words(review, lab)))
    return int(review.refused)


def _reference(keys: bool, schema: Path | None) -> int:
    from labcalc.lab.settings import settings_reference, settings_schema

    if keys:
        tell("| key | takes | default | meaning | in the sample laboratory |\n|---|---|---|---|---|")
        for row in settings_reference():
            tell(f"| {' | '.join(cell.replace('|', '/') for cell in row)} |")
    if schema is not None:
        schema.write_text(json_text(settings_schema()) + "\n", encoding="utf-8")
        remark(f"Written to {schema}. In an editor's TOML settings, or line 1 of lab.toml: #:schema {schema}")
    return 0


def _in_words(review: judgement.SetupReview, lab: Path) -> Iterator[str]:
    """Say the outcome, which profile took which export, and what was found, the most severe first."""
    groups = [(severity, list(some)) for severity, some in groupby(review.findings, lambda one: one.severity)]
    yield f"{lab}: {', '.join(counted(len(some), severity) for severity, some in groups) or 'nothing to mend'}."
    if not review.usable:
        yield "It can't be used like this; the exports are looked at once it can."
    for profile in dict.fromkeys(profile for profile, _ in review.exports):
        yield from _exports(profile, [one for name, one in review.exports if name == profile])
    for severity, some in groups:
        yield f"\n{severity.capitalize()}s"
        for one in some:
            yield f"  {one.place}{f', line {one.line}' if one.line else ''}: {one.finding}"
            yield from [f"      {one.remedy}"] if one.remedy else []


def _exports(profile: str, exports: list[labcalc.exports.SourceFile]) -> Iterator[str]:
    taken = f"profile '{profile}'" if profile else "no profile"
    yield f"  {taken}: {counted(len(exports), 'export')}, {labcalc.exports.totals(exports)}"
    yield from [f"      {unused}"] if (unused := labcalc.exports.columns_not_used(exports)) else []
    names, more = [one.name for one in exports], len(exports) - _MANY
    yield click.wrap_text(", ".join(names[:_MANY]) + (f" and {more} more" if more > 0 else ""), 110, "      ", "      ")


@click.command()
@click.argument("file", type=FILE, metavar="FILE.po")
@click.option("--language", metavar="CODE", default="", help="Language of a new file, such as de or pt_BR.")
@answer
def sentences(file: Path, language: str) -> int:
    """Write every sentence of the pages for a translator.

    A file that is there keeps its translations and gets the sentences that are new.
    """
    from labcalc.workbooks.sentences import write_catalogue

    try:
        content, number, translated = write_catalogue(language, file.read_bytes() if file.exists() else b"")
    except ValueError as refusal:
        raise click.UsageError(f"{file.name}: {refusal}") from refusal
    write_whole(file, content)
    remark(f"{number:,} sentences, {translated:,} of them translated. lab.toml names it: [report] translation")
    return 0
