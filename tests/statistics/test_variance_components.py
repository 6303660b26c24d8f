"""Components of variance: printed examples, statsmodels, dense algebra, and intervals that hold their confidence."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from labcalc.lessons.components import plan_spread
from labcalc.statistics import (
    likelihood_components,
    nested_analysis,
    spread_interval,
    variance_components,
)
from labcalc.statistics.precision.nested_components import combination_interval, component_weights, sum_weights
from tests.statistics.data import columns
from tests.statistics.test_analysis_of_variance import SERIES, UNEVEN, gauge, spread_out

Factors = dict[str, np.ndarray]


def balanced(*counts: int) -> Factors:
    """Codes of a layout with so many of each level within one of the level above."""
    places = np.arange(math.prod(counts))
    return {f"level {n}": places // math.prod(counts[n:]) for n in range(1, len(counts))}


def uneven(*days: tuple[int, ...]) -> Factors:
    """Operators with days, so many results each."""
    sizes = [size for one in days for size in one]
    operator = np.repeat(np.arange(len(days)), [sum(one) for one in days])
    return {"operator": operator, "day": np.repeat(np.arange(len(sizes)), sizes)}


def drawn(factors: Factors, variances: tuple[float, ...], generator: np.random.Generator) -> np.ndarray:
    number = next(iter(factors.values())).size
    results = generator.normal(0.0, math.sqrt(variances[-1]), number)
    for codes, variance in zip(factors.values(), variances[:-1], strict=True):
        results += generator.normal(0.0, math.sqrt(variance), codes.max() + 1)[codes]
    return results


def test_voltage_standard_of_the_guide() -> None:
    """JCGM 100:2008, H.5: between days s_B 43 µV, standard uncertainty of the mean 18 µV (memory)."""
    mean, deviation = columns("gum_h5.csv", "mean_V", "s_uV")
    results = spread_out((mean - 10.0) * 1e6, deviation, 5)
    found = variance_components(nested_analysis(results, {"day": np.repeat(np.arange(10), 5)}))
    day, result = found.components
    assert day.deviation == pytest.approx(43.0, abs=0.5)
    assert plan_spread(day.deviation, result.deviation, 10, 5) == pytest.approx(18.0, abs=0.5)


def test_gauge_study_in_components() -> None:
    """NIST/SEMATECH e-Handbook 2.6.3, probe 2362: .0362² = σ²_day + .0729²/6; .0197² = σ²_run + .0362²/6 < 0.

    The printed deviations give the components; runs come out negative, and stand as 0.
    """
    found = variance_components(gauge("2362"))
    _, run, day, _ = found.components
    assert day.unbiased == pytest.approx(0.0362**2 - 0.0729**2 / 6, abs=1e-5)
    assert run.unbiased == pytest.approx(0.0197**2 - 0.0362**2 / 6, abs=1e-5)
    assert found.total.variance == pytest.approx(sum(one.variance for one in found.components))


def test_a_negative_estimate_stands_as_zero_and_is_said() -> None:
    found = variance_components(nested_analysis([1.0, 3.0, 1.0, 3.0, 1.1, 3.0], {"day": [1, 1, 2, 2, 3, 3]}))
    assert found.components[0].unbiased < 0.0
    assert (found.components[0].variance, found.set_to_zero) == (0.0, ("day",))
    assert found.sums[0].variance == found.components[1].variance
    assert sum(one.share for one in found.components) == pytest.approx(1.0)


def test_the_lowest_interval_is_the_exact_one() -> None:
    """Chi-square factors of the e-Handbook, 1.3.5.8: 19 degrees of freedom, 0.760 and 1.461 (printed table)."""
    low, high = combination_interval([1.0], [1.0], [19.0])
    assert (math.sqrt(low), math.sqrt(high)) == (pytest.approx(0.760, abs=5e-4), pytest.approx(1.461, abs=5e-4))


@pytest.mark.parametrize(("above", "below"), [(3, 10), (9, 40), (1, 5)])
def test_the_lower_end_is_zero_where_f_is_at_its_limit(above: int, below: int) -> None:
    """Derivation (Ting and others 1990): the interval of a difference holds 0 exactly as long as the F-test does."""
    limit = stats.f.ppf(0.975, above, below)
    for ratio, holds in ((0.999 * limit, True), (1.001 * limit, False)):
        low, _ = combination_interval([1.0, -1.0], [ratio, 1.0], [above, below])
        assert (low == 0.0) == holds


LAYOUTS = [((5, 2), (93.5, 98.5)), ((10, 3), (93.5, 98.5)), ((2, 10, 2), (93.0, 98.5)), ((3, 3, 3, 2), (93.0, 98.5))]


@pytest.mark.parametrize(("counts", "allowed"), LAYOUTS)
def test_intervals_hold_their_confidence_in_balanced_layouts(
    counts: tuple[int, ...], allowed: tuple[float, float]
) -> None:
    """Simulated: 95 % intervals hold 94 to 98 % (Monte Carlo error 0.34 %).

    97.5 % is what a component of 0 gives: its lower end can't be wrong. The sum of three levels holds 93.7 at least.
    """
    generator = np.random.default_rng(11)
    analysis = nested_analysis(generator.normal(size=math.prod(counts)), balanced(*counts))
    coefficients, degrees = np.array(analysis.coefficients), analysis.degrees_of_freedom
    weights = component_weights(coefficients)
    for above in itertools.product((0.0, 0.3, 5.0), repeat=len(counts) - 1):
        variances = np.array([*above, 1.0])
        squares = coefficients @ variances * generator.chisquare(degrees, (4000, degrees.size)) / degrees
        truths = [*variances, *np.cumsum(variances[::-1])[::-1]]
        for weight, truth in zip([*weights, *sum_weights(weights)], truths, strict=True):
            low, high = combination_interval(weight, squares, degrees)
            share = 100.0 * np.mean((low <= truth) & (truth <= high))
            assert allowed[0] <= share <= allowed[1], (counts, above, weight, share)


@pytest.mark.parametrize(
    ("factors", "variances"),
    [
        (uneven((1, 2, 2), (2, 2, 1, 2), (2, 1), (3, 2, 2)), (1.0, 0.5, 1.0)),
        (uneven((1, 8), (1,) * 10, (1, 2), (4, 4, 4)), (5.0, 5.0, 1.0)),
        ({"day": np.repeat(np.arange(6), [2, 2, 2, 2, 10, 12])}, (5.0, 1.0)),
    ],
    ids=["uneven", "strongly uneven", "six days, two of them crowded"],
)
def test_intervals_hold_their_confidence_in_uneven_layouts(factors: Factors, variances: tuple[float, ...]) -> None:
    """Simulated, 800 sets (Monte Carlo error 0.8 %): 93 to 97.5 %; with plain degrees of freedom it was 91."""
    generator = np.random.default_rng(12)
    truths = np.array([*variances, *np.cumsum(variances[::-1])[::-1]])
    held = np.zeros(truths.size)
    for _ in range(800):
        found = variance_components(nested_analysis(drawn(factors, variances, generator), factors))
        ends = np.array([one.interval for one in (*found.components, *found.sums)])
        held += (ends[:, 0] <= truths) & (truths <= ends[:, 1])
    assert (held / 8.0 >= 92.5).all(), held / 8.0
    assert (held / 8.0 <= 98.5).all(), held / 8.0


def test_effective_degrees_of_freedom_of_a_mean_square() -> None:
    """Derivation: 2 E² / Var of y'Ay, with Var = 2 tr(AVAV), by dense algebra."""
    variances = np.array([2.0, 0.7, 0.3])
    analysis = nested_analysis(SERIES, UNEVEN)
    paths = [[0] * 12, UNEVEN["operator"], list(zip(*UNEVEN.values(), strict=True))]
    designs = [np.array([[float(a == b) for b in dict.fromkeys(path)] for a in path]) for path in paths] + [np.eye(12)]
    covariance = sum(v * z @ z.T for v, z in zip(variances, designs[1:], strict=True))
    found = analysis.layout.effective_degrees(variances)
    for place in range(3):
        upper, lower = (z @ np.linalg.pinv(z) for z in (designs[place + 1], designs[place]))
        form = (upper - lower) @ covariance
        assert found[place] == pytest.approx(np.trace(form) ** 2 / np.trace(form @ form), rel=1e-10)


