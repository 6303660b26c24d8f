"""How numbers are said to a person, against tables written by hand.

A space stands before a unit and before the percent sign (The International System of Units, 9th edition, 2019, 5.4.3
and 5.4.7 [memory]); the minus sign is U+2212 (The Unicode Standard); half goes to the even digit (ASTM E29-22).
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import labcalc
from labcalc.wording import (
    at_celsius,
    celsius,
    counted,
    decimals_of,
    numeral,
    p_value,
    percent,
    plain,
    probability,
    signed,
)

INF, NAN = math.inf, math.nan


@pytest.mark.parametrize(
    ("number", "words", "said"),
    [
        (0, ("run",), "0 runs"),
        (1, ("run",), "1 run"),
        (2, ("sample run",), "2 sample runs"),
        (1, ("laboratory", "laboratories"), "1 laboratory"),
        (12, ("degree of freedom", "degrees of freedom"), "12 degrees of freedom"),
    ],
)
def test_counts(number: int, words: tuple[str, ...], said: str) -> None:
    assert counted(number, *words) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.01234, "0.012"),
        (-0.0996, "−0.10"),
        (9.96, "10"),
        (1234.5, "1200"),
        (1.25e-7, "0.00000012"),
        (1e-7, "0.00000010"),
        (123456.0, "120000"),
        (0.12345, "0.12"),
        (6.0e7, "60000000"),
        (-0.0, "0"),
        (NAN, "–"),
        (INF, "∞"),
        (-INF, "−∞"),
        (np.float64(-2.5), "−2.5"),
    ],
)
def test_two_figures_without_an_exponent(value: float, said: str) -> None:
    assert numeral(value) == said


@pytest.mark.parametrize(
    ("value", "decimals", "said"),
    [
        (2.675, 2, "2.68"),
        (2.665, 2, "2.66"),
        (-0.5, 0, "0"),
        (-1.5, 0, "−2"),
        (-0.0049, 2, "0.00"),
        (73.3, 2, "73.30"),
        (1e-9, 8, "0.00000000"),
        (NAN, 1, "–"),
    ],
)
def test_decimals(value: float, decimals: int, said: str) -> None:
    assert numeral(value, decimals) == said


def test_what_is_unknown_may_be_said_otherwise() -> None:
    assert numeral(NAN, unknown="unknown") == "unknown"
    assert signed(NAN, 2, unknown="not known") == "not known"


@pytest.mark.parametrize(
    ("value", "decimals", "said"),
    [
        (0.25, 1, "+0.2"),
        (-0.35, 1, "−0.4"),
        (0.04, 1, "0.0"),
        (-0.04, 1, "0.0"),
        (100.0, 0, "+100"),
        (0.0, None, "0"),
        (-4.3328, None, "−4.3"),
        (120.0, None, "+120"),
        (0.12345, None, "+0.12"),
        (INF, None, "+∞"),
        (NAN, 3, "–"),
    ],
)
def test_signs(value: float, decimals: int | None, said: str) -> None:
    assert signed(value, decimals) == said
    assert signed(-0.12345, figures=3) == "−0.123"


@pytest.mark.parametrize(
    ("value", "figures", "said"),
    [
        (40.0, 6, "40"),
        (-17.77777, 6, "−17.7778"),
        (-0.0, 6, "0"),
        (15.021, 10, "15.021"),
        (0.05, 2, "0.05"),
        (7, 6, "7"),
    ],
)
def test_no_more_figures_than_there_are(value: float, figures: int, said: str) -> None:
    assert plain(value, figures) == said


@pytest.mark.parametrize(
    ("size", "figures", "decimals"), [(0.0123, 2, 3), (4.5678, 3, 2), (0.0996, 2, 2), (1234.5, 2, 0), (12.0, 2, 0)]
)
def test_decimals_that_go_with_a_size(size: float, figures: int, decimals: int) -> None:
    assert decimals_of(size, figures) == decimals


@pytest.mark.parametrize(
    ("share", "decimals", "said"),
    [
        (0.5, 0, "50 %"),
        (1.0, 0, "100 %"),
        (0.01234, None, "1.2 %"),
        (-0.0001, 1, "0.0 %"),
        (-0.02, 1, "−2.0 %"),
        (NAN, 0, "–"),
    ],
)
def test_shares(share: float, decimals: int | None, said: str) -> None:
    assert percent(share, decimals) == said


@pytest.mark.parametrize(
    ("share", "finest", "said"),
    [
        (0.0, 0.01, "< 0.01 %"),
        (0.00009, 0.01, "< 0.01 %"),
        (0.00012, 0.01, "0.01 %"),
        (0.0051, 0.01, "0.51 %"),
        (0.0412, 0.01, "4.1 %"),
        (0.5, 0.01, "50 %"),
        (0.9588, 0.01, "95.9 %"),
        (0.9949, 0.01, "99.49 %"),
        (0.99995, 0.01, "> 99.99 %"),
        (1.0, 0.01, "> 99.99 %"),
        (0.004, 1.0, "< 1 %"),
        (0.0412, 1.0, "4 %"),
        (0.623, 1.0, "62 %"),
        (0.9949, 1.0, "> 99 %"),
        (0.9996, 1.0, "> 99 %"),
        (NAN, 1.0, "–"),
    ],
)
def test_a_probability_is_never_none_or_all(share: float, finest: float, said: str) -> None:
    assert probability(share, finest) == said


@pytest.mark.parametrize(
    ("p", "said"),
    [(0.0312, "p = 0.031"), (1.0, "p = 1"), (0.00012, "p = 0.00012"), (0.0, "p < 0.0001"), (np.array(0.2), "p = 0.2")],
)
def test_p_values(p: float, said: str) -> None:
    assert p_value(p) == said


def test_temperatures() -> None:
    assert [celsius(one) for one in (40, 40.05, -20.0, np.float64(-0.0))] == ["40 °C", "40.05 °C", "−20 °C", "0 °C"]
    assert at_celsius("density", 15.0) == "density at 15 °C"
    assert at_celsius("viscosity index", NAN) == "viscosity index"


def _formats(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and format of what f-strings hold, with the text that follows."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.JoinedStr):
            for part, after in zip(node.values, [*node.values[1:], None], strict=True):
                if isinstance(part, ast.FormattedValue) and part.format_spec is not None:
                    text = after.value if isinstance(after, ast.Constant) else ""
                    yield part.lineno, f"{ast.unparse(part.format_spec)[2:-1]}{text}"


@pytest.mark.parametrize("room", ["exports", "judgement", "lessons", "figures", "workbooks", "widgets", "cli"])
def test_no_room_says_signs_percent_or_temperatures_in_its_own_way(room: str) -> None:
    own = [
        f"{path.name}:{line}: {said}"
        for path in sorted((Path(labcalc.__file__).parent / room).rglob("*.py"))
        for line, said in _formats(path)
        if re.match(r"\+|\.\d%|[\w.]* °C", said)
    ]
    assert not own
