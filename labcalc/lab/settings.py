"""lab.toml in, the laboratory's records out; every line that can't be used is named by the path of its key.

Beside it, what lab.toml may hold, from the model that reads it: a schema for editors, and a reference for people.
"""

import base64
import hashlib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from labcalc.errors import ExportError, SettingsError, SettingsProblem
from labcalc.exports.read import content_of
from labcalc.lab._schema import FILE
from labcalc.lab._tables import Problems, schema_of
from labcalc.lab.laboratory import Laboratory
from labcalc.lab.translation import read_translation
from labcalc.shipped import sample_lab

HEADING = re.compile(r"\s*\[\[?\s*([\w-]+(?:\s*\.\s*[\w-]+)*)\s*\]\]?\s*(?:#.*)?$")
"""A line that begins a table, or one of several tables of that name."""
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[\w-]+)\s*=""")
_STEP = re.compile(r"""("[^"]*"|[^".\[]+)(?:\[(\d+)\])?""")
_LONG_TEXT = re.compile(r'"""[\s\S]*?"""|\'\'\'[\s\S]*?\'\'\'')


def line_of_key(text: str, key: str) -> int:
    """Return the line, from 1 on, on which a key such as ``product[2].limit[1].highest`` stands.

    Of one that is missing it is that of the table that should hold it; 0 where that isn't found either.
    """
    lines = _LONG_TEXT.sub(lambda found: "\n" * found[0].count("\n"), text).split("\n")
    headings = [re.sub(r"\s", "", found[1]) if (found := HEADING.match(line)) else "" for line in lines]
    keys = [found[1].strip("\"'") if (found := _KEY.match(line)) else "" for line in lines]
    path, at, end = "", -1, len(lines)
    for step, number in _STEP.findall(key):
        name, nth = step.strip('"'), int(number or 1)
        path = f"{path}.{name}" if path else name
        tables = [n for n in range(at + 1, end) if headings[n] == path]
        if len(tables) >= nth:
            at, end = tables[nth - 1], [*tables, end][nth]
            continue
        own = range(at + 1, next((n for n in range(at + 1, end) if headings[n]), end))
        if at < 0 or tables or name not in keys[own.start : own.stop]:
            break
        at = keys.index(name, own.start)
        end = next((n for n in range(at + 1, own.stop) if keys[n]), own.stop)
        inline = [n for n in range(at, end) for _ in range(lines[n].count("{"))]
        at = inline[nth - 1] if number and len(inline) >= nth else at
    return at + 1


def load_laboratory(path: Path | str | Laboratory | None) -> Laboratory:
    """Read and check lab.toml; what is loaded already is handed back, None is the laboratory without a lab.toml.

    SettingsError: the file can't be read, or keys of it can't be used; it holds every such key and names the first.
    """
    if path is None or isinstance(path, Laboratory):
        return path or Laboratory()
    if Path(path).is_dir():
        raise SettingsError(str(path), "", "this is a folder; the lab.toml in it is expected")
    try:
        content = content_of(Path(path))
    except ExportError as failure:
        raise SettingsError(str(path), "", failure.problem) from None
    laboratory = _checked(content, str(path), Path(path).resolve())
    key, named = "laboratory.logo", Path(path).parent / laboratory.logo
    try:
        logo = logo_uri(named) if laboratory.logo else ""
        key, named = "report.translation", Path(path).parent / laboratory.report.translation
        translation = read_translation(named) if laboratory.report.translation else ""
    except ValueError as failure:
        raise SettingsError(str(path), key, f"'{named.name}' {failure}") from None
    return replace(laboratory, logo_uri=logo, translation=translation) if logo or translation else laboratory


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
    except (ValueError, RecursionError) as error:
        problem = "lists or tables in one another without end" if isinstance(error, RecursionError) else str(error)
        raise SettingsError(file, "", f"not TOML that can be read: {problem.split(';')[0]}") from None


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
        except (ValueError, RecursionError):  # the whole file says so once the rest of it is TOML
            continue


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


_LARGEST_LOGO = 100_000  # bytes of a logo, [B]: every page holds it
_KINDS: Mapping[str, re.Pattern[bytes]] = {
    "png": re.compile(rb"\x89PNG\r\n\x1a\n"),
    "jpeg": re.compile(rb"\xff\xd8\xff"),
    "svg+xml": re.compile(rb"\s*(?:<\?xml[^>]*>\s*|<!--.*?-->\s*)*<svg[\s>]", re.DOTALL),
}  # how a picture of each kind begins (PNG, 3rd edition, 5.2; JPEG: ITU-T T.81, B.1.1.3; SVG 2, 5.1)
_ACTIVE = re.compile(rb"<\s*(?:\w+:)?(?:script|foreignObject)\b|\son\w+\s*=|\bhref\s*=\s*[\"'](?!#|data:image/)", re.I)
"""What an SVG does or fetches; a page shows it as an ``img``, where none of that works, and a logo needs none."""


def logo_uri(file: Path) -> str:
    """Return a picture as a ``data:`` URI. ValueError: what is wrong with it, and what is expected."""
    try:
        content = file.read_bytes()
    except OSError as failure:
        raise ValueError(f"can't be read: {failure.strerror}") from failure
    if len(content) > _LARGEST_LOGO:
        raise ValueError(f"has {len(content)} bytes; {_LARGEST_LOGO} or fewer are expected")
    kind = next((kind for kind, begins in _KINDS.items() if begins.match(content)), "")
    if not kind:
        raise ValueError("is none: a PNG, JPEG or SVG picture is expected")
    if kind == "svg+xml" and (found := _ACTIVE.search(content)):
        what = found[0].strip().decode("ascii", "replace")
        raise ValueError(f"holds {what!r}: an SVG without scripts or links is expected")
    return f"data:image/{kind};base64,{base64.b64encode(content).decode()}"


def settings_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of lab.toml."""
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "lab.toml of labcalc"}
    return {**head, **schema_of(FILE)}