@given(st.integers(0, 10_000))
def test_likelihood_of_balanced_data_is_the_analysis_of_variance(seed: int) -> None:
    """Property (Searle and others 1992, 4.5): where no estimate is negative, both give the same."""
    factors = balanced(4, 3, 2)
    results = drawn(factors, (2.0, 1.0, 0.5), np.random.default_rng(seed))
    moments = variance_components(nested_analysis(results, factors))
    found = likelihood_components(results, factors)
    if moments.set_to_zero:
        assert min(found.variances) >= 0.0
    else:
        assert found.variances == pytest.approx([one.variance for one in moments.components], rel=1e-6)


def dense(results: np.ndarray, factors: Factors, variances: np.ndarray) -> float:
    """Restricted log-likelihood with dense matrices (Searle and others 1992, 6.6)."""
    number = results.size
    covariance = variances[-1] * np.eye(number)
    path = np.zeros(number)
    for codes, variance in zip(factors.values(), variances[:-1], strict=True):
        path = path * 1000 + codes
        covariance += variance * (path[:, None] == path[None, :])
    inverse, ones = np.linalg.inv(covariance), np.ones(number)
    weight = ones @ inverse @ ones
    rest = results - ones @ inverse @ results / weight
    logs = np.linalg.slogdet(covariance)[1] + math.log(weight) + (number - 1) * math.log(2.0 * math.pi)
    return -0.5 * float(logs + rest @ inverse @ rest)


