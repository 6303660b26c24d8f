"""Parameters are refused before anything runs, in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import nbformat
import pytest

from labcalc.errors import ParameterError
from labcalc.workbooks.parameters import check_parameters
from tests.workbooks.conftest import Writer

TAKEN = """temperature: float = 40.0  # of the bath, [°C]
runs: list[str] = []
count = 3  # type: int
free = None
lab: str | None = "x"
limits: dict = {}
strict: bool = False"""


def read(path: Path) -> Any:
    return nbformat.read(path, as_version=4)


@pytest.mark.parametrize(
    "parameters",
    [
        {"temperature": 100},
        {"temperature": 99.5, "runs": ["a", "b"]},
        {"count": 0, "strict": True},
        {"free": {"deep": [1, None, {"x": 1.5}]}, "limits": {"low": 1}},
    ],
)
def test_taken(parameters: dict[str, Any], write: Writer) -> None:
    check_parameters(read(write(parameters=TAKEN)), "small.ipynb", parameters)


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"temperatur": 40.0}, "small.ipynb: it takes no parameter 'temperatur'; did you mean 'temperature'?"),
        ({"zzz": 1}, "it takes temperature, runs, count, free, lab, limits, strict"),
        ({"temperature": "40"}, "small.ipynb: parameter 'temperature' is of type float, not \"40\""),
        ({"temperature": True}, "parameter 'temperature' is of type float, not true"),
        ({"count": 1.5}, "parameter 'count' is of type int, not 1.5"),
        ({"runs": ["a", 1]}, "parameter 'runs' is of type list[str], not [\"a\", 1]"),
        ({"strict": 1}, "parameter 'strict' is of type bool, not 1"),
        ({"temperature": float("nan")}, "parameter 'temperature' is nan; a finite number is expected"),
        ({"free": [float("inf")]}, "parameter 'free', item 1 is inf; a finite number is expected"),
        ({"free": Path("x")}, "text, numbers, true or false, and lists or mappings of these are expected"),
        ({"free": {1: 2}}, "parameter 'free' has the key 1; keys are text"),
        ({"api_key": "x"}, "parameter 'api_key' looks like a secret"),
        ({"password": "x"}, "parameter 'password' looks like a secret"),
    ],
)
def test_refused(parameters: dict[str, Any], message: str, write: Writer) -> None:
    with pytest.raises(ParameterError) as caught:
        check_parameters(read(write(parameters=TAKEN)), "small.ipynb", parameters)
    assert message in str(caught.value)


def test_numpy_scalars_are_refused(write: Writer) -> None:
    """papermill would turn them into text without a word."""
    import numpy as np

    for value in (np.float64(1.0), np.bool_(False), np.int64(1)):
        with pytest.raises(ParameterError, match="are expected"):
            check_parameters(read(write(parameters=TAKEN)), "small.ipynb", {"free": value})  # type: ignore[dict-item]


def test_a_notebook_without_the_tag_is_refused(write: Writer) -> None:
    with pytest.raises(ParameterError, match="no cell bears the tag 'parameters'"):
        check_parameters(read(write("1", parameters=None)), "small.ipynb", {})
