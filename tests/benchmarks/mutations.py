"""Changes of one spot of a module, one at a time: a comparison, an operator, a number, the order of what is returned.

Texts, annotations and the names of ``__all__`` are for people and type checkers, and stay as they are.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Mutant", "changed", "mutants_of"]


def _both_ways(pairs: str) -> dict[str, str]:
    return {one: other for pair in pairs.split(", ") for one, other in (pair.split(), pair.split()[::-1])}


_OPERATORS = _both_ways("Lt LtE, Gt GtE, Eq NotEq, Is IsNot, In NotIn, And Or, Add Sub, Mult Div, BitAnd BitOr")
_OPERATORS |= dict.fromkeys(("Pow", "FloorDiv", "Mod"), "Mult")
_FUNCTIONS = _both_ways("min max, minimum maximum, fmin fmax, nanmin nanmax, argmin argmax, any all, floor ceil")
_UNWRAPPED = {"sorted", "reversed", "abs", "fabs", "sort", "round"}


@dataclass(frozen=True)
class Mutant:
    """One change of one file."""

    path: Path
    number: int
    """Which of the file's changes."""
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}  {self.what}"


class _Mutator(ast.NodeTransformer):
    """Lists every change that a module has room for, and makes the one that it is told."""

    def __init__(self, tree: ast.Module, wanted: int | None = None) -> None:
        self.wanted, self.found = wanted, []
        self.locals: list[str] = []
        self.skipped = {id(node) for node in _untouched(tree)}
        self.tree = self.visit(tree)

    def visit(self, node: ast.AST) -> ast.AST:
        if id(node) in self.skipped:
            return node
        if isinstance(node, ast.FunctionDef):
            self.locals = [argument.arg for argument in node.args.args if argument.arg != "self"]
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            self.locals.append(node.id)
        for other in _alternatives(node, self.locals):
            self.found.append((node, other))
            if len(self.found) - 1 == self.wanted:
                return other
        return self.generic_visit(node)


def _untouched(tree: ast.Module) -> Iterator[ast.AST]:
    for node in ast.walk(tree):
        targets = [getattr(one, "id", "") for one in getattr(node, "targets", ())]
        if isinstance(node, ast.JoinedStr) or "__all__" in targets or _for_type_checkers(node):
            yield node
        yield from (one for field in ("annotation", "returns") if (one := getattr(node, field, None)) is not None)


def _for_type_checkers(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"


def _alternatives(node: ast.AST, names: list[str]) -> Iterator[ast.AST]:
    """Yield what could stand in a node's place; ``names`` are the function's own so far."""
    match node:
        case ast.Compare():
            for at, operator in enumerate(node.ops):
                yield _with(node, ops=[*node.ops[:at], _swapped(operator), *node.ops[at + 1 :]])
        case ast.BinOp() | ast.AugAssign() if type(node.op).__name__ in _OPERATORS and not _is_text(node):
            yield _with(node, op=_swapped(node.op))
        case ast.BoolOp():
            yield _with(node, op=_swapped(node.op))
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert()):
            yield node.operand
        case ast.Constant(value=bool()):
            yield ast.Constant(not node.value)
        case ast.Constant(value=int() | float()):
            yield from (
                ast.Constant(value) for value in dict.fromkeys((node.value + 1, 2 * node.value)) if value != node.value
            )
        case ast.IfExp():
            yield _with(node, body=node.orelse, orelse=node.body)
        case ast.If():
            yield _with(node, test=ast.UnaryOp(ast.Not(), node.test))
        case ast.Slice():
            for end in ("lower", "upper"):
                if (bound := getattr(node, end)) is not None:
                    yield _with(node, **{end: None})
                    yield from [] if isinstance(bound, ast.Constant) else [_with(node, **{end: _one_more(bound)})]
        case ast.Return(value=ast.Tuple(elts=[first, second, *others])):
            yield ast.Return(ast.Tuple([second, first, *others], ast.Load()))
        case ast.Return(value=ast.Name(id=name)) if any(one != name for one in names):
            yield ast.Return(ast.Name(next(one for one in reversed(names) if one != name), ast.Load()))
        case ast.Call():
            yield from _other_calls(node)


def _other_calls(call: ast.Call) -> Iterator[ast.AST]:
    field = "id" if isinstance(call.func, ast.Name) else "attr"
    name = getattr(call.func, field, "")
    if name in _FUNCTIONS:
        yield _with(call, func=_with(call.func, **{field: _FUNCTIONS[name]}))
    if name in _UNWRAPPED and call.args:
        yield call.args[0]
    if name == "range":
        at = min(1, len(call.args) - 1)
        yield _with(call, args=[*call.args[:at], _one_more(call.args[at]), *call.args[at + 1 :]])


def _swapped(operator: ast.AST) -> ast.AST:
    return getattr(ast, _OPERATORS[type(operator).__name__])()


def _with(node: ast.AST, **changed: object) -> ast.AST:
    return type(node)(**{**dict(ast.iter_fields(node)), **changed})


def _one_more(node: ast.expr) -> ast.expr:
    return ast.BinOp(node, ast.Add(), ast.Constant(1))


def _is_text(node: ast.BinOp | ast.AugAssign) -> bool:
    sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.value,)
    return any(isinstance(one, ast.JoinedStr) or isinstance(getattr(one, "value", None), str) for one in sides)


def mutants_of(root: Path, path: Path) -> list[Mutant]:
    """Return every change that a file has room for."""
    found = _Mutator(ast.parse((root / path).read_text("utf-8"))).found
    return [Mutant(path, number, node.lineno, _told(node, other)) for number, (node, other) in enumerate(found)]


def changed(source: str, mutant: Mutant) -> str:
    """Return the source with one change."""
    tree = _Mutator(ast.parse(source), mutant.number).tree
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def _told(node: ast.AST, other: ast.AST) -> str:
    before, after = (ast.unparse(ast.fix_missing_locations(one)).partition("\n")[0] for one in (node, other))
    return f"{before[:60]} → {after[:60]}"
