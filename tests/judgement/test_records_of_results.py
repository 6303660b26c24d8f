"""Every record of a result is frozen, and one that holds arrays is compared as itself: == of arrays is no answer."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator

import pytest

from labcalc import judgement


def records() -> Iterator[type]:
    for module in pkgutil.walk_packages(judgement.__path__, f"{judgement.__name__}."):
        for _, one in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            if dataclasses.is_dataclass(one) and one.__module__ == module.name:
                yield one


RECORDS = {f"{one.__module__.removeprefix('labcalc.judgement.')}.{one.__qualname__}": one for one in records()}

ARRAYS = ("NDArray", "Array", "DataFrame", "DatetimeIndex", "Flags")


@pytest.mark.parametrize("name", RECORDS)
def test_a_record_is_frozen(name: str) -> None:
    assert RECORDS[name].__dataclass_params__.frozen  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", RECORDS)
def test_a_record_with_arrays_is_compared_as_itself(name: str) -> None:
    held = [field.name for field in dataclasses.fields(RECORDS[name]) if str(field.type).startswith(ARRAYS)]
    assert not (held and RECORDS[name].__dataclass_params__.eq), held  # type: ignore[attr-defined]
