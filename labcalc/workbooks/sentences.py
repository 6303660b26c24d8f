"""Every sentence that a page may hold, in one catalogue: read from the sources, so that none is forgotten.

A sentence with something in it is told with places: {0}, {1}, … in the order in which the English one names them.
"""

import ast
import json
import re
import tomllib
from collections.abc import Iterator
from functools import partial
from importlib.resources import files
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

from labcalc import __version__
from labcalc.lab.translation import PLACE, catalogue_of
from labcalc.shipped import workbook_file

_PACKAGE = Path(str(files("labcalc")))
_ROOMS = ("errors.py", "wording.py", "exports", "figures", "formulae", "judgement", "lab", "statistics")
_OF_PAGES = ("workbooks/batch.py", "workbooks/outputs.py")
_WORKBOOKS = ("run_report", "problem_sample", "monthly_quality", "yearly_quality", "duplicates")
_STUDIES = ("proficiency", "comparison", "precision_study")
_DATA = ("advice.toml", "causes.toml", "precision.toml", "product_classes.toml", "study_notes.toml")
_LABELS = ["previous", "next", "month", "year", "measured", "thicker", "thinner", "equipment", "header", "soon", "each"]
_LABELS += ["temperature", "centre", "limit", "day", "chance", "action", "acceptable"]
"""Words that people are told although the sources have them as names."""
_HEAD = "# Sentences of labcalc's pages; in {0}, {1}, ... stand numbers, names and other sentences."
MARKUP = re.compile(r"(<[^>]*>|%\{[^}]*\}|\{\{.*?\}\}|\{%.*?%\}|\n\n)", re.S)
"""What is no text: tags, and what a figure or a template puts in."""
_SPOKEN = re.compile(r'(?:title|alt|aria-label)="([^"]*)"')  # attributes that are read out
WORD = re.compile(r"[^\W\d_]{2,}")
_NAMED = re.compile(r"\{([\w.\[\]]*)(?:[!:][^{}]*)?\}")  # a place, as an f-string's here, or as ``format`` has it
_CODE = r".*(?:SELECT|INSERT|CREATE |UPDATE OR|WHERE |\(\?|\\[dDbxt]|->|64\[|<div|@page|\dpt\b|\w\|\w).*"
_NAME = re.compile(rf"[a-z_0-9./:#-]+|[A-Z_]+|\S*[_=/]\S*|{_CODE}", re.S)
"""A name of something, a pattern, a question to a database: no sentence, unless somebody is told it."""


def every_sentence() -> dict[str, list[tuple[str, int]]]:
    """Return every sentence with the files and lines that it stands in, in the order of files."""
    found: dict[str, list[tuple[str, int]]] = {}
    for place, line, text, said in _texts():
        for piece in (*MARKUP.split(text)[::2], *_SPOKEN.findall(text)):
            numbers: dict[str, int] = {}
            told = _NAMED.sub(partial(_numbered, numbers), piece).replace("\u00a0", " ").strip()
            if WORD.search(PLACE.sub("", told)) and (said or not _NAME.fullmatch(told)):
                found.setdefault(told, []).append((place, line))
    return found


def _numbered(numbers: dict[str, int], place: re.Match[str]) -> str:
    """Return a place with its number: that of its name, or one of its own where it has none."""
    return f"{{{numbers.setdefault(place[1] or f' {len(numbers)}', len(numbers))}}}"


