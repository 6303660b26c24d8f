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
from statsmodels.stats.diagnostic import het_breuschpagan
from statsmodels.stats.multitest import multipletests

from labcalc.statistics import (
    PowerLaw,
    agreement_limits,
    compare_repeatability,
    difference_limit_factor,
    duplicate_precision,
    fit_power_law,
    holm_adjusted,
    level_dependence,
    order_effect,
    pairs_needed,
    pooled_precision,
    share_beyond,
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


# --- A published set: W. J. Youden, Experimentation and Measurement (1962), p. 44; NIST dataset YOUDEN44 ---
# Data: public domain, seen. Results computed independently of this project, with statsmodels where it has them.


def test_the_plain_form_hides_an_effect_of_the_order(magnesium: Array) -> None:
    """s_r = √(Σd²/2n) .0029933 against s_d/√2 .0025833 (computed): t = 4.258 says which one holds."""
    first, second = magnesium
    assert math.sqrt(np.mean((first - second) ** 2) / 2.0) == pytest.approx(0.0029933, abs=5e-8)
    found = duplicate_precision(first, second)
    assert found.order is not None
    assert found.order.t == pytest.approx(4.258, abs=5e-4)
    assert found.order.mean == pytest.approx(0.0022, abs=5e-5)
    assert found.order.significant
    assert (found.form, found.degrees_of_freedom, found.number) == ("differences about their mean", 49, 50)
    assert found.deviation == pytest.approx(0.0025833, abs=5e-8)


def test_interval_and_limit_of_the_plain_form(magnesium: Array) -> None:
    """95 % interval .002505 to .003721, r = 2.7718 s = .008297 (computed): the order is mended by turns."""
    first, second = magnesium
    turned = np.arange(first.size) % 2 == 0  # the squares stay, the mean difference goes
    found = duplicate_precision(np.where(turned, first, second), np.where(turned, second, first))
    assert (found.form, found.degrees_of_freedom) == ("differences", 50)
    assert found.deviation == pytest.approx(0.0029933, abs=5e-8)
    assert found.interval == pytest.approx((0.002505, 0.003721), abs=6e-7)
    assert found.limit == pytest.approx(0.008297, abs=5e-7)


def test_the_relative_form(magnesium: Array) -> None:
    """√(Σ ln²(x1/x2) / 2n) = .043460; the rms of d over the mean is .043424 (computed)."""
    first, second = magnesium
    assert math.sqrt(np.mean(np.log(first / second) ** 2) / 2.0) == pytest.approx(0.043460, abs=5e-7)
    relative = np.sqrt(np.mean(((first - second) / (first + second) * 2.0) ** 2) / 2.0)
    assert relative == pytest.approx(0.043424, abs=5e-7)
    found = duplicate_precision(np.log(first), np.log(second))
    assert found.deviation == pytest.approx(np.std(np.log(first / second), ddof=1) / math.sqrt(2.0))
    assert found.form == "differences about their mean"


def test_breusch_pagan_and_spearman_of_the_set(magnesium: Array) -> None:
    """LM 11.78, p .0006 (computed with statsmodels)."""
    found = level_dependence(*magnesium)
    assert found.lagrange_multiplier == pytest.approx(11.78, abs=5e-3)
    assert found.multiplier_p_value == pytest.approx(0.0006, abs=5e-5)


# --- Bland and Altman ---


def test_limits_of_agreement_of_thirty_pairs() -> None:
    """D. Giavarina, Biochemia Medica 25 (2015) 141, table 1: -27.17, -95.39, 41.05 (data from memory; they fit)."""
    found = agreement_limits(*columns("agreement_30.csv", "first", "second"))
    assert [round(value, 2) for value in (found.mean, found.lower, found.upper)] == [-27.17, -95.39, 41.05]
    assert found.limit_error == pytest.approx(found.deviation * math.sqrt(1 / 30 + 1.96**2 / 58), rel=1e-4)


def test_peak_flow_meters() -> None:
    """J. M. Bland and D. G. Altman, Lancet 327 (1986) 307: mean -2.1, s 38.8; 2 s of repeats 43.2 and 56.4 (memory)."""
    large_1, large_2, mini_1, mini_2 = columns("peak_flow_17.csv", "large_1", "large_2", "mini_1", "mini_2")
    found = agreement_limits(large_1, mini_1)
    assert (round(found.mean, 1), round(found.deviation, 1)) == (-2.1, 38.8)
    for pair, printed in (((large_1, large_2), 43.2), ((mini_1, mini_2), 56.4)):
        of_differences = math.sqrt(2.0) * duplicate_precision(*pair).deviation
        assert 2.0 * of_differences == pytest.approx(printed, abs=0.11)  # twice a figure printed to 0.1


# --- Tables ---


def test_factors_of_few_degrees_of_freedom() -> None:
    """t √2 as any t table gives it (computed)."""
    printed = {5: 3.635, 10: 3.151, 15: 3.014, 20: 2.950, 30: 2.888, 50: 2.841, math.inf: 2.772}
    assert difference_limit_factor(list(printed)) == pytest.approx(list(printed.values()), abs=5.1e-4)


def test_how_many_pairs() -> None:
    """Worse side of the interval, and one-sided upper bound (computed from the chi-square distribution)."""
    widths = [0.5, 0.4, 0.3, 0.25, 0.2, 0.1]
    assert pairs_needed(widths).tolist() == [17, 24, 36, 48, 69, 233]
    assert pairs_needed(widths, upper_bound_only=True).tolist() == [13, 18, 27, 35, 50, 166]


@given(st.floats(1e-3, 3.0), st.floats(0.5, 0.999))
def test_one_pair_fewer_is_too_few(width: float, confidence: float) -> None:
    number = int(pairs_needed(width, confidence))

    def reach(pairs: int) -> float:
        return math.sqrt(pairs / stats.chi2.ppf((1.0 - confidence) / 2.0, pairs)) - 1.0

    assert reach(number) <= width * (1 + 1e-9)
    assert number == 1 or reach(number - 1) > width * (1 - 1e-9)


# --- Against scipy and statsmodels ---


def _pairs(number: int, seed: int, exponent: float = 1.0, factor: float = 0.002) -> tuple[Array, Array]:
    random = np.random.default_rng(seed)
    level = np.exp(random.uniform(np.log(2.0), np.log(1000.0), number))
    first, second = level + factor * level**exponent * random.standard_normal((2, number))
    return first, second


@pytest.mark.parametrize("seed", range(5))
def test_dependence_on_the_level_against_scipy_and_statsmodels(seed: int) -> None:
    first, second = (pair.round(2) for pair in _pairs(60, seed, exponent=0.5, factor=0.01))  # rounding makes ties
    found = level_dependence(first, second)
    rank = stats.spearmanr(np.abs(first - second), (first + second) / 2.0)
    assert (found.rank_correlation, found.rank_p_value) == pytest.approx((rank.statistic, rank.pvalue))
    design = sm.add_constant((first + second) / 2.0)
    multiplier, p_value, *_ = het_breuschpagan(first - second, design)
    assert (found.lagrange_multiplier, found.multiplier_p_value) == pytest.approx((multiplier, p_value))


@pytest.mark.parametrize(("number", "seed", "exponent"), [(30, 1, 0.0), (60, 2, 1.1), (300, 3, 1.7), (40, 4, -0.5)])
def test_power_law_against_a_general_linear_model(number: int, seed: int, exponent: float) -> None:
    first, second = _pairs(number, seed, exponent)
    design = sm.add_constant(np.log((first + second) / 2.0))
    family = sm.families.Gamma(link=sm.families.links.Log())
    fit = sm.GLM((first - second) ** 2 / 2.0, design, family=family).fit(scale=2.0, tol=1e-12, maxiter=200)
    found = fit_power_law(first, second)
    assert (2 * math.log(found.factor), 2 * found.exponent) == pytest.approx(fit.params, rel=1e-6, abs=1e-6)
    assert 2 * found.exponent_error == pytest.approx(fit.bse[1], rel=1e-6)


def test_power_law_of_pairs_that_often_agree_to_the_last_digit() -> None:
    """Differences of 0 count; leaving them out would raise s (the same model in statsmodels, which takes 0)."""
    first, second = (pair.round(2) for pair in _pairs(200, 5, exponent=1.0, factor=0.0005))
    assert (first == second).sum() > 10
    design = sm.add_constant(np.log((first + second) / 2.0))
    family = sm.families.Gamma(link=sm.families.links.Log())
    half_square = np.maximum((first - second) ** 2 / 2.0, 1e-30)
    fit = sm.GLM(half_square, design, family=family).fit(scale=2.0, tol=1e-12, maxiter=200)
    assert 2 * fit_power_law(first, second).exponent == pytest.approx(fit.params[1], rel=1e-5)


def test_paired_t_against_scipy(magnesium: Array) -> None:
    found, theirs = order_effect(*magnesium), stats.ttest_rel(*magnesium)
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
    assert (found.p_worse, found.p_better) == pytest.approx((spread.sf(ratio), spread.cdf(ratio)))
    assert found.ratio_interval == pytest.approx(
        (math.sqrt(ratio / spread.ppf(0.975)), math.sqrt(ratio / spread.ppf(0.025)))
    )


def test_share_beyond_against_scipy() -> None:
    assert share_beyond([1.0, 0.5], 2.0) == pytest.approx(2.0 * stats.norm.sf([2.0 / 2**0.5, 4.0 / 2**0.5]))
    assert share_beyond(0.0, 1.0) == 0.0


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
    "differences": lambda one, other: duplicate_precision(one, other).interval,
    "pooled": lambda one, other: (
        pooled_precision(np.concatenate([one, other]), np.tile(np.arange(one.size), 2)).interval
    ),
    "ratio": lambda one, other: (
        compare_repeatability(
            duplicate_precision(one, other).deviation, one.size, 1.959963984540054 * math.sqrt(2.0)
        ).ratio_interval
    ),
}


