"""lab.toml in, the laboratory's records out; every line that can't be used is named by the path of its key."""

from __future__ import annotations

import hashlib
import re
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any

from labcalc.errors import SettingsError
from labcalc.lab._schema import FILE
from labcalc.lab._tables import Problems
from labcalc.lab.laboratory import Laboratory


def load_laboratory(path: Path | str | None) -> Laboratory:
    """Read and check lab.toml.

    Parameters
    ----------
    path : path or None
        The file; None for the laboratory without a lab.toml.

    Returns
    -------
    Laboratory
        The records, with the absolute path of the file and its SHA-256.

    Raises
    ------
    SettingsError
        The file can't be read, or a key of it can't be used; names the first such key and how many more there are.
    """
    if path is None:
        return Laboratory()
    return _checked(_bytes(Path(path)), str(path), Path(path).resolve())


@lru_cache(maxsize=4)
def _checked(content: bytes, name: str, file: Path) -> Laboratory:
    """Return the records of a file with this content; every report asks for the same."""
    problems = Problems()
    laboratory = FILE(_parsed(content, name), "", problems)
    if problems:
        (key, problem), more = problems[0], len(problems) - 1
        raise SettingsError(name, key, problem + (f" (and {more} more)" if more else ""))
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


def _parsed(content: bytes, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SettingsError(file, "", f"line {line}: not UTF-8; save the file as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(file, "", _syntax(str(error))) from error


def _syntax(message: str) -> str:
    """Turn ``Invalid value (at line 3, column 5)`` into place and problem."""
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|(end of document))\)", message, re.DOTALL)
    if found is None:
        return f"not TOML: {message}"
    problem, line, column, _ = found.groups()
    place = f"line {line}, column {column}" if line else "end of the file"
    if problem.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate")):
        return f"{place}: this key or table stands in the file already"
    return f"{place}: not TOML: {problem[0].lower()}{problem[1:]}"
