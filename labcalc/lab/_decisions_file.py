"""``decisions.jsonl``: one JSON object a line, each new line with the SHA-256 of all that stands before it.

Not a CSV file: a spreadsheet that opens one rewrites dates and numbers when it saves, and a reason with a line break
would spread over two lines. Here a line is a decision, whole or torn, and a line torn by a full disk or a pulled plug
is told from a whole one at once.
"""

import hashlib
import json
import os
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from labcalc.errors import DecisionError
from labcalc.lab._tables import shown
from labcalc.lab.decisions import Decision, decision_of, decisions_file, refuse_misfit, stated_decision
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.record.chain import Head

_WAIT_S, _LOOK_S = 1.0, 0.05  # how long, and how often, a line without an end is looked at: it may be in writing, [s]
_TORN = "the line has no end: it was torn while it was written. Decide again, and leave the line as it is"
_CHANGED = "a line before it, from {} on, was changed, put in or taken out since it was written"
_UNCHAINED = "it stands behind chained lines and has no 'after': decide with `labcalc record decide`"
_Found = tuple[list[Decision], tuple[DecisionError, ...]]


def decisions_in_file(laboratory: Laboratory) -> _Found:
    """Read ``decisions.jsonl``: its decisions, each by itself, and what is wrong with its lines."""
    return _read(_content(laboratory), str(decisions_file(laboratory)))


def _content(laboratory: Laboratory) -> bytes:
    path = decisions_file(laboratory)
    return _whole(path) if path is not None and path.exists() else b""


def _read(content: bytes, file: str) -> _Found:
    """Read each line by itself; of the links, the first that doesn't fit is named: later ones follow from it."""
    decisions, unusable, ink = list[Decision](), list[DecisionError](), hashlib.sha256()
    lines, fits, is_chained, is_broken = content.split(b"\n"), 1, False, False
    for place, line in enumerate(lines, 1):
        before = ink.hexdigest()
        ink.update(line + b"\n")
        try:
            record = _record(line, file, place) if line.strip() else None
            if record is None:
                continue
            after = record.pop("after", None) if isinstance(record, dict) else None
            if after is None and is_chained:
                raise DecisionError(file, place, _UNCHAINED)
            is_chained |= after is not None
            if after == before:
                fits = place
            elif after is not None and not is_broken:
                is_broken = True
                unusable.append(DecisionError(file, place, _CHANGED.format(fits)))
            decisions.append(decision_of(record, file, place))
        except DecisionError as error:
            unusable.append(error if place < len(lines) else DecisionError(file, place, _TORN))
    return decisions, tuple(unusable)


def file_head(laboratory: Laboratory) -> Head | None:
    """Return number and SHA-256 of the whole lines of ``decisions.jsonl``; None where no line is chained."""
    content = _content(laboratory)
    whole = content[: content.rfind(b"\n") + 1]
    return Head(whole.count(b"\n"), hashlib.sha256(whole).hexdigest()) if b'"after"' in whole else None


def verify_file(laboratory: Laboratory, printed: Mapping[int, str]) -> tuple[Head | None, DecisionError | None]:
    """Hold ``decisions.jsonl`` against its links, and against heads from paper, as ``verify_record`` does."""
    unusable, lines = [*decisions_in_file(laboratory)[1]], _content(laboratory).splitlines(keepends=True)
    for n, digits in sorted(printed.items()):
        if not hashlib.sha256(b"".join(lines[:n])).hexdigest().startswith(digits.lower()) or n > len(lines):
            problem = f"{digits} was printed for so many lines; one was changed since, or the end was cut off"
            unusable.append(DecisionError(str(decisions_file(laboratory)), n, problem))
    return file_head(laboratory), next(iter(unusable), None)


def _whole(path: Path) -> bytes:
    """Return the content of the file; a line that somebody is writing at the moment is waited for."""
    from labcalc.exports.read import content_of

    end = time.monotonic() + _WAIT_S
    while True:
        content = content_of(path)
        is_new = time.time() - path.stat().st_mtime < _WAIT_S
        if content[-1:] in (b"", b"\n", b"}") or not is_new or time.monotonic() > end:
            return content
        time.sleep(_LOOK_S)


def add_line(laboratory: Laboratory, decision: Decision) -> int:
    """Write a line at the end, in one piece, wait until it is on the disk, and return its number.

    A torn line before it gets an end. DecisionError: what it refers to is not there, or the disk took only part of it.
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
        if line.startswith(b"{") and not line.rstrip().endswith(b"}"):  # who wrote it was stopped, and others went on
            raise DecisionError(file, place, _TORN) from None
        start = line.decode("utf-8", "replace")[:40]
        raise DecisionError(file, place, f"{shown(start)}: a decision in braces is expected") from None
