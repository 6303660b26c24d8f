"""A profile for an export, guessed and tried by reading with it; what only the laboratory knows, as questions."""

import json
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import MISSING, dataclass, fields, replace
from itertools import groupby, islice, product
from pathlib import Path, PurePath
from typing import Any
from zoneinfo import ZoneInfo

from labcalc.errors import ExportError
from labcalc.exports.arranging.arrangement import with_results
from labcalc.exports.arranging.flat import Flat, between
from labcalc.exports.arranging.layout import problems_of
from labcalc.exports.guessing.guesses import guess_columns, invalid_among, repeated_above, statistics_among
from labcalc.exports.guessing.likely import likely_tables, shaped_tables
from labcalc.exports.guessing.sizes import Guess
from labcalc.exports.profile import DATE_ORDERS, Arrangement, Column, Profile
from labcalc.exports.read import WORKBOOKS, content_of, fits_profile, read_content, table_of, zone_of
from labcalc.exports.source.sheet import sheets
from labcalc.exports.source.text import Record, decode, divided, naming, shown
from labcalc.exports.table import SourceFile, columns_not_used, totals
from labcalc.exports.values.dates import parse_day

_TRIED = 1 << 20  # bytes of a text that candidates are tried on
_RECORDS = 300
_MOST_NAMED, _WIDEST = 10, 40
_ANY_C = 40.0  # stands for the temperature that is asked for, while the rest is tried, [°C]
_QUESTIONS = {
    "date_order": "which comes first, day or month?",
    "decimal": "which is the decimal sign?",
    "temperature_C": "at which temperature was it measured, in °C?",
    "sheet": "which sheets have the results to be read?",
}
_INSTRUMENT = re.compile(r"[A-Za-z]{1,5}-?\d{1,3}")
_Tried = tuple[dict[str, Any], SourceFile]
_NOTHING = SourceFile("", "", 0, 0, "")
_ALWAYS_ASKED = ("temperature_C", "sheet")


def quoted(text: str) -> str:
    """Return the text as TOML writes it, which is JSON's way but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def written(value: object) -> str:
    """Return a text, a number, a list of them, or keys and values in one line."""
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {written(one)}' for key, one in value.items())} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(written, value))}]"
    return quoted(value) if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)


def remark(text: object) -> str:
    """Return a text that a remark can hold."""
    return "".join(sign if sign.isprintable() else " " for sign in str(text))


@dataclass(frozen=True)
class Proposal:
    """What was seen in an export, and a profile for it; none where it reads without any."""

    file: str
    problems: tuple[str, ...]
    guesses: tuple[Guess, ...] = ()
    profile: Profile | None = None
    questions: tuple[tuple[str, tuple[Any, ...]], ...] = ()  # what only the laboratory knows, and what it may be
    source: SourceFile = _NOTHING  # what is read so

    @property
    def outcome(self) -> str:
        """Return in words what is read so."""
        return "; ".join(filter(None, (totals([self.source]), columns_not_used([self.source]))))

    @property
    def toml(self) -> str:
        """Return a table of what was seen, as remarks, and a ``[[profile]]``, to be added to lab.toml."""
        if self.profile is None:
            return f"# {remark(self.file)} reads without any profile: {self.outcome}.\n"
        lines = [f"{remark(self.file)} can't be read as it is:", *_wrapped("- ", self.problems)]
        answered = ", the questions answered" if self.questions else ""
        lines += ["", *_table(self.guesses), "", *_wrapped("", [f"Read with this profile{answered}: {self.outcome}."])]
        return "\n" + "".join(f"# {line}".rstrip() + "\n" for line in lines) + "".join(_profile_lines(self))


def _rank(tried: Proposal) -> tuple[int, int, int, int]:
    said = sum(one.said is not None for one in tried.guesses)
    return tried.source.determinations, -tried.source.rows_refused, -len(tried.questions), -said


def propose_profile(path: str | Path, *, time_zone: str = "UTC") -> Proposal:
    """Propose a profile by which an export can be read; none where it reads without any.

    path : The export; of a text the first million characters are tried.
    Raises ExportError : The file is none that can be read, or nothing in it looks like results.
    """
    path, zone = Path(path), zone_of(time_zone)
    data = content_of(path)
    cut = data.find(b"\n", _TRIED) + 1
    data = data if not cut or b"\0" in data[:cut] else data[:cut]
    plain = Profile(name="", files=())
    try:
        _, refusals, source = read_content(path, data, "", plain, zone)
        problems, refused = (totals([source]), *map(str, refusals[:_MOST_NAMED])), source.rows_refused
        as_it_is = Proposal(path.name, (), source=source) if source.rows_read else None
    except ExportError as failure:
        problems, refused, as_it_is = _all_problems(path, data, plain, zone, failure.problem), 1, None
    with naming(path.name):
        best = _best(path, data, zone) if refused else None
    if as_it_is and (best is None or best.source.rows_refused >= refused):
        return as_it_is
    if best is None:
        told = "; ".join(problems[:2])
        raise ExportError(path.name, f"{told}; no profile was found that reads it, so none is proposed")
    return replace(best, problems=problems)


def profiles_for(paths: Iterable[str | Path]) -> list[str]:
    """Return as TOML what is proposed for the exports that need a profile; what can't be read at all is left out."""
    found: list[Proposal] = []
    for path in map(Path, paths):
        if not any(fits_profile(path.name, one.profile) for one in found if one.profile):
            with suppress(ExportError):
                found.append(propose_profile(path))
    return [one.toml for one in found if one.profile]


