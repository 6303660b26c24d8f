"""What to report from repeats, and comparison with a limit: ISO 5725-6 and ASTM E29 (both memory), and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import CRITICAL_RANGE_FACTORS, acceptable_result
from labcalc.statistics.rounding import complies


@pytest.mark.parametrize(
    ("results", "rule", "value", "more"),
    [
        ([10.0, 10.08], "mean", 10.04, 0),
        ([10.2, 10.3], "mean", 10.25, 0),
        ([10.0, 10.2], "measure more", math.nan, 2),
        ([10.0, 10.2, 10.1], "measure more", math.nan, 1),
        ([10.0, 10.11, 10.05], "mean", 10.053333333333333, 0),
        ([10.0, 10.12, 10.06, 10.06], "mean", 10.06, 0),
        ([10.0, 10.3, 10.1, 10.12], "median", 10.11, 0),
    ],
)
def test_decision(results: list[float], rule: str, value: float, more: int) -> None:
    """ISO 5725-6:1994 (memory), r = 0.1: CR(3) = 0.1196, CR(4) = 0.1311."""
    found = acceptable_result(results, 0.1)
    assert (found.rule, found.more) == (rule, more)
    assert found.value == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(("results", "r"), [([1.0], 0.1), ([1.0] * 5, 0.1), ([1.0, math.nan], 0.1), ([1.0, 1.0], 0.0)])
def test_refusals(results: list[float], r: float) -> None:
    with pytest.raises(ValueError, match=r"expected|needs"):
        acceptable_result(results, r)


def test_critical_range_factors() -> None:
    """scipy.stats.studentized_range with infinite degrees of freedom."""
    for number in (2, 3, 4):
        exact = stats.studentized_range.ppf(0.95, number, np.inf)
        assert CRITICAL_RANGE_FACTORS[number] == pytest.approx(exact, abs=6e-4)


@pytest.mark.parametrize(
    ("value", "rounding", "absolute"),
    [(10.04, True, False), (10.05, True, False), (10.06, False, False), (10, True, True)],
)
def test_limit_by_both_methods(value: float, rounding: bool, absolute: bool) -> None:
    """ASTM E29 (memory): highest 10.0; exactly half goes to the even digit, so 10.05 rounds to 10.0."""
    assert complies(value, None, 10.0, 1) is rounding
    assert complies(value, None, 10.0, 1, method="absolute") is absolute
    assert complies(-value, -10.0, None, 1) is rounding


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match="'rounding' or 'absolute' was expected"):
        complies(1.0, 0.0, 2.0, 1, method="half")  # type: ignore[arg-type]


def test_what_is_at_the_limit_is_within_it() -> None:
    """ISO 5725-6 (memory): a range equal to the critical range is accepted; fields by hand."""
    found = acceptable_result([10.0, 10.5], 0.5)
    assert (found.rule, found.value, found.range, found.limit, found.more) == ("mean", 10.25, 0.5, 0.5, 0)
    three = acceptable_result([1.0, 3.0, 8.0], 1.0)
    assert (three.rule, three.more, three.range) == ("measure more", 1, 7.0)
    assert three.limit == pytest.approx(3.314 / 2.772)
    assert math.isnan(three.value)
    four = acceptable_result([1.0, 3.0, 8.0, 9.0], 1.0)
    assert (four.rule, four.value, four.more) == ("median", 5.5, 0)
    for r in (-1.0, math.inf, math.nan):
        with pytest.raises(ValueError, match="more than 0 was expected"):
            acceptable_result([1.0, 1.0], r)