def write_catalogue(language: str, earlier: bytes = b"") -> tuple[bytes, int, int]:
    """Return the catalogue as a PO file, how many sentences it has, and how many of them are translated.

    earlier : An earlier one, whose translations are kept where their sentence is still there.
    language : Of a new one; empty for that of the earlier.
    Raises ValueError : There is no such language, or the earlier file is no PO file.
    """
    from babel.core import UnknownLocaleError
    from babel.messages.catalog import Catalog
    from babel.messages.pofile import read_po, write_po

    catalogue = Catalog(header_comment=_HEAD, version=__version__, fuzzy=False)
    for sentence, places in every_sentence().items():
        catalogue.add(sentence, locations=places[:1])
    try:
        if earlier:
            text = earlier.decode("utf-8-sig")
            catalogue_of(text)
            template, catalogue = catalogue, read_po(StringIO(text), abort_invalid=True)
            catalogue.charset = "utf-8"
            catalogue.update(template, no_fuzzy_matching=True)
        else:
            catalogue.locale = language or None
    except (UnknownLocaleError, UnicodeDecodeError) as failure:
        raise ValueError(str(failure)) from failure
    if catalogue.locale is None:
        raise ValueError(f"no language '{language}'; --language CODE, such as de, was expected")
    written = BytesIO()
    write_po(written, catalogue, width=0)
    return written.getvalue(), len(catalogue), sum(bool(one.string) and not one.fuzzy for one in catalogue if one.id)


def _texts() -> Iterator[tuple[str, int, str, bool]]:
    """Yield file, line, each text in it, and whether people are told it although it looks like a name."""
    yield from (("workbooks/sentences.py", 1, word, True) for word in _LABELS)
    for room in (*_ROOMS, *_OF_PAGES):
        path = _PACKAGE / room
        for file in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
            place = file.relative_to(_PACKAGE).as_posix()
            yield from ((place, *one) for one in _of_source(ast.parse(file.read_bytes())))
    for name in (*_WORKBOOKS, *_STUDIES):
        cells = json.loads(workbook_file(name).read_text("utf-8"))["cells"]
        words = ("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
        yield from ((f"{name}.ipynb", 1, line.lstrip("# "), True) for text in words for line in text.splitlines())
    for name in ("frame.html.j2", "report.html.j2"):
        yield name, 1, (_PACKAGE / "workbooks" / "templates" / name).read_text("utf-8"), False
    for name in _DATA:
        table = tomllib.loads((_PACKAGE / "data" / name).read_text("utf-8"))
        yield from ((name, 1, text, False) for text in _of_table(table))


def _of_source(tree: ast.Module) -> Iterator[tuple[int, str, bool]]:
    """Yield the texts of a module: no docstring, and no piece of another text."""
    pieces, said = set[Any](), set[Any]()
    for node in ast.walk(tree):
        match node:
            case ast.Expr():
                pieces.add(node.value)
            case ast.JoinedStr():
                pieces.update(node.values)
            case ast.FormattedValue(format_spec=ast.AST() as spec):
                pieces.update(ast.walk(spec))
            case ast.Call(func=ast.Name(id="counted"), args=[_, ast.Constant(value=str() as thing), *more]):
                several = [str(one.value) for one in more if isinstance(one, ast.Constant)] or [f"{thing}s"]
                yield from ((node.lineno, f"{{0}} {things}", True) for things in (thing, *several))
            case ast.IfExp() | ast.BoolOp() | ast.Return() | ast.Dict():
                said.update(node.values if isinstance(node, ast.Dict | ast.BoolOp) else ast.iter_child_nodes(node))
            case ast.Subscript(value=ast.Name(id="Literal"), slice=ast.Tuple(elts=names)):
                said.update(names)
            case ast.Assign(value=ast.Tuple(elts=names)) if any(
                isinstance(one, ast.Constant) and " " in str(one.value) for one in names
            ):
                said.update(names)  # such as the verdicts
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and node not in pieces:
            yield node.lineno, _with_places(node), False
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in pieces:
            yield node.lineno, node.value, node in said


def _with_places(text: ast.JoinedStr) -> str:
    """Return an f-string with a place for each thing in it; the same thing has the same place."""
    names: dict[str, int] = {}
    told = ""
    for part in text.values:
        if isinstance(part, ast.FormattedValue):
            told += f"{{{names.setdefault(ast.unparse(part.value), len(names))}}}"
        elif isinstance(part, ast.Constant):
            told += str(part.value)
    return told


def _of_table(table: Any) -> Iterator[str]:
    if isinstance(table, str) and " " in table:
        yield table
    for one in table.values() if isinstance(table, dict) else table if isinstance(table, list) else ():
        yield from _of_table(one)