@pytest.mark.parametrize("number", [10, 40])
@pytest.mark.parametrize("form", FORMS)
def test_intervals_of_a_standard_deviation_cover(form: str, number: int) -> None:
    random = np.random.default_rng(11)
    pairs = random.standard_normal((1500, 2, number))
    assert_covers([_covered(FORMS[form](*pair), 1.0) for pair in pairs])


@pytest.mark.parametrize("number", [3, 12])
def test_intervals_of_agreement_cover(number: int) -> None:
    random = np.random.default_rng(12)
    found = [agreement_limits(*pair) for pair in random.standard_normal((1500, 2, number))]
    reach = 1.959963984540054 * math.sqrt(2.0)
    assert_covers([_covered(one.lower_interval, -reach) for one in found])
    assert_covers([_covered(one.upper_interval, reach) for one in found])
    assert_covers([_covered(one.mean_interval, 0.0) for one in found])


def test_standard_error_of_a_limit_is_its_spread() -> None:
    random = np.random.default_rng(13)
    found = [agreement_limits(*pair) for pair in random.standard_normal((1500, 2, 40))]
    assert np.std([one.upper for one in found]) == pytest.approx(np.mean([one.limit_error for one in found]), rel=0.05)


@pytest.mark.parametrize(("number", "exponent"), [(30, 0.0), (60, 1.1)])
def test_intervals_of_a_power_law_cover(number: int, exponent: float) -> None:
    found = [fit_power_law(*_pairs(number, seed, exponent)) for seed in range(1500)]
    assert_covers([_covered(one.exponent_interval, exponent) for one in found])