def _all_problems(path: Path, data: bytes, plain: Profile, zone: ZoneInfo, first: str) -> tuple[str, ...]:
    try:
        table = table_of(path, data, plain, zone)[0]
    except ExportError:
        return (first,)
    return tuple(dict.fromkeys((first, *problems_of(table))))


def _best(path: Path, data: bytes, zone: ZoneInfo) -> Proposal | None:
    """Return the first candidate by the words of the trade that reads, or else the best of those by shape."""
    heads = list(_heads(path, data))
    by_words = (_try(path, data, how, table, zone) for records in heads for how, table in likely_tables(records))
    if found := next(filter(None, by_words), None):
        return found
    by_shape = (_try(path, data, how, table, zone) for records in heads for how, table in shaped_tables(records))
    return max(filter(None, by_shape), key=_rank, default=None)


def _heads(path: Path, data: bytes) -> Iterator[list[Record]]:
    if path.suffix.lower() not in WORKBOOKS:
        yield list(islice(divided(decode(data)[0], ""), _RECORDS))
        return
    for _, _, records in sheets(data):
        yield list(islice(records, _RECORDS))


def _try(path: Path, data: bytes, how: Arrangement, table: Flat, zone: ZoneInfo) -> Proposal | None:
    """Return what reading comes to, with as few further settings as make it read."""
    guesses = guess_columns(table)
    named = {_name(table, one, how): one.said for one in guesses if one.said is not None}
    said = {one.name: getattr(how, one.name) for one in fields(Arrangement)}
    said |= {"columns": {**how.columns, **named}, "as_above": repeated_above(guesses, table, how)}
    said["set_aside"] = (*statistics_among(table, how.sections), *invalid_among(table))
    held = {one.holds for one in guesses} | table.preamble.keys()
    pattern = re.sub(r"\d+", "*", re.sub(r"([\[*?])", r"[\1]", path.name))
    profile = Profile(name=PurePath(path).stem, files=(pattern,), from_name=_from_name(path, held), **said)
    settings: list[dict[str, Any]] = [
        {name: one for name, one in zip(_QUESTIONS, values, strict=True) if one is not None}
        for values in product((None, *DATE_ORDERS), (None, ".", ","), (None, _ANY_C), _sheets(path, data, profile))
    ]
    for _, group in groupby(sorted(settings, key=len), len):
        read = [(one, source) for one in group if (source := _readable(path, data, replace(profile, **one), zone))]
        if read:
            return _decided(path.name, profile, guesses, read)
    return None


def _sheets(path: Path, data: bytes, profile: Profile) -> list[tuple[str, ...] | None]:
    """Return what profile.sheet may be: nothing, or where several sheets or only hidden ones have results, those."""
    if path.suffix.lower() not in WORKBOOKS:
        return [None]
    found = with_results(sheets(data), profile)
    visible = [name for name, is_hidden in found if not is_hidden]
    names = visible or [name for name, _ in found]
    return [None] if len(visible) == 1 else [None, tuple(names), *((name,) for name in names[:_MOST_NAMED])]


def _readable(path: Path, data: bytes, profile: Profile, zone: ZoneInfo) -> SourceFile | None:
    try:
        source = read_content(path, data, "", profile, zone)[2]
    except ExportError:
        return None
    return source if source.rows_read else None