def settings_reference() -> Iterator[tuple[str, str, str, str, str]]:
    """Yield each key of lab.toml with what it takes, its default, its meaning, and how the sample laboratory has it."""
    yield from _keys(schema_of(FILE), "", [tomllib.loads(sample_lab().read_text("utf-8"))])


def _keys(schema: dict[str, Any], prefix: str, samples: list[Any]) -> Iterator[tuple[str, str, str, str, str]]:
    for name, found in schema["properties"].items():
        needed = name in schema["required"]
        inner = found.get("items", found)
        default = "must be given" if needed and prefix else str(found.get("default", ""))
        given = [one[name] for one in samples if name in one]
        is_table = "properties" in inner
        example = "" if is_table or not given else json.dumps(given[0], ensure_ascii=False, default=str)
        yield f"{prefix}{name}", _takes(found), default, found.get("description", ""), example
        if is_table:
            within = [one for some in given for one in (some if isinstance(some, list) else [some])]
            yield from _keys(inner, f"{prefix}{name}.", within)


def _takes(found: dict[str, Any]) -> str:
    if "enum" not in found and "type" not in found:
        return "see meaning"
    if "enum" in found:
        return " | ".join(map(str, found["enum"]))
    if found["type"] == "array":
        inner = found["items"]
        plain = _takes(inner) if "type" in inner or "enum" in inner else inner["description"]
        return "tables" if "properties" in inner else f"list of {plain}"
    ends = [f"{word} {found[key]:g}" for key, word in _ENDS.items() if key in found]
    return " ".join([_TYPES[found["type"]], *ends])


_ENDS = {"minimum": "from", "exclusiveMinimum": "above", "maximum": "to"}
_TYPES = {"string": "text", "number": "number", "integer": "whole number", "object": "table", "boolean": "true | false"}
