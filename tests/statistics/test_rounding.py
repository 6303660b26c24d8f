"""Rounding of reported figures."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from labcalc.statistics import rounded, rounded_to_figures


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        # API MPMS 11.1-2004, par. 11.1.5.4: ties go to the even digit (the standard's own examples).
        (10.05, 1, "10.0"),
        (-10.05, 1, "-10.0"),
        (0.79005, 4, "0.7900"),
        # ASTM E29, rounding method (from memory): exactly half to the even digit.
        (2.5, 0, "2"),
        (3.5, 0, "4"),
        (-2.5, 0, "-2"),
        # Decimal digits decide, not their binary neighbours: as a double, 2.675 is a little less.
        (2.675, 2, "2.68"),
        (1.005, 2, "1.00"),
        (0.0, 1, "0.0"),
        (1e-9, 3, "0.000"),
    ],
)
def test_half_goes_to_the_even_digit(value: float, decimals: int, expected: str) -> None:
    assert str(rounded(value, decimals)) == expected


@pytest.mark.parametrize(
    ("value", "figures", "expected"),
    [
        (73.2951, 4, "73.30"),
        (9.99951, 4, "10.00"),
        (999.96, 4, "1000"),
        (1234.5, 4, "1234"),
        (12346.0, 4, "12350"),
        (0.00123456, 2, "0.0012"),
        (0.0, 3, "0.00"),
        (-73.2951, 4, "-73.30"),
    ],
)
def test_significant_figures(value: float, figures: int, expected: str) -> None:
    assert str(rounded_to_figures(value, figures)) == expected
    assert math.isclose(float(Decimal(expected)), value, rel_tol=0.6 * 10.0 ** (1 - figures), abs_tol=1e-12)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_only_finite_numbers_are_rounded(value: float) -> None:
    with pytest.raises(ValueError, match="a finite number was expected"):
        rounded(value, 1)


@pytest.mark.parametrize(
    ("value", "figures", "expected"),
    [(9.96, 2, "10"), (99.96, 3, "100"), (0.0995, 1, "0.1"), (15.0, 1, "20"), (25.0, 1, "20"), (0.0, 1, "0")],
)
def test_figures_at_the_carry(value: float, figures: int, expected: str) -> None:
    """ASTM E29, rounding method (memory), by hand: a carry moves the last figure kept."""
    assert str(rounded_to_figures(value, figures)) == expected
    assert rounded(-value, -1) == -rounded(value, -1)
