"""Whatever stands in place of a value, lab.toml is either taken whole or refused with the key's path."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any

import pytest

from labcalc.lab._schema import FILE
from labcalc.lab._tables import UNFIT, Problems
from tests.lab.conftest import LAB

WHOLE = tomllib.loads(LAB)

ODD = [5, -1, 1.5, True, "", "x", "a\0b", "/etc", "..", float("nan"), float("inf"), 10**400, [], {}, [1], [{}], ["x"]]
ODD += [{"a": 1}, date(2026, 1, 1), datetime(2026, 1, 1), time(1)]  # noqa: DTZ001


def places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    keys = node if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    for key in keys:
        yield from places(node[key], (*path, key))


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: repr(odd)[:20])
def test_an_odd_value_anywhere_is_taken_or_named(odd: Any) -> None:
    for path in places(WHOLE):
        altered = copy.deepcopy(WHOLE)
        parent = altered
        for key in path[:-1]:
            parent = parent[key]
        parent[path[-1]] = odd
        problems = Problems()
        assert (FILE(altered, "", problems) is UNFIT) == bool(problems)
        assert all(key for key, _ in problems)
