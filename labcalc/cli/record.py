"""``labcalc record``: what was read and decided, kept so that nothing is lost, twice, or changed unseen."""

from __future__ import annotations

import getpass
import re
from collections.abc import Mapping
from contextlib import suppress
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import click

import labcalc.exports
import labcalc.lab
from labcalc.cli import words
from labcalc.cli.words import FILE, answer, day_option, json_text, record_option, remark, say, tell
from labcalc.errors import DecisionError, RecordError
from labcalc.wording import counted, first_of

_WHAT = ("exclude", "accept", "count", "corrective action", "conclusion")
_OR = f"{', '.join(_WHAT[:-1])} or {_WHAT[-1]}."
_who: dict[str, Any] = {"default": getpass.getuser, "show_default": "your login", "metavar": "NAME", "help": "Who."}
by_option = click.option("--by", "who", callback=lambda _, __, name: " ".join(name.split()), **_who)
_REPLACED = "The decision or action that this one takes the place of."
corrects_option = click.option("--corrects", type=int, default=0, metavar="NUMBER", help=_REPLACED)
json_option = click.option("--json", "as_json", is_flag=True, help="As JSON, for other programs.")


@click.group()
def record() -> None:
    """Keep what was read and decided, added to, never changed."""


@record.command()
@words.exports_argument
@record_option
@by_option
@click.option("--again", default="", metavar="WHY", help="Read anew what is known, by today's lab.toml, and say why.")
@click.option("--watch", is_flag=True, help="Go on with what comes later, until Ctrl-C; no --again.")
@answer
def add(exports: tuple[Path, ...], lab: Path, who: str, again: str, watch: bool) -> int:
    """Add exports, or folders of them, to the record.

    Decisions beside lab.toml come along; what is known already isn't added twice.
    """
    laboratory = labcalc.lab.load_laboratory(lab)
    if watch:
        return _watch(laboratory, exports, who)
    added = list(labcalc.lab.add_exports(laboratory, exports, who=who, again=again))
    moved, certified = labcalc.lab.move_decisions(laboratory), labcalc.lab.add_certificates(laboratory, who=who)
    for one in added:
        _name_what_is_missing(one)
    new, failed = [one for one in added if one.is_new], [one for one in added if one.failure]
    known = len(added) - len(new) - len(failed)
    read = f"; {labcalc.exports.totals([one.source for one in new if one.source])}" if new else ""
    decisions = f"; {counted(moved, 'decision')} moved" if moved else ""
    decisions += f"; {counted(certified, 'certificate')} new or changed" if certified else ""
    tell(f"{counted(len(new), 'export')} added, {known} known already{read}{decisions}. {head_words(laboratory)}")
    unusable = labcalc.lab.checked_decisions(laboratory).unusable
    for line in unusable:
        say(f"labcalc: {line}")
    if failed and len(failed) == len(added):
        return 2
    return 1 if failed or unusable or any(one.refusals for one in new) else 0


def _watch(laboratory: labcalc.lab.Laboratory, exports: tuple[Path, ...], who: str) -> int:
    remark(f"Watching {', '.join(map(str, exports))}; Ctrl-C ends it.")
    try:
        for one in labcalc.lab.watch_exports(laboratory, exports, who=who):
            _name_what_is_missing(one)
            if one.is_new:
                tell(f"{one.path.name} added as entry {one.entry}.")
    except KeyboardInterrupt:
        tell(head_words(laboratory))
    return 0


def _name_what_is_missing(one: labcalc.lab.Added) -> None:
    if one.failure:
        say(f"not added: {one.failure}")
    for refusal in one.refusals:
        say(f"refused: {refusal}")


