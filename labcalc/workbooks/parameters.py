"""Parameters are checked against the notebook's parameters cell before anything runs."""

import ast
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeAlias

from labcalc.errors import ParameterError
from labcalc.exports.source.text import shown
from labcalc.lab import nearest

Json: TypeAlias = "bool | int | float | str | Sequence[Json] | Mapping[str, Json] | None"
_SECRETS = re.compile(
    r"(?:^|_)(?:tokens?|password|passwd|passphrase|secrets?|credentials?|api_?keys?|key|auth)(?:_|$)", re.I
)
_KINDS = {"str": str, "int": int, "float": float | int, "bool": bool, "list": list, "dict": dict, "None": type(None)}


def check_parameters(notebook: Any, name: str, parameters: Mapping[str, Json]) -> None:
    """Refuse parameters that the notebook doesn't take, before anything runs.

    One cell of it bears the tag ``parameters``, one line a parameter: ``name: type = value  # meaning, [unit]``.
    ParameterError: no such cell, an unknown name, another type, a value that JSON can't carry, a name that looks like
    a secret.
    """
    known = declared_parameters(notebook, name)
    for parameter, value in parameters.items():
        if _SECRETS.search(parameter):
            words = "parameters are stored beside reports, so hand secrets over in another way"
            raise ParameterError(f"{name}: parameter '{parameter}' looks like a secret; {words}")
        if parameter not in known:
            instead = nearest(parameter, known) or f"; it takes {', '.join(known) or 'none'}"
            raise ParameterError(f"{name}: it takes no parameter '{shown(parameter)}'{instead}")
        _refuse_beyond_json(f"{name}: parameter '{shown(parameter)}'", value)
        _refuse_other_type(name, parameter, value, known[parameter])


def declared_parameters(notebook: Any, name: str) -> dict[str, str]:
    """Return the parameters' names and types; read as Python, since papermill misses ``str | None`` and ``'#'``."""
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            try:
                return dict(_assignments(ast.parse(cell.source, type_comments=True)))
            except SyntaxError as failure:
                raise ParameterError(f"{name}: line {failure.lineno} of its parameters cell can't be read") from None
    raise ParameterError(f"{name}: no cell bears the tag 'parameters', so nothing can be passed to it")


def with_parameters(notebook: Any, parameters: Mapping[str, Json]) -> Any:
    """Return the notebook with a cell behind that of its parameters, which sets these as papermill would."""
    from nbformat.v4 import new_code_cell

    if parameters:
        source = "\n".join(("# Parameters", *(f"{name} = {value!r}" for name, value in parameters.items())))
        place = next(n for n, cell in enumerate(notebook.cells, 1) if "parameters" in cell.metadata.get("tags", []))
        notebook.cells.insert(place, new_code_cell(source, metadata={"tags": ["injected-parameters"]}))
    return notebook


def _assignments(tree: ast.Module) -> Iterator[tuple[str, str]]:
    for node in tree.body:
        match node:
            case ast.AnnAssign(target=ast.Name(id=name), annotation=ast.Constant(value=str(text))):
                yield name, text
            case ast.AnnAssign(target=ast.Name(id=name), annotation=annotation):
                yield name, ast.unparse(annotation)
            case ast.Assign(targets=[ast.Name(id=name)]):
                yield name, (node.type_comment or "").partition(" ")[0]


def _refuse_beyond_json(place: str, value: object) -> None:
    if isinstance(value, dict):
        for key, inner in value.items():
            if not isinstance(key, str):
                raise ParameterError(f"{place} has the key {key!r}; keys are text")
            _refuse_beyond_json(f"{place}, '{key}'", inner)
    elif isinstance(value, list):
        for position, inner in enumerate(value, start=1):
            _refuse_beyond_json(f"{place}, item {position}", inner)
    elif isinstance(value, float) and type(value) is float:
        if not math.isfinite(value):
            raise ParameterError(f"{place} is {value}; a finite number is expected")
    elif value is not None and type(value) not in (bool, int, str):
        expected = "text, numbers, true or false, and lists or mappings of these are expected"
        raise ParameterError(f"{place} is a {type(value).__name__}; {expected}")


def _refuse_other_type(name: str, parameter: str, value: object, annotation: str) -> None:
    place = f"parameter '{parameter}'"
    try:
        fits = not annotation or _fits(value, ast.parse(annotation.strip(), mode="eval").body)
    except SyntaxError:
        expected = "can't be read; write it like list[str]"
        raise ParameterError(f"{name}: the type '{annotation}' of {place} {expected}") from None
    if not fits:
        raise ParameterError(f"{name}: {place} is of type {annotation}, not {json.dumps(value, ensure_ascii=False)}")


def _fits(value: object, kind: ast.expr) -> bool:
    match kind:
        case ast.Constant(value=None):
            return value is None
        case ast.Name(id="Any"):
            return True
        case ast.Name(id=word) if word in _KINDS:
            return isinstance(value, _KINDS[word]) and (word == "bool" or not isinstance(value, bool))
        case ast.BinOp(left=left, op=ast.BitOr(), right=right):
            return _fits(value, left) or _fits(value, right)
        case ast.Subscript(value=ast.Name(id="list"), slice=inner):
            return isinstance(value, list) and all(_fits(item, inner) for item in value)
        case ast.Subscript(value=ast.Name(id="dict"), slice=ast.Tuple(elts=[_, inner])):
            return isinstance(value, dict) and all(_fits(item, inner) for item in value.values())
        case ast.Subscript(value=ast.Name(id="Optional"), slice=inner):
            return value is None or _fits(value, inner)
    return False