def test_a_new_pair_is_within_the_limit_of_few_pairs() -> None:
    """The t form holds for a pair that isn't in s; 2.77 s, from five pairs, would let 10 % of good ones fail."""
    random = np.random.default_rng(14)
    within, plain = [], []
    for pairs in random.standard_normal((3000, 2, 6)):
        found = duplicate_precision(pairs[0, :5], pairs[1, :5])
        difference = abs(pairs[0, 5] - pairs[1, 5])
        if found.order is not None and not found.order.significant:
            within.append(difference <= found.limit_for_a_new_pair)
            plain.append(difference <= found.limit)
    assert np.mean(within) == pytest.approx(0.95, abs=0.015)
    assert np.mean(plain) == pytest.approx(0.90, abs=0.02)


def test_false_alarms_of_the_tests() -> None:
    """Each test at 5 % finds something in 5 % of what has nothing."""
    random = np.random.default_rng(15)
    pairs = random.standard_normal((1500, 2, 30)) + np.linspace(100.0, 200.0, 30)
    found = [level_dependence(*pair) for pair in pairs]
    assert_covers([one.rank_p_value > 0.05 for one in found])
    assert_covers([order_effect(*pair).p_value > 0.05 for pair in pairs])
    # the multiplier is asymptotic: skewed squares of 30 pairs give about 4 %
    assert np.mean([one.multiplier_p_value < 0.05 for one in found]) == pytest.approx(0.045, abs=0.02)
    verdicts = [compare_repeatability(duplicate_precision(*p).deviation, 30, 2.771808).verdict for p in pairs]
    assert verdicts.count("worse than published") / 1500 == pytest.approx(0.025, abs=0.015)
    assert verdicts.count("better than published") / 1500 == pytest.approx(0.025, abs=0.015)