@record.command()
@click.argument("n", type=int, required=False, metavar="[NUMBER]")
@record_option
@click.option("--kind", default="", metavar="KIND", help="export, reading, refused, decision, certificate, issued …")
@click.option("--by", "who", default="", metavar="NAME", help="Entries of this person.")
@click.option("--sample", default="", metavar="NAME", help="With rows of this sample.")
@click.option("--instrument", default="", metavar="NAME", help="With rows of this instrument.")
@day_option("--since", told="Written (with --to: measured) on this day or later.")
@day_option("--until", told="Written (with --to: measured) on this day or before.")
@json_option
@click.option("--to", type=FILE, metavar="FILE", help="The rows as .csv or .xlsx; with NUMBER: its export or report.")
@click.option("--force", is_flag=True, help="Let --to write over a file that labcalc didn't make.")
@answer
def show(lab: Path, n: int | None, as_json: bool, to: Path | None, force: bool, **asked: Any) -> int:
    """Show entries, one a line, or write rows to a file.

    With NUMBER one entry in full; with --to its export as it came in.
    """
    laboratory = labcalc.lab.load_laboratory(lab)
    if to is not None:
        return _write(laboratory, n, to, force, asked)
    found = labcalc.lab.find_entries(laboratory, n=n, **asked)
    if as_json or n is not None:
        tell(json_text([one.for_programs for one in found]))
    else:
        for one in found:
            tell(f"{one.n:>6}  {one.at}  {one.who}  {one.kind}: {' '.join(_gist(one.content).split())}")
    if not found:
        say("labcalc: no entry fits")
        return 2
    return 0


def _gist(content: Mapping[str, Any]) -> str:
    """Return what an entry says in a line."""
    if "what" in content:
        names = ("run", "instrument", "file", "finding", "decision")
        about = next(str(content[name]) for name in names if content.get(name))
        return f"{content['what']}, {about}: {content['why']}"
    if "oil" in content:
        return f"{content['oil']} lot {content['lot']}, number {content['certificate']}, to {content['valid_to']}"
    if "issued" in content:
        amends = f", in the place of {content['replaces']}: {content['changed']}" if content["replaces"] else ""
        return f"report {content['number']} of {content['issued']}{amends}"
    if "pages" in content:
        return f"{counted(len(content['pages']), 'page')}, the first {content['pages'][0]['stem']}"
    if "reason" in content:
        return f"{content['name']}: {content['reason']}"
    if "name" in content:
        return f"{content['name']}, {counted(content['rows_read'], 'row')} read, {content['rows_refused']} refused"
    return ", ".join(f"{name} {one}" for name, one in content.items())


def _write(laboratory: labcalc.lab.Laboratory, n: int | None, to: Path, force: bool, asked: dict[str, Any]) -> int:
    if n is None:
        named = {name: asked[name] for name in ("sample", "instrument", "since", "until")}
        rows = labcalc.lab.find_rows(laboratory, **named).table
        labcalc.exports.write_table(rows, to, force=force)
        tell(f"{counted(len(rows), 'row')} written to {to}.")
        return 0
    if to.exists() and not force:
        raise RecordError(str(to), "there is such a file already; --force writes over it")
    to.write_bytes(labcalc.lab.export_bytes(laboratory, n))
    tell(f"What entry {n} holds written to {to}.")
    return 0