def _decided(file: str, profile: Profile, guesses: tuple[Guess, ...], read: list[_Tried]) -> Proposal:
    """Return the candidate with the settings that one value alone reads best; the others are questions."""
    most = max(source.rows_read for _, source in read)
    best = [(one, source) for one, source in read if source.rows_read == most]
    asked = {name: read if name == "sheet" else best for name in _QUESTIONS}
    values = {name: tuple(dict.fromkeys(one[name] for one, _ in of if name in one)) for name, of in asked.items()}
    open_ = tuple((name, some) for name, some in values.items() if len(some) > 1 or (some and name in _ALWAYS_ASKED))
    told = {name: some[0] for name, some in values.items() if some and name not in dict(open_)}
    return Proposal(file, (), guesses, replace(profile, **told), open_, best[0][1])


def _name(table: Flat, guess: Guess, how: Arrangement) -> str:
    """Return how [profile.columns] names a column: by its header, or by its place where that can't be."""
    is_told = guess.header and table.header.cells.count(guess.header) == 1 and "*" not in guess.header
    return guess.names[0 if is_told and how.header_rows else -1]


def _from_name(path: Path, held: set[str]) -> str | None:
    """Return what the file's name says of date and instrument, where the export doesn't say it."""
    parts = path.stem.split("_")
    says = ["date" if parse_day(one, None) else "instrument" if _INSTRUMENT.fullmatch(one) else "" for one in parts]
    if "date" not in says or held & {"date", "measured_at", "year"}:
        return None
    known = [one if one and one not in held and says.index(one) == at else "ignored" for at, one in enumerate(says)]
    pattern = "_".join(f"{{{one}}}" for one in known)
    return pattern if between(path.stem, re.split(r"\{\w+\}", pattern)) else None


def _wrapped(mark: str, texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from textwrap.wrap(remark(text), 110, initial_indent=mark, subsequent_indent=" " * len(mark))


def _table(guesses: Sequence[Guess]) -> Iterator[str]:
    rows = [("Column", "Holds such as", "Taken for", "Why")]
    for one in guesses:
        some = [*dict.fromkeys(filter(None, one.cells))][:3]
        values = textwrap.shorten(", ".join(map(shown, some)), _WIDEST, placeholder=" …")
        rows.append((remark(shown(one.header or f"column {one.place + 1}")), remark(values), one.taken_for, one.why))
    widths = [min(max(len(row[at]) for row in rows), _WIDEST) for at in range(3)]
    for row in rows:
        yield "  ".join([*(text.ljust(width) for text, width in zip(row, widths, strict=False)), row[3]])


def _profile_lines(proposal: Proposal) -> Iterator[str]:
    profile = proposal.profile
    assert profile is not None
    yield "[[profile]]\n"
    for one in sorted(fields(Profile), key=lambda one: one.name not in ("name", "files")):
        value = getattr(profile, one.name)
        default = one.default_factory() if one.default_factory is not MISSING else one.default
        if one.name != "columns" and value != default:
            yield f"{one.name} = {written(value)}\n"
    for name, values in proposal.questions:
        yield f"# QUESTION: {_QUESTIONS[name]} Take away the # before the right one.\n"
        yield from (f"# {name} = {written(one)}\n" for one in values)
    asked = {name: one.instead for one in proposal.guesses if one.instead for name in one.names}
    others = {one.names[0]: one.instead for one in proposal.guesses if one.instead and one.said is None}
    if profile.columns or others:
        yield "[profile.columns]\n"
    for header, column in profile.columns.items():
        yield f"{quoted(header)} = {_column(column)}\n"
        if header in asked:
            is_asked = column.holds == "ignored"
            if is_asked:
                yield "# QUESTION: is it this, as well as the other or instead of it? Then, for the line above:\n"
            yield f"# {'' if is_asked else 'or '}{quoted(header)} = {_column(asked[header])}\n"
    for header, column in others.items():
        yield f"# QUESTION: does it hold the {column.holds}? Then take away the # here.\n"
        yield f"# {quoted(header)} = {_column(column)}\n"


def _column(column: Column) -> str:
    said = {one.name: value for one in fields(Column) if (value := getattr(column, one.name)) != one.default}
    return written(column.holds if len(said) == 1 else said)
