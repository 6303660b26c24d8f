"""Is the record what was written? Every entry, its chain, and what the tables hold beside it."""

import hashlib
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from labcalc.errors import RecordError
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import ORIGIN, Head, linked
from labcalc.lab.record.contents import PARTS, digest_of, names_in, stored_parts
from labcalc.lab.record.database import Connection
from labcalc.lab.record.journal import NOT_LABCALCS, Entry, changed_triggers, entries_of, entry_text, head_of, opened


@dataclass(frozen=True)
class Fault:
    """The first entry that isn't as it was written, and what is wrong with it."""

    entry: int
    problem: str

    def __str__(self) -> str:
        return f"entry {self.entry}: {self.problem}"


def verify_record(
    laboratory: Laboratory, printed: Mapping[int, str] | None = None, *, entries_alone: bool = False
) -> tuple[Head, Fault | None]:
    """Hold every entry of the laboratory's record against its digest, and the tables against the entries.

    ``printed`` are heads from paper: number of entries, and digest [hex] or its first digits. Return the head and the
    first fault; without a printed head, an end that was cut off and a record that was written anew as a whole can't be
    told. ``entries_alone`` leaves out exports, rows and the file: entries and triggers are held to what they were in
    a hundredth of the time. RecordError where the record can't be opened or read.
    """
    with opened(laboratory).reading() as connection:
        found = next(_faults(connection, printed or {}, {} if entries_alone else _CHECKS), None)
        return head_of(connection), found


def _faults(connection: Connection, printed: Mapping[int, str], checks: "_Checks") -> Iterator[Fault]:
    previous, n = ORIGIN, 0
    for n, entry in enumerate(entries_of(connection), 1):
        problem = _problem(connection, entry, n, previous, printed.get(n, ""), checks)
        if problem:
            yield Fault(n, problem)
        previous = entry.digest
    yield from (Fault(one, f"a printed head names it; the record ends with {n}") for one in sorted(printed) if one > n)
    if changed := changed_triggers(connection):
        yield Fault(n, f"all holds up to it, but the triggers that refuse changes are gone or others: {changed[0]}")
    if not checks:
        return
    for table in _OF:
        query = f"SELECT min(entry) FROM {table} WHERE entry NOT IN (SELECT n FROM entries WHERE kind IN {_OF[table]})"
        if (astray := connection.one(query)[0]) is not None:
            yield Fault(astray, f"the table {table} holds something for it that the entry doesn't")
    if connection.is_sqlite and (said := connection.one("PRAGMA integrity_check(1)")[0]) != "ok":
        yield Fault(n, f"all holds up to it, but the file is damaged, and what is looked up may be wrong: {said}")
    for table in PARTS:
        query = f"SELECT min(entry) FROM {table} WHERE entry NOT IN (SELECT entry FROM readings)"
        if (astray := connection.one(query)[0]) is not None:
            yield Fault(astray, f"the table {table} holds rows of it, which no reading gave")


_OF = {"exports": "('export')", **dict.fromkeys(("readings", "packed_rows", "names"), "('export', 'reading')")}
_OF |= {"refused": "('refused')", "issued": "('issued')"}
"""Kinds of the entries that a table holds something for."""


def _problem(connection: Connection, entry: Entry, n: int, previous: str, printed: str, checks: "_Checks") -> str:
    if entry.n != n:
        return "it is missing"
    if entry.previous != previous:
        return "it doesn't follow the entry before it"
    if linked(previous, str(entry.text)) != entry.digest:
        return "its text is not the one that was digested"
    if not entry.digest.startswith(printed.lower()):
        return f"its digest is {entry.digest[: len(printed)]}…, {printed} was printed"
    try:
        if entry_text(n, entry.at, entry.who, entry.kind, entry.corrects, entry.content) != entry.text:
            return "its columns say something else than its text"
        check = checks.get(entry.kind)
        return check(connection, entry) if check else ""
    except zlib.error:
        return f"its {'report' if entry.kind == 'issued' else 'export'} can't be unpacked"
    except (ValueError, LookupError, TypeError, RecordError):
        return NOT_LABCALCS


def _kept(connection: Connection, entry: Entry, table: str, names: tuple[str, ...], what: str) -> str:
    """Hold packed bytes, and the columns beside them, against what the entry says of both."""
    found = connection.one(f"SELECT {', '.join(names)}, packed FROM {table} WHERE entry = :n", n=entry.n)
    if not found:
        return f"its {what} is missing"
    beside, data = list(found[:-1]), zlib.decompress(found[-1])
    stated = [entry.content[name] for name in (*names, "sha256", "size")]
    is_same = [*beside, hashlib.sha256(data).hexdigest(), len(data)] == stated
    return "" if is_same else f"its {what} is not the one that was {_DONE[what]}"


_DONE = {"export": "added", "report": "issued"}


def _step(connection: Connection, entry: Entry) -> str:
    found = connection.one("SELECT entries, head FROM steps WHERE step = :step", step=entry.content["step"])
    return "" if tuple(found) == (entry.n - 1, entry.previous) else "its step is not the one that was taken"


def _refused(connection: Connection, entry: Entry) -> str:
    sha256, packed = connection.one("SELECT sha256, packed FROM refused WHERE entry = :n", n=entry.n) or ("", b"")
    kept = hashlib.sha256(zlib.decompress(packed)).hexdigest() if packed else sha256
    return "" if entry.content["sha256"] == sha256 == kept else "its export is not the one that was refused"


def _reading(connection: Connection, entry: Entry) -> str:
    stated = entry.content
    query = "SELECT sha256 FROM exports WHERE entry = (SELECT export FROM readings WHERE entry = :n)"
    if tuple(connection.one(query, n=entry.n)) != (stated["sha256"],):
        return "it is the reading of another export"
    try:
        if digest_of(stored_parts(connection, entry.n)) != stated["parts_sha256"]:
            return "its rows, refused rows or lines set aside are not those that were read"
        held = names_in(connection.one("SELECT packed FROM packed_rows WHERE entry = :n", n=entry.n)[0])
    except (zlib.error, ValueError, LookupError, TypeError):
        return "its rows are missing or can't be unpacked"
    names = connection.every("SELECT what, name FROM names WHERE entry = :n", n=entry.n)
    return "" if held == set(map(tuple, names)) else "it is found by other names than those of its rows"


_Checks = Mapping[str, Callable[[Connection, Entry], str]]
_CHECKS: _Checks = {
    "export": lambda at, one: _kept(at, one, "exports", ("sha256", "size"), "export") or _reading(at, one),
    "issued": lambda at, one: _kept(at, one, "issued", ("number", "run"), "report"),
    "reading": _reading,
    "step": _step,
    "refused": _refused,
}
