"""``decisions.jsonl``: one JSON object a line, each new line with the SHA-256 of all that stands before it.

Not a CSV file: a spreadsheet that opens one rewrites dates and numbers when it saves, and a reason with a line break
would spread over two lines. Here a line is a decision, whole or torn, and a line torn by a full disk or a pulled plug
is told from a whole one at once.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from labcalc.errors import DecisionError
from labcalc.lab._tables import shown
from labcalc.lab.decisions import Decision, decision_of, decisions_file, refuse_misfit, stated_decision
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import Head

_WAIT_S, _LOOK_S = 1.0, 0.05
"""How long, and how often, a last line without an end is looked at again: somebody may be writing it, [s]."""
_TORN = "the line has no end: it was torn while it was written. Decide again, and leave the line as it is"
_UNCHAINED = "it stands behind chained lines and has no 'after': decide with `labcalc record decide`"

_Found = tuple[list[Decision], tuple[DecisionError, ...]]


def decisions_in_file(laboratory: Laboratory) -> _Found:
    """Read ``decisions.jsonl``: its decisions, each by itself, and what is wrong with its lines."""
    path = decisions_file(laboratory)
    return _read(_whole(path), str(path)) if path is not None and path.exists() else ([], ())


def _read(content: bytes, file: str) -> _Found:
    decisions, unusable = list[Decision](), list[DecisionError]()
    lines, chain = content.split(b"\n"), _Chain(file)
    for place, line in enumerate(lines, 1):
        before = chain.before(line)
        try:
            if line.strip():
                record = _record(line, file, place)
                unusable += chain.problems(place, record, before)
                decisions.append(decision_of(record, file, place))
        except DecisionError as error:
            unusable.append(error if place < len(lines) else DecisionError(file, place, _TORN))
    return decisions, tuple(unusable)


class _Chain:
    """Holds each ``after`` against the bytes before its line; names the first that doesn't fit."""

    def __init__(self, file: str) -> None:
        self._file, self._ink = file, hashlib.sha256()
        self._fits, self._is_chained, self._is_broken = 1, False, False

    def before(self, line: bytes) -> str:
        """Return the SHA-256 [hex] of what stands before the next line, and pass over it."""
        digest = self._ink.hexdigest()
        self._ink.update(line + b"\n")
        return digest

    def problems(self, place: int, record: Any, before: str) -> Iterator[DecisionError]:
        """Take the link out of a line, and yield what is wrong with it.

        Raises
        ------
        DecisionError
            It has none although a line before it has one, so that it isn't to be applied.
        """
        after = record.pop("after", None) if isinstance(record, dict) else None
        if after is None and self._is_chained:
            raise DecisionError(self._file, place, _UNCHAINED)
        self._is_chained |= after is not None
        if after == before:
            self._fits = place
        elif after is not None and not self._is_broken:
            self._is_broken = True
            since = f"a line before it, from {self._fits} on, was changed, put in or taken out since it was written"
            yield DecisionError(self._file, place, since)


def file_head(laboratory: Laboratory) -> Head | None:
    """Return number and SHA-256 of the whole lines of ``decisions.jsonl``; None where no line is chained."""
    path = decisions_file(laboratory)
    content = _whole(path) if path is not None and path.exists() else b""
    whole = content[: content.rfind(b"\n") + 1]
    return Head(whole.count(b"\n"), hashlib.sha256(whole).hexdigest()) if b'"after"' in whole else None


def verify_file(laboratory: Laboratory, printed: Mapping[int, str]) -> tuple[Head | None, DecisionError | None]:
    """Hold ``decisions.jsonl`` against its links, and against heads from paper, as ``verify_record`` does."""
    path = decisions_file(laboratory)
    _, unusable = decisions_in_file(laboratory)
    lines = path.read_bytes().split(b"\n")[:-1] if path is not None and path.exists() else []
    for n, digits in sorted(printed.items()):
        if n > len(lines):
            problem = f"a printed head names it; the file ends with {len(lines)}"
        elif not hashlib.sha256(b"".join(line + b"\n" for line in lines[:n])).hexdigest().startswith(digits.lower()):
            problem = f"it or a line before it is not the one for which {digits} was printed"
        else:
            continue
        unusable = (*unusable, DecisionError(str(path), n, problem))
    return file_head(laboratory), next(iter(unusable), None)


def _whole(path: Path) -> bytes:
    """Return the content of the file; a line that somebody is writing at the moment is waited for."""
    end = time.monotonic() + _WAIT_S
    while True:
        content = path.read_bytes()
        is_new = time.time() - path.stat().st_mtime < _WAIT_S
        if content[-1:] in (b"", b"\n", b"}") or not is_new or time.monotonic() > end:
            return content
        time.sleep(_LOOK_S)


def add_line(laboratory: Laboratory, decision: Decision) -> int:
    """Write one line at the end, in one piece, and wait until it is on the disk; a torn line before it gets an end.

    Return its number.

    Raises
    ------
    DecisionError
        What it refers to is not there, or the disk took only part of it.
    """
    from filelock import FileLock

    path = decisions_file(laboratory)
    assert path is not None
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    with FileLock(path.with_name(f".{path.name}.lock")):
        before = _whole(path) if path.exists() else b""
        refuse_misfit(decision, _read(before, str(path))[0], laboratory, str(path))
        end = b"" if before[-1:] in (b"", b"\n") else b"\n"
        link = {"after": hashlib.sha256(before + end).hexdigest()}
        line = end + json.dumps(stated_decision(decision) | link, ensure_ascii=False).encode("utf-8") + b"\n"
        descriptor = os.open(path, flags, 0o644)
        try:
            written = os.write(descriptor, line)
            if written < len(line):
                os.ftruncate(descriptor, len(before))
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    if written < len(line):
        raise DecisionError(str(path), 0, "the disk is full: nothing was written; make room and decide again")
    return (before + end).count(b"\n") + 1


def _record(line: bytes, file: str, place: int) -> Any:
    try:
        return json.loads(line.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise DecisionError(file, place, "not UTF-8") from None
    except (ValueError, RecursionError):
        start = line.decode("utf-8", "replace")[:40]
        raise DecisionError(file, place, f"{shown(start)}: a decision in braces is expected") from None
