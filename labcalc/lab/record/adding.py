"""Exports into the record: each once, as bytes and as read; certificates, pages, and issued reports.

An issued report is kept as the bytes that were handed out, never written over; a change is an amendment.
"""

import hashlib
import os
import time
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from labcalc import __version__
from labcalc.errors import ExportError, RecordError
from labcalc.exports import Refusal, SourceFile
from labcalc.exports.read import content_of, read_bytes, zone_of
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.reading import certificates, export_files
from labcalc.lab.record.contents import digest_of, stated_source, store_parts, stored_refusals, stored_rows
from labcalc.lab.record.database import Connection, Database
from labcalc.lab.record.journal import append, entries_of, head_of, opened

_Stamp = tuple[str, int, int]
_LARGEST_REFUSED = 50_000_000  # bytes up to which an export that can't be read is kept, [B]
_LOOK_S = 2.0  # how often a folder is looked at that is watched, [s]: FAT keeps no finer time
_SETTLED_NS = 2_000_000_000  # age from which a file's time of change tells it from a later state, [ns]: as of FAT


@dataclass(frozen=True)
class Added:
    """What became of one file."""

    path: Path
    entry: int  # number of the entry that holds it; 0 where it couldn't be read
    is_new: bool  # tells an entry written now from one that was there
    source: SourceFile | None = None  # how it was read, if it is new
    refusals: tuple[Refusal, ...] = ()
    failure: ExportError | None = None


def add_exports(laboratory: Laboratory, paths: Iterable[str | Path], *, who: str, again: str = "") -> Iterator[Added]:
    """Add files, or folders of them at any depth, to the laboratory's record; what was yielded is on the disk.

    Content that is known, under whatever name, is not stored twice. ``who`` is the person who adds; ``again`` says why
    what is known is read anew by today's lab.toml, as a new entry that takes the place of the old reading. RecordError
    where the record can't be opened or written.
    """
    database = opened(laboratory, may_create=True)
    if not who.strip():
        raise RecordError(database.place, "who adds is missing: a name is expected")
    with database.reading() as connection:
        known = {(path, size, ns): entry for path, size, ns, entry in connection.every("SELECT * FROM stamps")}
        digests = dict(map(tuple, connection.every("SELECT sha256, entry FROM exports")))
    for path in export_files(paths):
        try:
            stamp = _stamp(path)
            if stamp in known and not again:
                yield Added(path, known[stamp], is_new=False)
            else:
                yield _add(database, laboratory, path, stamp, digests, who, again)
        except ExportError as failure:
            yield Added(path, 0, is_new=False, failure=failure)


def _stamp(path: Path) -> _Stamp:
    name = os.fsencode(path).decode("utf-8", "replace")
    if name != str(path):
        raise ExportError(name, "its name is not UTF-8; give it another")
    try:
        status = path.stat()
    except OSError:
        return str(path), -1, 0
    return os.path.abspath(path), status.st_size, status.st_mtime_ns  # noqa: PTH100 (resolve asks for every folder)


def _add(
    database: Database, laboratory: Laboratory, path: Path, stamp: _Stamp, held: dict[str, int], who: str, again: str
) -> Added:
    data = content_of(path)
    if _stamp(path) != stamp or len(data) != stamp[1]:
        raise ExportError(str(path), "it is being written just now; add it again when it is whole")
    digest = hashlib.sha256(data).hexdigest()
    entry = held.get(digest, 0)
    if entry and not again:
        with database.writing() as connection:
            _note_stamp(connection, stamp, entry)
        return Added(path, entry, is_new=False)
    try:
        columns, refusals, source = read_bytes(path, data, digest, laboratory.profiles, zone_of(laboratory.time_zone))
    except ExportError as failure:
        with database.writing() as connection:
            _keep_refused(connection, path.name, data, digest, failure.problem, who)
        raise
    parts = stored_rows(columns), stored_refusals(refusals), [(line,) for line in source.set_aside]
    packed = b"" if entry else zlib.compress(data, 1)
    stated = {**stated_source(source), "parts_sha256": digest_of(parts), "lab_toml_sha256": laboratory.sha256}
    stated["labcalc"] = __version__
    if refusals:
        stated["refused_at"] = [one.measured_at and one.measured_at.isoformat() for one in refusals]
    with database.writing() as connection:
        found = connection.one("SELECT entry FROM exports WHERE sha256 = :digest", digest=digest)
        entry = int(found[0]) if found else 0
        if entry and not again:  # another process was quicker
            return Added(path, entry, is_new=False)
        if entry:
            last = connection.one("SELECT max(entry) FROM readings WHERE export = :entry", entry=entry)[0]
            n = append(connection, kind="reading", who=who, content={**stated, "why": again}, corrects=last)
        else:
            n = entry = append(connection, kind="export", who=who, content={**stated, "size": len(data)})
            connection.add("exports", [(n, digest, len(data), packed)])
        connection.add("readings", [(n, entry)])
        store_parts(connection, n, parts)
        _note_stamp(connection, stamp, entry)
    return Added(path, n, True, source, refusals)


