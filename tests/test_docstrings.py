"""Public docstrings of formulae and statistics: every quantity carries its unit in [...], every example runs."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator

import pytest

from labcalc import formulae, statistics

ROOMS = (formulae, statistics)

WORDS = re.compile(r"\b(str|str_|bool|bool_|Callable|Literal)\b(?! of)")
"""Types that have no unit, in an annotation or in the entry."""

NOT_PARAMETERS = {"Returns", "Source"}  # nor is what has a space in it, such as `Raises ValueError : …`


def public_callables() -> Iterator[tuple[str, Callable[..., object]]]:
    for room in ROOMS:
        for name in room.__all__:
            thing = getattr(room, name)
            if inspect.isfunction(thing):
                yield f"{room.__name__}.{name}", thing
            elif inspect.isclass(thing):
                for method, function in inspect.getmembers(thing, inspect.isfunction):
                    if not method.startswith("_"):
                        yield f"{room.__name__}.{name}.{method}", function


def entries(docstring: str) -> dict[str, str]:
    """Return each entry, `name : what` or `name, name : what` with what hangs below it, by name."""
    found = re.findall(r"^(\w[^:\n]*) : ((?:.+\n?)(?:    .+\n?)*)", docstring, re.MULTILINE)
    return {name: what for names, what in found for name in names.split(", ")}


CALLABLES = list(public_callables())


@pytest.mark.parametrize(("name", "function"), CALLABLES, ids=[name for name, _ in CALLABLES])
def test_every_quantity_has_a_unit(name: str, function: Callable[..., object]) -> None:
    docstring = inspect.getdoc(function) or ""
    stated = entries(docstring)
    described = {name: what for name, what in stated.items() if name not in NOT_PARAMETERS and " " not in name}
    signature = inspect.signature(function)
    assert list(described) == [parameter for parameter in signature.parameters if parameter != "self"]
    returns = stated.get("Returns") or docstring.partition("\n\n")[0]
    told = [(entry, signature.parameters[parameter].annotation) for parameter, entry in described.items()]
    for entry, kind in (*told, (returns, signature.return_annotation)):
        assert WORDS.search(f"{kind} {entry}") or re.search(r"\[[^\]]+\]", entry), f"{name}: no unit in [...]: {entry}"


def modules() -> list[str]:
    return [info.name for room in ROOMS for info in pkgutil.walk_packages(room.__path__, f"{room.__name__}.")]


@pytest.mark.parametrize("name", modules())
def test_examples_run(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


@pytest.mark.parametrize("name", [name for name in formulae.__all__ if inspect.isfunction(getattr(formulae, name))])
def test_every_formula_tells_its_standard(name: str) -> None:
    if name == "edition_of":
        return
    docstring = inspect.getdoc(getattr(formulae, name)) or ""
    assert "Source" in entries(docstring)
    assert re.search(r"\d{2}", formulae.edition_of(name)), "an edition has a year"
