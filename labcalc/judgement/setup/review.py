"""What ``labcalc check`` finds: lab.toml by itself, the exports by themselves, and each beside the other."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from labcalc.errors import ExportError, RecordError, SettingsError, StudyError
from labcalc.exports import Reading, Refusal, SourceFile
from labcalc.judgement.setup import description
from labcalc.judgement.setup.description import Finding
from labcalc.judgement.studies.rounds import rounds_between
from labcalc.lab import Laboratory, checked_decisions, line_of_key, load_laboratory, read_record, record_head
from labcalc.lab.reading import earlier_export_files, export_files, name_fits, read
from labcalc.wording import counted

_REFUSED = "refused: "


@dataclass(frozen=True)
class SetupReview:
    """All that was found, the most severe first, and how the exports were read."""

    findings: tuple[Finding, ...]
    exports: tuple[tuple[str, SourceFile], ...] = ()  # each with the profile that took it, or none
    usable: bool = True  # whether lab.toml can be used; the exports were not looked at otherwise

    @property
    def refused(self) -> bool:
        """Tell whether there is an error or a refused row."""
        return any(one.severity == "error" or one.finding.startswith(_REFUSED) for one in self.findings)

    @property
    def for_programs(self) -> dict[str, Any]:
        """What was found for other programs: only what JSON can carry."""
        exports = [{"profile": profile, **vars(one)} for profile, one in self.exports]
        return {"usable": self.usable, "exports": exports, "findings": [vars(one) for one in self.findings]}


def review_setup(lab: str | Path, exports: Sequence[str | Path] = ()) -> SetupReview:
    """Look at lab.toml, the laboratory's record and further exports, and say all that is wrong or unlikely: where
    lab.toml can't be used, every problem of it, and nothing else; where it can't be read, raise SettingsError."""
    try:
        laboratory = load_laboratory(lab)
    except SettingsError as error:
        if not Path(lab).is_file():
            raise
        problems = sorted(error.problems, key=lambda one: one.line)
        found = (Finding("error", key or "lab.toml", text, line=line) for key, text, line in problems)
        return SetupReview(tuple(found), usable=False)
    named = (*earlier_export_files(laboratory), *export_files(exports, empty_too=True))
    files = list(dict.fromkeys(file.resolve() for file in named))
    reading = _read(files, laboratory)
    profiles = {f"profile[{n}].files": (one.name, one.files) for n, one in enumerate(laboratory.profiles, 1)}
    text = Path(lab).read_text("utf-8-sig")
    findings = (
        *description.findings_of_description(laboratory),
        *_record(laboratory),
        *description.findings_of_patterns(profiles, [one.name for one in (files or reading.sources)], "export"),
        *(Finding("error", one.file, one.problem) for one in reading.failures),
        *_refusals(reading.refusals),
        *description.findings_of_exports(reading.table, laboratory),
        *_decisions(laboratory, reading),
        *_open_questions(text.count(description.OPEN_QUESTION)),
    )
    placed = (replace(one, line=line_of_key(text, one.place)) if "[" in one.place else one for one in findings)
    ordered = sorted(placed, key=lambda one: description.SEVERITIES.index(one.severity))
    taken = (next((by for by, of in profiles.values() if name_fits(one.name, of)), "") for one in reading.sources)
    return SetupReview(tuple(ordered), tuple(zip(taken, reading.sources, strict=True)))


def _read(files: Sequence[Path], laboratory: Laboratory) -> Reading:
    """Read and label the exports, or without any the record; where none can be read, each says why."""
    try:
        return read_record(laboratory) if laboratory.record and not files else read(files, laboratory)
    except (ExportError, RecordError):
        return Reading(pd.DataFrame(columns=["run"]), (), (), tuple(_failures(files, laboratory)))


def _failures(files: Sequence[Path], laboratory: Laboratory) -> Iterator[ExportError]:
    for file in files:
        try:
            read(file, laboratory)
        except ExportError as failure:
            yield failure


def _record(laboratory: Laboratory) -> Iterator[Finding]:
    if laboratory.name == Laboratory.name:
        says = "nothing says it: times without an offset are taken for UTC"
        yield Finding("warning", "laboratory", says, 'Such as name = "Harbour", time_zone = "Europe/Lisbon".')
    if laboratory.record is not None:
        try:
            record_head(laboratory)
        except RecordError as error:
            yield Finding("warning", "record", str(error))
    elif not laboratory.earlier_exports:
        finding = "no record: nothing to make charts, months and duplicates from"
        yield Finding("note", "laboratory.earlier_exports", finding, 'Such as earlier_exports = ["exports/*"].')
    if laboratory.rounds_file:
        try:
            rounds_between(laboratory.rounds_file, date.min, date.max)
        except StudyError as error:
            yield Finding("error", "laboratory.proficiency_rounds", str(error), "Until then no round counts.")
    for n, pattern in enumerate(laboratory.earlier_exports, 1):
        if not earlier_export_files(replace(laboratory, earlier_exports=(pattern,))):
            finding = f"no file fits '{pattern}'"
            yield Finding("warning", f"laboratory.earlier_exports[{n}]", finding, "Patterns start from its folder.")


def _refusals(refusals: Sequence[Refusal]) -> Iterator[Finding]:
    """Name the refused rows of a file, alike ones together."""
    kinds: dict[tuple[str, str | None, str], list[Refusal]] = defaultdict(list)
    for one in refusals:
        kinds[one.file, one.column, one.expected].append(one)
    for (file, _, _), alike in kinds.items():
        said = str(alike[0]).removeprefix(f"{file}, ")
        more = f"; {counted(len(alike) - 1, 'more row')} like it" if len(alike) > 1 else ""
        yield Finding("warning", file, f"{_REFUSED}{said}{more}", "`labcalc read` names every row." if more else "")


def _decisions(laboratory: Laboratory, reading: Reading) -> Iterator[Finding]:
    try:
        decided = checked_decisions(laboratory)
    except RecordError:  # the record's own finding tells it
        return
    yield from (Finding("error", "decisions.jsonl", f"line {one.line}: {one.problem}") for one in decided.unusable)
    for one in description.unknown_runs(decided.decisions, reading.table) if reading.sources else ():
        finding = f"{one.who} decided ({one.what}) about run {one.run}, which the exports do not hold"
        yield Finding("warning", "decisions.jsonl", finding, "Was the run renamed, or is its export missing?")


def _open_questions(number: int) -> Iterator[Finding]:
    if number:
        finding = f"{counted(number, 'question')} of `labcalc init` still open"
        yield Finding("note", "laboratory", finding, "Take away the QUESTION line of each that is answered.")