def _keep_refused(connection: Connection, name: str, data: bytes, digest: str, reason: str, who: str) -> None:
    """Add an export that can't be read, once."""
    if not connection.one("SELECT 1 FROM refused WHERE sha256 = :digest", digest=digest):
        stated = {"name": name, "sha256": digest, "size": len(data), "reason": reason, "labcalc": __version__}
        n = append(connection, kind="refused", who=who, content=stated)
        connection.add("refused", [(n, digest, zlib.compress(data, 3) if len(data) <= _LARGEST_REFUSED else b"")])


def watch_exports(laboratory: Laboratory, paths: Iterable[str | Path], *, who: str) -> Iterator[Added]:
    """Add exports as ``add_exports`` does, and go on with what comes later, without an end."""
    for ripe in settled_files(paths):
        yield from add_exports(laboratory, ripe, who=who)


def settled_files(paths: Iterable[str | Path]) -> Iterator[list[Path]]:
    """Yield files, or those in folders, that are new or were changed, without an end.

    A file is taken once its size and time of change are those of the look before: it may be being written.
    """
    taken, before, places = dict[Path, _Stamp](), dict[Path, _Stamp](), list(paths)
    while True:
        found = {path: _look(path) for path in export_files(places)}
        ripe = [path for path, stamp in found.items() if before.get(path) == stamp != taken.get(path)]
        taken |= {path: found[path] for path in ripe}
        if ripe:
            yield ripe
        before = found
        time.sleep(_LOOK_S)


def exports_not_held(laboratory: Laboratory, paths: Iterable[str | Path]) -> Iterator[Path]:
    """Yield the files whose content, read again, the record holds neither as an export nor as one that was refused."""
    with opened(laboratory).reading() as connection:
        held = {digest for (digest,) in connection.every("SELECT sha256 FROM exports UNION SELECT sha256 FROM refused")}
    yield from (path for path in export_files(paths) if hashlib.sha256(content_of(path)).hexdigest() not in held)


def _look(path: Path) -> _Stamp:
    try:
        return _stamp(path)
    except ExportError:  # told when it is added
        return str(path), 0, 0


def _note_stamp(connection: Connection, stamp: _Stamp, export: int) -> None:
    """Note a file by its size and time of change, so that it is known without reading; not while it may yet change."""
    path, size, ns = stamp
    asked = "SELECT 1 FROM stamps WHERE path = :path AND size = :size AND changed_ns = :ns"
    if time.time_ns() - ns > _SETTLED_NS and not connection.one(asked, path=path, size=size, ns=ns):
        connection.add("stamps", [(*stamp, export)])


_AN_ENTRY = 500  # most pages that an entry names, [-]


def add_certificates(laboratory: Laboratory, *, who: str) -> int:
    """Add each certificate of a reference oil that is new or was changed, and return how many that were."""
    database, stated = opened(laboratory, may_create=True), list(certificates(laboratory))
    with database.reading() as connection:
        if not list(_due(connection, stated)):
            return 0
    with database.writing() as connection:
        due = list(_due(connection, stated))
        for one, corrects in due:
            append(connection, kind="certificate", who=who, content=one, corrects=corrects)
    return len(due)