@pytest.mark.parametrize("seed", range(4))
def test_likelihood_against_dense_matrices(seed: int) -> None:
    """Derivation: the same value at the maximum, and no higher one around it; its curvature gives the uncertainty."""
    factors = uneven((1, 2, 3), (2, 2), (4, 1, 1, 2), (3, 3), (2, 2, 2))
    results = drawn(factors, (2.0, 1.0, 0.5), np.random.default_rng(seed)) + 40.0
    found = likelihood_components(results, factors)
    top = np.array(found.variances)
    assert found.log_likelihood == pytest.approx(dense(results, factors, top), rel=1e-10)
    for place, share in itertools.product(range(3), (0.97, 1.03)):
        there = top.copy()
        there[place] = share * top[place] if top[place] > 0.0 else 0.03 * max(share - 1.0, 0.0)
        assert dense(results, factors, there) <= found.log_likelihood + 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_likelihood_against_statsmodels(seed: int) -> None:
    """statsmodels MixedLM, restricted likelihood, days within operators, uneven: an independent implementation."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    factors = uneven((1, 2, 3), (2, 2), (4, 1, 1, 2), (3, 3), (2, 2, 2), (1, 5))
    results = drawn(factors, (2.0, 1.0, 0.5), np.random.default_rng(seed)) + 40.0
    found = likelihood_components(results, factors)
    operator, day = factors.values()
    days = {
        one: [np.array(day[operator == one][:, None] == np.unique(day[operator == one]), float)] for one in range(6)
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # statsmodels says that its search came near an edge
        from statsmodels.regression.mixed_linear_model import VCSpec

        names = [[[f"d{n}" for n in range(days[one][0].shape[1])] for one in range(6)]]
        spec = VCSpec(["day"], names, [[days[one][0] for one in range(6)]])
        model = MixedLM(results, np.ones((results.size, 1)), operator, np.ones((results.size, 1)), exog_vc=spec)
        fit = model.fit(reml=True, gtol=1e-10)
    assert found.variances == pytest.approx([fit.cov_re[0, 0], fit.vcomp[0], fit.scale], rel=3e-3)
    assert found.log_likelihood == pytest.approx(fit.llf, abs=1e-5)
    assert found.log_likelihood >= fit.llf - 1e-9
    assert found.mean == pytest.approx(fit.fe_params[0], abs=1e-4)


def test_likelihood_takes_large_data() -> None:
    """Twenty thousand results in two levels: no matrix of results by results is built."""
    factors = balanced(20, 200, 5)
    found = likelihood_components(drawn(factors, (1.0, 0.25, 0.09), np.random.default_rng(3)), factors)
    assert found.variances[1:] == pytest.approx([0.25, 0.09], rel=0.05)


def test_without_a_factor_it_is_the_plain_spread() -> None:
    """Against NumPy's standard deviation, by moments and by likelihood; the interval is the chi-square one."""
    found = variance_components(nested_analysis(SERIES, {}))
    assert found.components[0].deviation == pytest.approx(np.std(SERIES, ddof=1))
    assert found.components[0].interval == pytest.approx([one**2 for one in spread_interval(found.total.deviation, 11)])
    assert likelihood_components(SERIES, {}).variances == pytest.approx([np.var(SERIES, ddof=1)])


