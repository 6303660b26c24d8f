"""Precision of duplicates: against published sets, scipy and statsmodels, and simulated coverage of every interval."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.multitest import multipletests

from labcalc.statistics import (
    DIFFERENCE_LIMIT_FACTOR,
    compare_repeatability,
    holm_adjusted,
    order_effect,
    pairs_needed,
    pooled_precision,
)
from tests.statistics.data import columns

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def magnesium() -> Array:
    return columns("magnesium_duplicates.csv", "rep1", "rep2")


def _covered(interval: tuple[float, float], true: float) -> bool:
    return interval[0] <= true <= interval[1]


def assert_covers(covered: list[bool], share: float = 0.95) -> None:
    """Three and a half standard errors of the simulation: one such check in two thousand fails by chance."""
    assert np.mean(covered) == pytest.approx(share, abs=3.5 * math.sqrt(share * (1.0 - share) / len(covered)))


# --- Tables ---


def test_factor_of_a_difference() -> None:
    """1.96 √2, printed as 2.772."""
    assert pytest.approx(2.772, abs=5.1e-4) == DIFFERENCE_LIMIT_FACTOR


def test_how_many_pairs() -> None:
    """Worse side of the interval (computed from the chi-square distribution)."""
    assert pairs_needed([0.5, 0.4, 0.3, 0.25, 0.2, 0.1]).tolist() == [17, 24, 36, 48, 69, 233]


@given(st.floats(1e-3, 3.0))
def test_one_pair_fewer_is_too_few(width: float) -> None:
    number = int(pairs_needed(width))

    def reach(pairs: int) -> float:
        return math.sqrt(pairs / stats.chi2.ppf(0.025, pairs)) - 1.0

    assert reach(number) <= width * (1 + 1e-9)
    assert number == 1 or reach(number - 1) > width * (1 - 1e-9)


# --- Against scipy and statsmodels ---


def _pairs(number: int, seed: int, exponent: float = 1.0, factor: float = 0.002) -> tuple[Array, Array]:
    random = np.random.default_rng(seed)
    level = np.exp(random.uniform(np.log(2.0), np.log(1000.0), number))
    first, second = level + factor * level**exponent * random.standard_normal((2, number))
    return first, second


def test_paired_t_against_scipy(magnesium: Array) -> None:
    found, theirs = order_effect(np.subtract(*magnesium)), stats.ttest_rel(*magnesium)
    assert (found.t, found.p_value) == pytest.approx((theirs.statistic, theirs.pvalue))
    assert found.interval == pytest.approx(tuple(theirs.confidence_interval()))


def test_holm_against_statsmodels() -> None:
    p = [0.04, 0.001, 0.2, 0.03, 0.9, 0.03]
    assert holm_adjusted(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert holm_adjusted([]).size == 0


@pytest.mark.parametrize("published", [math.inf, 42.0])
def test_comparison_with_a_published_limit_against_scipy(published: float) -> None:
    found = compare_repeatability(0.05, 12, 0.1, published_degrees_of_freedom=published)
    ratio = (0.05 * 1.959963984540054 * math.sqrt(2.0) / 0.1) ** 2
    spread = stats.chi2(12, scale=1 / 12) if math.isinf(published) else stats.f(12, published)
    assert found.ratio == pytest.approx(math.sqrt(ratio))
    assert found.p_worse == pytest.approx(spread.sf(ratio))
    assert found.ratio_interval == pytest.approx(
        (math.sqrt(ratio / spread.ppf(0.975)), math.sqrt(ratio / spread.ppf(0.025)))
    )


def test_pooled_sets_against_an_analysis_of_variance() -> None:
    """The residual mean square of a one-way analysis (statsmodels)."""
    random = np.random.default_rng(8)
    sets = np.repeat(np.arange(30), random.integers(1, 6, 30))
    results = 100.0 * sets + random.normal(0.0, 0.1, sets.size)
    fit = sm.OLS(results, (sets[:, np.newaxis] == np.unique(sets)).astype(float)).fit()
    found = pooled_precision(results, sets)
    assert found.deviation == pytest.approx(math.sqrt(fit.mse_resid))
    assert found.degrees_of_freedom == fit.df_resid
    assert pooled_precision(results, [f"sample {one}" for one in sets]) == found


# --- Coverage: 95 % is 95 % ---

FORMS: dict[str, Callable[[Array, Array], tuple[float, float]]] = {
    "pooled": lambda one, other: (
        pooled_precision(np.concatenate([one, other]), np.tile(np.arange(one.size), 2)).interval
    ),
    "ratio": lambda one, other: (
        compare_repeatability(
            math.sqrt(np.mean((one - other) ** 2) / 2.0), one.size, 1.959963984540054 * math.sqrt(2.0)
        ).ratio_interval
    ),
}


@pytest.mark.parametrize("number", [10, 40])
@pytest.mark.parametrize("form", FORMS)
def test_intervals_of_a_standard_deviation_cover(form: str, number: int) -> None:
    random = np.random.default_rng(11)
    pairs = random.standard_normal((1500, 2, number))
    assert_covers([_covered(FORMS[form](*pair), 1.0) for pair in pairs])


# --- Properties ---

RESULTS = arrays(float, st.integers(2, 30), elements=st.floats(1.0, 1000.0).map(lambda one: round(one, 3)))


@given(RESULTS)
def test_pairs_are_sets_of_two(results: Array) -> None:
    other = results[::-1]
    pooled = pooled_precision(np.concatenate([results, other]), np.tile(np.arange(results.size), 2))
    assert pooled.deviation == pytest.approx(math.sqrt(np.mean((results - other) ** 2) / 2.0), rel=1e-9, abs=1e-9)
    assert pooled.degrees_of_freedom == results.size


def test_large_results_keep_their_digits() -> None:
    """Pooling takes differences first: 1e9 beneath the results changes nothing."""
    results, sets = np.array([0.0, 0.25, 0.5, 0.0, 0.25]), [1, 1, 1, 2, 2]
    assert pooled_precision(results + 1e9, sets).deviation == pooled_precision(results, sets).deviation


# --- By hand, field by field ---


def test_pooled_sets_by_hand() -> None:
    """Sets 1 3, 2 2 5 and a single 9: (2 + 6)/3; singles are no sets with repeats."""
    pooled = pooled_precision([1.0, 3.0, 2.0, 2.0, 5.0, 9.0], ["a", "a", "b", "b", "b", "c"])
    assert (pooled.number, pooled.degrees_of_freedom) == (2, 3)
    assert pooled.deviation == pytest.approx(math.sqrt(8.0 / 3.0))
    assert pooled.interval == pytest.approx(tuple(math.sqrt(8.0 / stats.chi2.ppf(p, 3)) for p in (0.975, 0.025)))


def test_worse_and_better_on_either_side_of_their_limit() -> None:
    """The ratio of variances against scipy's chi-square and F at 2.5 % of either tail, a millionth off."""
    reach = 1.959963984540054 * math.sqrt(2.0)
    for published in (math.inf, 8.0):
        spread = stats.chi2(6, scale=1 / 6) if math.isinf(published) else stats.f(6, published)
        for tail, expected in ((0.025, (False, True)), (0.975, (True, False))):
            edge, beyond = math.sqrt(spread.ppf(tail)), -1e-6 if tail < 0.5 else 1e-6
            asked = [
                compare_repeatability(edge * (1.0 + off), 6, reach, published_degrees_of_freedom=published)
                for off in (beyond, -beyond)
            ]
            found = [(one.p_worse < 0.025, one.ratio_interval[1] < 1.0) for one in asked]
            assert found == [expected, (False, False)]
    for limit in (-1.0, math.inf, math.nan):
        with pytest.raises(ValueError, match="more than 0 was expected"):
            compare_repeatability(1.0, 5, limit)


def test_the_fewest_and_the_most_pairs() -> None:
    """One pair where the width is wide enough (scipy), and so many for a width of 0.0001 that √(n/χ²) is that close."""
    one = math.sqrt(1.0 / stats.chi2.ppf(0.025, 1)) - 1.0
    assert pairs_needed([one * 1.0001, one * 0.9999]).tolist() == [1, 2]
    most = int(pairs_needed(1e-4))
    assert most == pytest.approx(1.96**2 / 2e-8, rel=1e-3)
    for width in (9e-5, math.inf, math.nan):
        with pytest.raises(ValueError, match=r"0\.0001 or more was expected"):
            pairs_needed([0.1, width])