def test_mean_of_fitted_exponents() -> None:
    """200 pairs, a = 0.001, b = 1.1 over 2 to 1000: the mean of many fits is 1.1 (an independent fit: 1.082 ± .028)."""
    fits = [fit_power_law(*_pairs(200, seed, 1.1, 0.001)) for seed in range(100)]
    errors = np.array([one.exponent_error for one in fits])
    assert errors.mean() == pytest.approx(0.028, abs=0.001)
    assert np.mean([one.exponent for one in fits]) == pytest.approx(1.1, abs=4.0 * 0.028 / 10.0)


# --- Properties ---

RESULTS = arrays(float, st.integers(2, 30), elements=st.floats(1.0, 1000.0).map(lambda one: round(one, 3)))


@given(RESULTS, st.integers(0, 2**32 - 1), st.floats(0.01, 100.0))
def test_scale_and_exchange(results: Array, seed: int, scale: float) -> None:
    """The unit scales s; exchanging first and second turns the order's sign only."""
    other = results + np.random.default_rng(seed).normal(0.0, 0.5, results.size).round(2).clip(-0.9, 0.9)
    found, turned = duplicate_precision(results, other), duplicate_precision(other, results)
    assert found.order is not None
    assert turned.order is not None
    assert (turned.deviation, turned.order.mean) == (found.deviation, -found.order.mean)
    scaled = duplicate_precision(scale * results, scale * other)
    assert scaled.deviation == pytest.approx(scale * found.deviation, rel=1e-6, abs=1e-12)


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


