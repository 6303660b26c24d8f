"""lab.toml in, the laboratory's records out; every line that can't be used is named by the path of its key."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterator
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from labcalc.errors import SettingsError, SettingsProblem
from labcalc.lab._lines import HEADING, line_of_key
from labcalc.lab._schema import FILE
from labcalc.lab._tables import Problems
from labcalc.lab.laboratory import Laboratory


def load_laboratory(path: Path | str | Laboratory | None) -> Laboratory:
    """Read and check lab.toml.

    path : The file; what is loaded already is handed back; None for the laboratory without a lab.toml.
    Returns : The records, with the absolute path of the file and its SHA-256.
    Raises SettingsError : The file can't be read, or keys of it can't be used; holds every such key and names the
        first.
    """
    if path is None or isinstance(path, Laboratory):
        return path or Laboratory()
    return _checked(_bytes(Path(path)), str(path), Path(path).resolve())


def laboratory_from(text: str) -> Laboratory:
    """Return what the text of a lab.toml says, without a file; raises ``SettingsError`` as ``load_laboratory`` does."""
    return _checked(text.encode("utf-8"), "lab.toml", None)


@lru_cache(maxsize=4)
def _checked(content: bytes, name: str, file: Path | None) -> Laboratory:
    """Return the records of a file with this content; every report asks for the same."""
    text = _decoded(content, name)
    problems = Problems()
    laboratory = FILE(_parsed(text, name), "", problems)
    if problems:
        found = [SettingsProblem(key, problem, line_of_key(text, key)) for key, problem in problems]
        raise SettingsError(name, *problems[0], found)
    digest = hashlib.sha256(content).hexdigest()
    return Laboratory(**{**vars(laboratory), "file": file, "sha256": digest})


def _bytes(path: Path) -> bytes:
    if path.is_dir():
        raise SettingsError(str(path), "", "this is a folder; the lab.toml in it is expected")
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise SettingsError(str(path), "", "there is no such file") from None
    except OSError as error:
        raise SettingsError(str(path), "", f"can't be read: {error.strerror}") from error


def _decoded(content: bytes, file: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problem = SettingsProblem("", f"line {line}: not UTF-8; save the file as UTF-8", line)
        raise SettingsError(file, "", problem.problem, [problem]) from error


def _parsed(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problems = list(_in_sections(text)) or [_syntax(str(error), text)]
        raise SettingsError(file, "", problems[0].problem, problems) from error


def _in_sections(text: str) -> Iterator[SettingsProblem]:
    """Read each table by itself, so that one that is no TOML doesn't hide the next."""
    lines = text.split("\n")
    starts = [0, *(at for at, line in enumerate(lines) if HEADING.match(line)), len(lines)]
    for start, end in pairwise(starts):
        section = "\n" * start + "\n".join([*lines[start:end], ""])
        try:
            tomllib.loads(section)
        except tomllib.TOMLDecodeError as error:
            yield _syntax(str(error), section)


def _syntax(message: str, text: str) -> SettingsProblem:
    """Turn ``Invalid value (at line 3, column 5)`` into place and problem."""
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|(end of document))\)", message, re.DOTALL)
    if found is None:
        return SettingsProblem("", f"not TOML: {message}")
    problem, line, column, _ = found.groups()
    last = text.rstrip().count("\n") + 1
    place = f"line {line}, column {column}" if line else f"line {last}, its end"
    if problem.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate")):
        return SettingsProblem("", f"{place}: this key or table stands in the file already", int(line or last))
    return SettingsProblem("", f"{place}: not TOML: {problem[0].lower()}{problem[1:]}", int(line or last))
