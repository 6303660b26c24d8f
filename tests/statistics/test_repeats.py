"""Critical range of repeats."""

from __future__ import annotations

import pytest
from scipy.stats import studentized_range

from labcalc.statistics import CRITICAL_RANGE_FACTORS, critical_range


@pytest.mark.parametrize(("results", "factor"), CRITICAL_RANGE_FACTORS.items())
def test_factors_are_quantiles_of_the_range(results: int, factor: float) -> None:
    """Against scipy.stats.studentized_range with infinite degrees of freedom."""
    assert factor == pytest.approx(studentized_range.ppf(0.95, results, 1e6), abs=6e-4)


@pytest.mark.parametrize(
    ("results", "printed"),
    [(2, 2.8), (3, 3.3), (4, 3.6), (5, 3.9), (6, 4.0), (7, 4.2), (8, 4.3), (9, 4.4), (10, 4.5)],
)
def test_factors_as_printed(results: int, printed: float) -> None:
    """ISO 5725-6:1994, table 1 (2.8 and 3.3 seen, the rest from memory)."""
    assert round(CRITICAL_RANGE_FACTORS[results], 1) == printed


def test_two_results_may_differ_by_the_repeatability() -> None:
    assert critical_range(0.35, 2) == 0.35


@pytest.mark.parametrize("results", [0, 1, 11])
def test_other_numbers_of_results_are_refused(results: int) -> None:
    with pytest.raises(ValueError, match=f"{results} results: a critical range is given for 2 to 10"):
        critical_range(1.0, results)