def _due(connection: Connection, stated: Sequence[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], int | None]]:
    """Yield what the last entry about the same lot doesn't say, and the number of that entry."""
    last = {(one.content["oil"], one.content["lot"]): one for one in entries_of(connection, "kind = 'certificate'")}
    for one in stated:
        before = last.get((one["oil"], one["lot"]))
        if before is None or before.content != one:
            yield one, before.n if before else None


def add_pages(laboratory: Laboratory, pages: Sequence[Mapping[str, str]], *, who: str) -> dict[str, str]:
    """Add entries that name pages which were rendered: ``stem``, ``inputs``, ``sha256`` and ``entry`` of each.

    ``inputs`` is the SHA-256 [hex] of all that a page depends on, ``entry`` that of the entry which names it; a page
    whose entry the record holds is passed over. Return the entry of each other page by its stem.
    """
    database, entered = opened(laboratory, may_create=True), dict[str, str]()
    with database.reading() as connection:
        known = {digest for (digest,) in connection.every("SELECT digest FROM entries WHERE kind = 'report'")}
    new = [page for page in pages if page["entry"] not in known]
    for some in (new[at : at + _AN_ENTRY] for at in range(0, len(new), _AN_ENTRY)):
        named = [{name: page[name] for name in ("stem", "inputs", "sha256")} for page in some]
        with database.writing() as connection:
            append(connection, kind="report", who=who, content={"labcalc": __version__, "pages": named})
            entered |= dict.fromkeys((page["stem"] for page in some), head_of(connection).digest)
    return entered


@dataclass(frozen=True)
class Issue:
    """What is said when a report is issued."""

    run: str
    number: str
    issued: str  # day of issue, ISO 8601
    replaces: str = ""  # number of the report that this one amends; empty: none
    changed: str = ""  # what changed since that one


@dataclass(frozen=True)
class IssuedReport:
    """A report that was issued."""

    issue: Issue
    entry: int  # number of its entry in the record


def issued_report(laboratory: Laboratory, issue: Issue) -> IssuedReport | None:
    """Return the report that was issued in these words already; None where it may be issued.

    RecordError: the run has an issued report that the new one doesn't amend, or it amends one that isn't the last.
    """
    database = opened(laboratory, may_create=True)
    with database.reading() as connection:
        return _held(connection, issue, database.place)


def add_issued(laboratory: Laboratory, issue: Issue, page: bytes, *, who: str) -> IssuedReport:
    """Keep the page of a report that is issued, as its bytes; one that was issued in these words already is returned.

    RecordError: as for ``issued_report``.
    """
    database = opened(laboratory, may_create=True)
    with database.writing() as connection:
        if held := _held(connection, issue, database.place):
            return held
        last = next((one.entry for one in _of_run(connection, issue.run) if one.issue.number == issue.replaces), None)
        stated = {**asdict(issue), "sha256": hashlib.sha256(page).hexdigest(), "size": len(page)}
        content = {**stated, "labcalc": __version__}
        n = append(connection, kind="issued", who=who, content=content, corrects=last)
        connection.add("issued", [(n, issue.number, issue.run, zlib.compress(page, 9))])
    return IssuedReport(issue, n)


def _held(connection: Connection, issue: Issue, place: str) -> IssuedReport | None:
    before = _of_run(connection, issue.run)
    for one in before:
        if one.issue == issue:
            return one
    last = before[-1].issue.number if before else ""
    if last == issue.replaces:
        return None
    if not issue.replaces:
        told = f"'{last}', of {before[-1].issue.issued}, entry {before[-1].entry}"
        way_out = f"--amends '{last}' --changed TEXT issues another"
        raise RecordError(place, f"a report of this run was issued: {told}. It stays; {way_out}")
    known = f"the last one is '{last}'" if last else "none was issued"
    raise RecordError(place, f"'{issue.replaces}' is not the last report issued of run '{issue.run}': {known}")


def _of_run(connection: Connection, run: str) -> Sequence[IssuedReport]:
    found = entries_of(connection, "n IN (SELECT entry FROM issued WHERE run = :run)", run=run)
    return [IssuedReport(Issue(*(one.content[name] for name in Issue.__match_args__)), one.n) for one in found]