def test_results_that_are_all_alike_have_no_likelihood() -> None:
    with pytest.raises(ValueError, match="run: results within the innermost groups are all alike"):
        likelihood_components([1.0, 1.0, 2.0, 2.0], {"day": [1, 1, 2, 2]}, lowest="run")


def test_spread_of_a_mean_by_simulation() -> None:
    generator, factors = np.random.default_rng(4), balanced(3, 2)
    means = [drawn(factors, (2.0, 4.0), generator).mean() for _ in range(4000)]
    assert np.std(means) == pytest.approx(plan_spread(math.sqrt(2.0), 2.0, 3, 2), rel=0.04)


def test_components_by_hand() -> None:
    """Two results a day on three days, mean squares 8 and 2: (8 - 2)/2 = 3 between days, 2 within; 5 altogether."""
    found = variance_components(nested_analysis([9.0, 11.0, 11.0, 13.0, 13.0, 15.0], {"day": [1, 1, 2, 2, 3, 3]}))
    day, result = found.components
    assert (day.name, result.name) == ("day", "result")
    assert (day.variance, day.unbiased, result.variance) == pytest.approx((3.0, 3.0, 2.0))
    assert (day.deviation, day.share, result.share) == pytest.approx((math.sqrt(3.0), 0.6, 0.4))
    assert (day.degrees_of_freedom, result.degrees_of_freedom) == pytest.approx((2.0, 3.0))
    assert (day.set_to_zero, found.set_to_zero) == (False, ())
    assert result.interval == pytest.approx(tuple(6.0 / stats.chi2.ppf(p, 3) for p in (0.975, 0.025)))
    assert result.deviation_interval == pytest.approx(tuple(math.sqrt(one) for one in result.interval))
    both, within = found.sums
    assert (both.names, within.names) == (("day", "result"), ("result",))
    assert (both.variance, both.deviation, within.variance) == pytest.approx((5.0, math.sqrt(5.0), 2.0))
    assert both.degrees_of_freedom == pytest.approx(25.0 / (16.0 / 2.0 + 1.0 / 3.0)), "of 8/2 and 2/2 (G.2b)"
    assert within.degrees_of_freedom == pytest.approx(3.0)
    assert both.interval == pytest.approx([float(one) for one in combination_interval([0.5, 0.5], [8.0, 2.0], [2, 3])])
    assert both.deviation_interval == pytest.approx(tuple(math.sqrt(one) for one in both.interval))
    assert found.total == both


def test_nothing_varies() -> None:
    found = variance_components(nested_analysis([2.0] * 4, {"day": [1, 1, 2, 2]}))
    assert [one.variance for one in found.components] == [0.0, 0.0]
    assert all(math.isnan(one.share) for one in found.components)
    assert math.isnan(found.total.degrees_of_freedom)
    assert [one.degrees_of_freedom for one in found.components] == [1.0, 2.0]