def test_pairs_without_any_difference() -> None:
    found = duplicate_precision([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    assert (found.deviation, found.interval, found.limit) == (0.0, (0.0, 0.0), 0.0)
    assert found.order is not None
    assert (found.order.t, found.order.significant) == (0.0, False)
    shifted = order_effect([1.5, 2.5], [1.0, 2.0])
    assert (shifted.t, shifted.p_value) == (math.inf, 0.0)
    assert math.isnan(level_dependence(np.arange(5.0), np.arange(5.0)).rank_correlation)


# --- Refusals ---

LEVELS = np.geomspace(1.0, 100.0, 40)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: duplicate_precision([], []), "0 results: a precision from pairs needs 1 or more"),
        (lambda: duplicate_precision([1.0], [1.0, 2.0]), "1 first and 2 second results: pairs were expected"),
        (lambda: duplicate_precision([1.0, np.nan], [1.0, 2.0]), "result 2 of 2 is nan: a number was expected"),
        (lambda: order_effect([1.0], [2.0]), "1 results: a test of the order needs 2 or more"),
        (
            lambda: pooled_precision([1.0, 2.0], ["a", "b"]),
            "2 results in 2 sets: no set has two, and a precision needs",
        ),
        (lambda: pooled_precision([1.0, 2.0], ["a"]), "2 results and 1 names of sets: one for each was expected"),
        (lambda: pairs_needed(0.0), "half width 0: 0.0001 or more was expected"),
        (lambda: compare_repeatability(1.0, 5, 0.0), "published repeatability 0: more than 0 was expected"),
        (lambda: fit_power_law(LEVELS[:29], LEVELS[:29]), "29 results: a power law needs 30 or more"),
        (lambda: fit_power_law(LEVELS, LEVELS), "every pair agrees to the last digit"),
        (lambda: fit_power_law(np.ones(30), np.ones(30)), "all 30 pairs lie on one level: a power law needs several"),
        (lambda: fit_power_law(LEVELS - 2.0, LEVELS), "level 0: a power law needs levels above 0"),
        (
            lambda: fit_power_law(LEVELS + np.eye(40)[39], LEVELS),
            "only pairs at one end of the levels differ at all: no power law fits them",
        ),
    ],
)
def test_what_cannot_be_used_is_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        call()
    assert words in str(refused.value)


# --- By hand, field by field ---


def test_agreement_against_scipy() -> None:
    """scipy.stats: t for the mean, the noncentral t for the limits (exact for normal differences), normal for z."""
    first, second = np.array([5.0, 6.5, 7.0, 9.0, 8.0]), np.array([5.5, 6.0, 7.5, 8.0, 8.0])
    found, difference = agreement_limits(first, second, coverage=0.9, confidence=0.99), first - second
    spread, z = np.std(difference, ddof=1), stats.norm.ppf(0.95)
    assert (found.number, found.coverage, found.confidence) == (5, 0.9, 0.99)
    assert (found.mean, found.deviation) == (pytest.approx(0.1), pytest.approx(spread))
    assert (found.lower, found.upper) == (pytest.approx(0.1 - z * spread), pytest.approx(0.1 + z * spread))
    assert found.mean_error == pytest.approx(spread / math.sqrt(5.0))
    assert found.limit_error == pytest.approx(spread * math.sqrt(1.0 / 5.0 + z**2 / 8.0))
    interval = stats.ttest_1samp(difference, 0.0).confidence_interval(0.99)
    assert found.mean_interval == pytest.approx(tuple(interval))
    ends = stats.nct.ppf([0.005, 0.995], 4, z * math.sqrt(5.0)) * spread / math.sqrt(5.0)
    assert found.upper_interval == pytest.approx(tuple(0.1 + ends))
    assert found.lower_interval == pytest.approx(tuple(0.1 - ends[::-1]))


def test_pairs_by_hand() -> None:
    """Differences 1 and -3: s² = (1 + 9)/4; limits by z √2 and by t √2 (scipy) at the confidence asked for."""
    found = duplicate_precision([2.0, 4.0], [1.0, 7.0], confidence=0.9)
    assert (found.number, found.degrees_of_freedom, found.confidence, found.form) == (2, 2, 0.9, "differences")
    assert found.deviation == pytest.approx(math.sqrt(2.5))
    ends = tuple(math.sqrt(5.0 / stats.chi2.ppf(p, 2)) for p in (0.95, 0.05))
    assert found.interval == pytest.approx(ends)
    factor = math.sqrt(2.0) * stats.norm.ppf(0.95)
    assert found.limit == pytest.approx(factor * math.sqrt(2.5))
    assert found.limit_interval == pytest.approx((factor * ends[0], factor * ends[1]))
    assert found.limit_for_a_new_pair == pytest.approx(math.sqrt(5.0) * stats.t.ppf(0.95, 2))
    assert found.order is not None
    assert (found.order.number, found.order.mean, found.order.t) == (2, -1.0, pytest.approx(-0.5))
    assert found.order.critical_t == pytest.approx(stats.t.ppf(0.95, 1))
    assert found.order.interval == pytest.approx(
        (-1.0 - 2.0 * found.order.critical_t, -1.0 + 2.0 * found.order.critical_t)
    )
    single = duplicate_precision([1.0], [1.5])
    assert (single.order, single.deviation, single.degrees_of_freedom) == (None, pytest.approx(0.5 / math.sqrt(2.0)), 1)


