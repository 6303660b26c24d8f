"""``labcalc init`` and ``labcalc check``: a first lab.toml, and what is wrong with the one there is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import click

import labcalc.exports
from labcalc import judgement
from labcalc.cli.words import FILE, PATH, answer, exports_argument, name_refusals, record_option, remark, tell
from labcalc.errors import LabcalcError, SettingsError, typed
from labcalc.wording import counted

_MANY = 20  # exports of a profile that are named on the screen


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
    code = name_refusals(first.reading)
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
@record_option
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
        tell(json.dumps(review.for_programs, ensure_ascii=False, indent=1))
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
        schema.write_text(json.dumps(settings_schema(), ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
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