@record.command()
@record_option
@by_option
@click.option("--what", required=True, metavar="WHAT", type=click.Choice(_WHAT), help=_OR)
@click.option("--why", required=True, metavar="TEXT", help="The reason.")
@click.option("--run", default="", metavar="RUN", help="The run that it is about.")
@click.option("--instrument", default="", metavar="NAME", help="Or the instrument.")
@click.option("--quantity", default="", metavar="NAME", help="Only the charts of this quantity.")
@click.option("--temperature", "temperature_C", type=float, default=float("nan"), metavar="°C", help="Only these.")
@click.option("--file", default="", metavar="NAME", help="The export that counts.")
@corrects_option
@answer
def decide(lab: Path, **decided: Any) -> int:
    """Add a decision: who, what and why."""
    laboratory, run, file = labcalc.lab.load_laboratory(lab), decided["run"], decided["file"]
    refused, files = "", set[str]()
    with suppress(RecordError):  # before its first entry there is no record
        if laboratory.record is not None and (run or file):
            held = labcalc.lab.find_rows(laboratory)
            rows = held.table.assign(label=[one.label for one in held.sources for _ in range(one.determinations)])
            of_run = rows[rows["run"] == run] if run else rows
            named = of_run[(of_run[["source_file", "label"]] == file).any(axis=1)] if file else of_run
            files = set(named["label"])
            if of_run.empty:
                near = get_close_matches(run, {*rows["run"], *rows["sample"]})
                runs = rows["run"][rows[["run", "sample"]].isin([run] if run in near else near).any(axis=1)].unique()
                told = "is a sample; its runs are" if run in near else "is no run of the record; the nearest are"
                refused = f"--run: '{run}' {told}: {first_of(runs, 10) or 'none'}" if len(rows) else ""
    if refused:
        raise DecisionError("", 0, refused)
    if file and len(files) > 1:
        raise DecisionError("", 0, f"--file: exports named '{file}' are: {', '.join(sorted(files))}; name one so")
    decision = labcalc.lab.add_decision(laboratory, **decided)
    if laboratory.record is not None and (run or file) and not files:
        about = " in export ".join(f"'{one}'" for one in (run, file) if one)
        say(f"labcalc: the record holds no run {about} yet: nothing changes until it does")
    about = f"{decision.run or decision.instrument or decision.file}, number {decision.number}"
    tell(f"Decided by {decision.who}: {decision.what}, {about}. {head_words(laboratory)}")
    return 0


@record.command()
@click.argument("exports", nargs=-1, type=words.PATH, metavar="[EXPORT...]")
@record_option
@click.option("--printed", multiple=True, metavar="N:HEAD", help="A head from paper: entries, and 16 digits or more.")
@answer
def verify(exports: tuple[Path, ...], lab: Path, printed: tuple[str, ...]) -> int:
    """Hold every entry against its digest.

    Files and folders are held against the record. Exit code 1 names what is wrong.
    """
    laboratory = labcalc.lab.load_laboratory(lab)
    verified = labcalc.lab.verify_record if laboratory.record else labcalc.lab.verify_file
    heads = dict(map(_printed, printed))
    head, fault = verified(laboratory, heads)
    if fault is not None:
        say(f"labcalc: {fault}")
        return 1
    if missing := list(labcalc.lab.exports_not_held(laboratory, exports)) if exports else []:
        say("\n".join(f"labcalc: {path}: its content is not in the record" for path in missing))
        return 1
    paper = f"; it still says what was printed at entry {', '.join(map(str, sorted(heads)))}" if heads else ""
    tell(f"The record is as it was written: {head or 'no chained line yet'}{paper}.")
    return 0


def _printed(text: str) -> tuple[int, str]:
    found = re.search(r"(?<!\S)([1-9]\d*)(?::| entr(?:y|ies), head )([0-9a-fA-F]{16,})[…., ]*$", " ".join(text.split()))
    if not found:
        example = "33:106dc9e8bccf78e2 or '33 entries, head 106dc9e8bccf78e2'"
        raise click.BadParameter(f"'{text}': such as {example} is expected", param_hint="--printed")
    return int(found[1]), found[2]


@record.command()
@record_option
@answer
def checkpoint(lab: Path) -> int:
    """Print number of entries and head, to be signed or filed.

    A record written anew can't give the same.
    """
    laboratory = labcalc.lab.load_laboratory(lab)
    tell(f"{laboratory.name}: {head_words(laboratory)}")
    return 0


def head_words(laboratory: labcalc.lab.Laboratory) -> str:
    """Say how many entries there are, and the head."""
    if laboratory.record is None:
        return f"decisions.jsonl has {labcalc.lab.file_head(laboratory)}."
    return f"The record has {labcalc.lab.record_head(laboratory)}."