def test_pooled_sets_by_hand() -> None:
    """Sets 1 3, 2 2 5 and a single 9: (2 + 6)/3; singles are no sets with repeats."""
    pooled = pooled_precision([1.0, 3.0, 2.0, 2.0, 5.0, 9.0], ["a", "a", "b", "b", "b", "c"], confidence=0.9)
    assert (pooled.number, pooled.degrees_of_freedom, pooled.confidence) == (2, 3, 0.9)
    assert pooled.deviation == pytest.approx(math.sqrt(8.0 / 3.0))
    assert (pooled.order, pooled.form) == (None, "pooled sets")
    assert pooled.interval == pytest.approx(tuple(math.sqrt(8.0 / stats.chi2.ppf(p, 3)) for p in (0.95, 0.05)))


def test_verdicts_on_either_side_of_their_limit() -> None:
    """The ratio of variances against scipy's chi-square and F at 2.5 % of either tail, a millionth off."""
    reach = 1.959963984540054 * math.sqrt(2.0)
    for published in (math.inf, 8.0):
        spread = stats.chi2(6, scale=1 / 6) if math.isinf(published) else stats.f(6, published)
        for tail, verdict in ((0.025, "better than published"), (0.975, "worse than published")):
            edge, beyond = math.sqrt(spread.ppf(tail)), -1e-6 if tail < 0.5 else 1e-6
            asked = [
                compare_repeatability(edge * (1.0 + off), 6, reach, published_degrees_of_freedom=published)
                for off in (beyond, -beyond)
            ]
            assert [one.verdict for one in asked] == [verdict, "as published"]
    found = compare_repeatability(0.05, 12, 0.1, confidence=0.9)
    assert (found.degrees_of_freedom, found.published_degrees_of_freedom, found.confidence) == (12, math.inf, 0.9)
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


def test_a_power_law_at_a_level() -> None:
    """By hand: 0.1 · 4^0.5; Student's t for the exponent (scipy)."""
    law = PowerLaw(40, 0.1, 0.5, 0.05, 0.9)
    assert law.deviation_at([1.0, 4.0]) == pytest.approx([0.1, 0.2])
    reach = 0.05 * stats.t.ppf(0.95, 38)
    assert law.exponent_interval == pytest.approx((0.5 - reach, 0.5 + reach))
    found = fit_power_law(*_pairs(30, 1), confidence=0.9)
    assert (found.number, found.confidence) == (30, 0.9)


def test_dependence_of_four_pairs_by_hand() -> None:
    """Differences 1, 2, 3, 4 at rising levels: ranks agree fully; n r² of d² on the level, chi-square of one degree."""
    level, difference = np.array([10.0, 20.0, 30.0, 40.0]), np.array([1.0, 2.0, 3.0, 4.0])
    found = level_dependence(level + difference / 2.0, level - difference / 2.0)
    assert (found.number, found.rank_correlation, found.rank_p_value) == (
        4,
        pytest.approx(1.0),
        pytest.approx(0.0, abs=1e-12),
    )
    multiplier = 4.0 * np.corrcoef(difference**2, level)[0, 1] ** 2
    assert found.lagrange_multiplier == pytest.approx(multiplier)
    assert found.multiplier_p_value == pytest.approx(stats.chi2.sf(multiplier, 1))
    with pytest.raises(ValueError, match="3 results: a dependence on the level needs 4 or more"):
        level_dependence([1.0, 2.0, 3.0], [1.0, 2.0, 4.0])