@pytest.mark.parametrize(("above", "below"), [(4, 9), (2, 30)])
def test_a_sum_of_two_by_the_printed_form(above: int, below: int) -> None:
    """Graybill & Wang 1980 (memory): √(Σ (G_i s_i²)²) below, √(Σ (H_i s_i²)²) above, G and H by scipy's chi-square."""
    low, high = combination_interval([1.0, 2.0], [3.0, 0.5], [above, below])
    parts, degrees = np.array([3.0, 1.0]), np.array([above, below])
    g, h = 1.0 - degrees / stats.chi2.ppf(0.975, degrees), degrees / stats.chi2.ppf(0.025, degrees) - 1.0
    assert (low, high) == (pytest.approx(4.0 - np.hypot(*(g * parts))), pytest.approx(4.0 + np.hypot(*(h * parts))))


def test_a_difference_by_the_printed_form() -> None:
    """Ting, Burdick, Graybill and others 1990 (memory): V_L of a difference with its crossed term, at 95 %."""
    low, high = combination_interval([1.0, -1.0], [9.0, 2.0], [6, 12])

    def reach(one: float, n: int, other: float, m: int) -> float:
        g, h = 1.0 - n / stats.chi2.ppf(0.975, n), m / stats.chi2.ppf(0.025, m) - 1.0
        f = stats.f.ppf(0.975, n, m)
        crossed = ((f - 1.0) ** 2 - (g * f) ** 2 - h**2) / f
        return math.sqrt((g * one) ** 2 + (h * other) ** 2 + crossed * one * other)

    assert low == pytest.approx(7.0 - reach(9.0, 6, 2.0, 12))
    assert high == pytest.approx(7.0 + reach(2.0, 12, 9.0, 6))


def test_two_added_and_one_taken_by_the_printed_form() -> None:
    """The same source: mean squares on one side share G*, over their number less one."""
    weights, squares, degrees = np.array([1.0, 1.0, -1.0]), np.array([9.0, 5.0, 2.0]), np.array([6, 8, 12])
    low, _ = combination_interval(weights, squares, degrees)
    g, h = 1.0 - degrees / stats.chi2.ppf(0.975, degrees), degrees / stats.chi2.ppf(0.025, degrees) - 1.0
    variance = (g[0] * 9.0) ** 2 + (g[1] * 5.0) ** 2 + (h[2] * 2.0) ** 2
    for place in (0, 1):
        f = stats.f.ppf(0.975, degrees[place], 12)
        variance += ((f - 1.0) ** 2 - (g[place] * f) ** 2 - h[2] ** 2) / f * squares[place] * 2.0
    alike = (1.0 - 14 / stats.chi2.ppf(0.975, 14)) ** 2 * 14**2 / 48 - g[0] ** 2 * 6 / 8 - g[1] ** 2 * 8 / 6
    assert low == pytest.approx(12.0 - math.sqrt(variance + alike * 45.0))


def test_a_balanced_likelihood_by_hand() -> None:
    """Balanced, one way (Searle and others 1992, 4.3): the variances of the analysis of variance, the plain mean."""
    results = np.array([9.0, 11.0, 11.0, 13.0, 13.0, 15.0, 17.0, 19.0])
    found = likelihood_components(results, {"day": [1, 1, 2, 2, 3, 3, 4, 4]}, lowest="run")
    between, within = 2.0 * np.var([10.0, 12.0, 14.0, 18.0], ddof=1), 2.0
    assert (found.names, found.mean) == (("day", "run"), pytest.approx(13.5))
    assert found.variances == pytest.approx(((between - within) / 2.0, within))
    none = likelihood_components([1.0, 3.0, 1.0, 3.0, 1.1, 3.0], {"day": [1, 1, 2, 2, 3, 3]})
    assert none.variances[0] == 0.0
