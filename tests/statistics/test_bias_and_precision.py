"""Bias, site precision, periods, lots: against scipy.stats, handbook factors and simulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import (
    PerformanceThresholds,
    SitePrecision,
    bias_test,
    compare_periods,
    early_signals,
    individuals_limits,
    lot_change,
    performance_index,
    self_starting,
    site_precision,
    spread_interval,
    stated_limits,
)
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from tests.statistics.data import columns


@pytest.fixture
def check_standard() -> np.ndarray:
    return columns("check_standard_137.csv", "value")[0]


def test_bias_of_the_check_standard(check_standard: np.ndarray) -> None:
    """NIST dataset MPC264 against 97.060 (computed): t 1.836, limit 2.064; with u = 0.005 on the value 1.342."""
    found = bias_test(check_standard, 97.060)
    assert found.t == pytest.approx(1.836, abs=5e-4)
    assert found.expanded_uncertainty == pytest.approx(2.064 * found.standard_uncertainty, rel=3e-4)
    assert found.degrees_of_freedom == pytest.approx(24.0)
    assert not found.significant
    assert bias_test(check_standard, 97.060, 0.005).t == pytest.approx(1.342, abs=5e-4)


def test_bias_against_scipy(check_standard: np.ndarray) -> None:
    """scipy.stats.ttest_1samp, an independent implementation."""
    reference = stats.ttest_1samp(check_standard, 97.05)
    found = bias_test(check_standard, 97.05)
    assert (found.t, found.p_value) == (pytest.approx(reference.statistic), pytest.approx(reference.pvalue))
    low, high = reference.confidence_interval(0.95)
    assert found.mean - found.expanded_uncertainty == pytest.approx(low)
    assert found.mean + found.expanded_uncertainty == pytest.approx(high)


@pytest.mark.parametrize("certified_uncertainty", [0.0, 0.3, 2.0])
@pytest.mark.parametrize(("number", "lowest"), [(3, 0.92), (6, 0.94), (20, 0.94)])
def test_bias_interval_holds_its_confidence(number: int, lowest: float, certified_uncertainty: float) -> None:
    """Simulated: 95 % of the intervals hold the true bias (Monte Carlo error 0.35 %).

    The effective degrees of freedom are themselves estimated: that costs up to 0.5 % with six results, 2 % with three.
    """
    generator = np.random.default_rng(13)
    drawn = generator.normal(0.7, 1.0, (4000, number))
    certified = generator.normal(0.0, 1.0, 4000) * certified_uncertainty
    found = [bias_test(row, value, certified_uncertainty) for row, value in zip(drawn, certified, strict=True)]
    held = np.mean([abs(one.bias - 0.7) <= one.expanded_uncertainty for one in found])
    assert lowest <= held <= 0.962


def test_bias_of_results_that_do_not_scatter() -> None:
    assert bias_test([2.0, 2.0], 2.0).t == 0.0
    assert bias_test([2.0, 2.0], 1.0).significant
    assert not bias_test([2.0, 2.0], 1.0, 0.8).significant


@pytest.mark.parametrize(
    ("degrees", "low", "high"),
    [(5, 0.624, 2.453), (10, 0.699, 1.755), (19, 0.760, 1.461), (29, 0.796, 1.344), (100, 0.879, 1.161)],
)
def test_interval_of_a_spread(degrees: int, low: float, high: float) -> None:
    """√(ν/χ²) at 97.5 % and 2.5 % (tables of the chi-square distribution; computed)."""
    assert spread_interval(1.0, degrees) == pytest.approx((low, high), abs=6e-4)


def test_site_precision_interval_holds_its_confidence() -> None:
    """Simulated, 4000 baselines of 20: Monte Carlo error 0.35 %. The limit itself is 2.77 s."""
    drawn = np.random.default_rng(17).normal(10.0, 0.5, (4000, 20))
    found = [site_precision(row) for row in drawn]
    held = [one.interval[0] <= 2.77 * 0.5 <= one.interval[1] for one in found]
    assert np.mean(held) == pytest.approx(0.95, abs=0.012)
    assert found[0].limit == pytest.approx(2.77 * np.std(drawn[0], ddof=1))


def test_differences_exceed_the_limit_in_one_case_of_twenty() -> None:
    """Derivation and simulation: 2.77 s is exceeded by 5 % of differences of two results (error 0.05 %)."""
    pairs = np.random.default_rng(19).standard_normal((200_000, 2))
    assert np.mean(np.abs(np.diff(pairs)) > 2.77) == pytest.approx(0.05, abs=0.0025)


def index_one() -> np.ndarray:
    """Twenty results of standard deviation 1."""
    results = np.tile([1.0, -1.0], 10)
    return results / np.std(results, ddof=1)


@pytest.mark.parametrize(
    ("reproducibility", "repeatability", "verdict"),
    [
        (1.21, 0.5, "satisfactory"),
        (1.19, 0.5, "marginal"),
        (0.80, 0.5, "marginal"),
        (0.79, 0.5, "not consistent with the published precision"),
        (2.41, 0.5, "satisfactory"),
        (2.39, 0.5, "marginal"),
        (2.0, 0.5, "marginal"),
        (1.59, 0.3, "not consistent with the published precision"),
    ],
)
def test_performance_index(reproducibility: float, repeatability: float, verdict: str) -> None:
    """ASTM D6792 action table (memory): 1.2 and 0.8 where R/r is below 4, 2.4 and 1.6 from 4 on."""
    site = site_precision(index_one() / 2.77)
    found = performance_index(reproducibility + 1e-12, repeatability, site)
    assert found.index == pytest.approx(reproducibility)
    assert found.verdict == verdict
    assert "memory" in found.thresholds.source


def test_performance_index_has_an_interval() -> None:
    """n = 20, index 1.0: 95 % interval 0.68 to 1.32 (chi-square with 19 degrees of freedom; computed)."""
    found = performance_index(1.0, 0.5, site_precision(index_one() / 2.77))
    assert found.interval == pytest.approx((0.68, 1.32), abs=0.006)
    own = PerformanceThresholds(4.0, (1.0, 2.0), (0.5, 1.0), "our own copy")
    assert performance_index(1.01, 0.5, site_precision(index_one() / 2.77), own).verdict == "satisfactory"


def test_periods_of_the_check_standard(check_standard: np.ndarray) -> None:
    """NIST dataset MPC264, results 1-15 against 16-25 (computed): F 1.199; Welch's t of SciPy."""
    found = compare_periods(check_standard[:15], check_standard[15:])
    assert found.f == pytest.approx(1.199, abs=5e-4)
    reference = stats.ttest_ind(check_standard[15:], check_standard[:15], equal_var=False)
    assert (found.t, found.t_p_value) == (pytest.approx(reference.statistic), pytest.approx(reference.pvalue))
    assert not found.mean_changed


@pytest.mark.parametrize("spread", [1.0, 4.0])
def test_periods_against_scipy(spread: float) -> None:
    """scipy.stats.ttest_ind by Welch, and the F distribution: independent implementations."""
    generator = np.random.default_rng(23)
    earlier, later = generator.normal(10.0, 1.0, 18), generator.normal(10.4, spread, 25)
    found = compare_periods(earlier, later)
    reference = stats.ttest_ind(later, earlier, equal_var=False)
    assert (found.t, found.t_p_value) == (pytest.approx(reference.statistic), pytest.approx(reference.pvalue))
    assert found.interval == pytest.approx(tuple(reference.confidence_interval(0.95)))
    f, larger, smaller = found.f, *((24, 17) if later.std() > earlier.std() else (17, 24))
    assert found.f_p_value == pytest.approx(min(1.0, 2.0 * stats.f.sf(f, larger, smaller)))


@pytest.mark.parametrize(("sizes", "spread"), [((20, 20), 1.0), ((30, 12), 1.0), ((20, 20), 3.0)])
def test_periods_hold_their_confidence(sizes: tuple[int, int], spread: float) -> None:
    """Simulated: 95 % of the intervals hold the true difference; equal spreads differ in 5 % (errors 0.35 %)."""
    generator = np.random.default_rng(29)
    found = [
        compare_periods(generator.standard_normal(sizes[0]), generator.normal(0.4, spread, sizes[1]))
        for _ in range(4000)
    ]
    assert np.mean([one.interval[0] <= 0.4 <= one.interval[1] for one in found]) == pytest.approx(0.95, abs=0.012)
    if spread == 1.0:
        changed = np.mean([one.f_p_value < 0.05 for one in found])
        # The larger variance over the smaller at 97.5 %: 5 % exactly for equal sizes, close to it for others.
        assert changed == pytest.approx(0.05, abs=0.012)


def test_new_lot_statistics() -> None:
    """Quesenberry 1991, known variance, by hand: 10, 11, 9, 12 give 0.7071, -1.2247, 1.7321."""
    q = self_starting([10.0, 11.0, 9.0, 12.0], 1.0, math.inf)
    assert math.isnan(q[0])
    assert q[1:] == pytest.approx([math.sqrt(0.5), -math.sqrt(1.5), math.sqrt(3.0)])


def test_a_chart_from_its_third_result_on() -> None:
    """Flow rates of the e-Handbook, 6.3.2.2: Q by externally studentised residuals (statsmodels 0.15, computed)."""
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    expected = [0.53868, 1.13352, -0.89893, 1.01146, 1.47857, 1.09883, 1.44500, 0.61888]
    assert self_starting(flow)[2:] == pytest.approx(expected, abs=5e-6)
    assert not early_signals(self_starting(flow)).any()
    assert early_signals(self_starting([*flow, 60.0])).nonzero()[0].tolist() == [10]


def test_self_starting_charts_of_twenty_results_signal_seldom() -> None:
    """Simulated: |Q| beyond 3 or the CUSUM: 7 of 100 baselines of 20 results (error 0.4)."""
    generator = np.random.default_rng(1)
    share = np.mean([early_signals(self_starting(row)).any() for row in generator.standard_normal((4000, 20))])
    assert share == pytest.approx(0.07, abs=0.015)


def test_new_lot_statistics_are_standard_normal_and_independent() -> None:
    """Simulated, 20 000 lots: mean 0, deviation 1, no correlation between steps (errors 0.7 %)."""
    generator = np.random.default_rng(31)
    q = np.array([self_starting(row, 2.0, math.inf)[1:] for row in generator.normal(7.0, 2.0, (20_000, 6))])
    assert q.mean(axis=0) == pytest.approx(np.zeros(5), abs=0.03)
    assert np.cov(q.T) == pytest.approx(np.eye(5), abs=0.04)


def test_parallel_runs_with_a_known_spread_give_the_stated_false_alarms() -> None:
    """Simulated: one later result is beyond the widened limits in 0.27 %; the centre's interval holds 95 %."""
    generator = np.random.default_rng(37)
    alarms, held = [], []
    for row in generator.normal(5.0, 1.0, (3000, 6)):
        new = lot_change(row, STANDARD_LIMITS)
        if new.sigma_from == "old lot":
            z = new.standardised(generator.normal(5.0, 1.0, 40))
            alarms.append(np.mean(np.abs(z) > 3.0))
            half_width = stats.t.ppf(0.975, new.sigma_degrees_of_freedom) * new.centre_uncertainty
            held.append(abs(new.centre - 5.0) <= half_width)
    assert np.mean(alarms) == pytest.approx(2.0 * stats.norm.sf(3.0), abs=0.0007)
    assert np.mean(held) == pytest.approx(0.95, abs=0.013)


@pytest.mark.parametrize("sigma_from", ["standard deviation", "moving range"])
def test_parallel_runs_carry_the_spread_in_nineteen_cases_of_twenty(sigma_from: str) -> None:
    """Simulated: the F-test rejects 5 % of lots of equal spread (error 0.35 %)."""
    generator = np.random.default_rng(41)
    found = [
        lot_change(new, individuals_limits(old, sigma_from=sigma_from, constants="exact"))  # type: ignore[arg-type]
        for old, new in zip(generator.normal(0.0, 1.0, (4000, 25)), generator.normal(3.0, 1.0, (4000, 12)), strict=True)
    ]
    assert np.mean([one.sigma_from == "old lot" for one in found]) == pytest.approx(0.95, abs=0.013)


def test_a_new_lot_that_scatters_more_stands_on_its_own() -> None:
    old = individuals_limits(np.random.default_rng(2).normal(10.0, 0.1, 40))
    results = np.random.default_rng(3).normal(20.0, 1.0, 12)
    new = lot_change(results, old)
    assert new.sigma == pytest.approx(np.std(results, ddof=1))
    assert (new.sigma_degrees_of_freedom, new.tail_degrees_of_freedom) == (11.0, 11.0)
    assert new.sigma_from == "standard deviation"
    assert new.provisional


def test_refusals() -> None:
    with pytest.raises(ValueError, match="uncertainty of the certified value is nan: 0 or more was expected"):
        bias_test([1.0, 2.0], 1.0, math.nan)
    with pytest.raises(ValueError, match="1 results: a test of bias needs 2 or more"):
        bias_test([1.0], 1.0)
    with pytest.raises(ValueError, match=r"published r 0.5 and R 0: more than 0"):
        performance_index(0.0, 0.5, site_precision([1.0, 2.0]))
    with pytest.raises(ValueError, match="a period whose results are all equal"):
        compare_periods([1.0, 1.0], [1.0, 2.0])


def test_bias_by_hand() -> None:
    """JCGM 100:2008, G.2b, by hand: s² = 0.02/3, u² = 0.005/3 + 0.0016; 3 (u²/(0.005/3))² = 11.5 degrees, cut to 11."""
    found = bias_test([10.1, 10.2, 10.0, 10.1], 10.05, 0.04)
    u = math.sqrt(0.005 / 3.0 + 0.0016)
    assert (found.number, found.mean, found.certified) == (4, pytest.approx(10.1), 10.05)
    assert (found.bias, found.standard_uncertainty) == (pytest.approx(0.05), pytest.approx(u))
    assert (found.t, found.degrees_of_freedom) == (pytest.approx(0.05 / u), 11.0)
    assert found.p_value == pytest.approx(2.0 * stats.t.sf(0.05 / u, 11))
    assert found.expanded_uncertainty == pytest.approx(stats.t.ppf(0.975, 11) * u)
    exact = bias_test([2.0, 2.0], 3.0)
    assert (exact.t, exact.p_value, exact.expanded_uncertainty) == (-math.inf, 0.0, 0.0)
    with pytest.raises(ValueError, match=r"uncertainty of the certified value is -0\.1"):
        bias_test([1.0, 2.0], 1.0, -0.1)


def test_periods_by_hand() -> None:
    """Variances 1 and 4: F 4; u² = 1/4 + 4/3, so t = 6/√(19/12), with (19/12)²/((1/4)²/3 + (4/3)²/2) degrees."""
    found = compare_periods([10.0, 10.0 + math.sqrt(1.5), 10.0 - math.sqrt(1.5), 10.0], [14.0, 16.0, 18.0])
    assert (found.numbers, found.means) == ((4, 3), pytest.approx((10.0, 16.0)))
    assert (found.sigmas, found.f) == (pytest.approx((1.0, 2.0)), pytest.approx(4.0))
    degrees = (19.0 / 12.0) ** 2 / (1.0 / 48.0 + 8.0 / 9.0)
    assert found.degrees_of_freedom == pytest.approx(degrees)
    assert (found.difference, found.t) == pytest.approx((6.0, 6.0 / math.sqrt(19.0 / 12.0)))
    assert found.interval[1] - 6.0 == pytest.approx(stats.t.ppf(0.975, degrees) * math.sqrt(19.0 / 12.0))
    assert found.mean_changed
    equal = compare_periods([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    assert (equal.f_p_value, equal.t_p_value, equal.mean_changed) == (1.0, 1.0, False)
    skewed = compare_periods(
        np.arange(3.0), np.sqrt(2.0 / np.var(np.arange(40), ddof=1)) * np.arange(40) / math.sqrt(2.0)
    )
    assert skewed.f_p_value <= 1.0, "twice a tail of more than one half is 1"


def test_a_new_lot_that_takes_over_the_old_spread() -> None:
    """By hand: s² of both lots by their degrees of freedom; u = s/√n, t and F of scipy; four new degrees."""
    old = individuals_limits(np.random.default_rng(4).normal(10.0, 0.2, 40), constants="handbook")
    results = [20.0, 20.2, 19.8, 20.1, 19.9]
    new = lot_change(results, old, settled_at=5)
    assert (new.centre, new.number) == (pytest.approx(20.0), 5)
    degrees = old.sigma_degrees_of_freedom + 4.0
    sigma = math.sqrt((old.sigma_degrees_of_freedom * old.sigma**2 + 0.04 + 0.04 + 0.01 + 0.01) / degrees)
    assert (new.sigma, new.sigma_degrees_of_freedom) == pytest.approx((sigma, degrees))
    assert new.tail_degrees_of_freedom == pytest.approx(old.tail_degrees_of_freedom + 4.0)
    assert new.centre_uncertainty == pytest.approx(sigma / math.sqrt(5.0))
    assert (new.sigma_from, new.provisional) == ("old lot", False)
    assert new.mean_moving_range == pytest.approx(old.mean_moving_range * sigma / old.sigma)
    assert new.constants == old.constants
    far = stats.t.isf(stats.norm.sf(3.0), new.tail_degrees_of_freedom)
    assert new.half_width == pytest.approx(far * sigma * math.sqrt(1.2)), "a prediction: √(1 + 1/5)"
    assert lot_change(results, replace(old, as_known=True)).half_width == pytest.approx(3.0 * sigma)
    known = lot_change([0.0, 1.0, -1.0, 0.5], STANDARD_LIMITS)
    assert (known.sigma, known.half_width) == pytest.approx((1.0, 3.0 * math.sqrt(1.25)))


@pytest.mark.parametrize("wider", ["old", "new"])
def test_the_edge_of_what_is_one_spread(wider: str) -> None:
    """F of scipy, two-sided at 95 %: of 9 and 4 degrees of freedom, and of a known spread."""
    old = stated_limits(10.0, 0.2, 10, sigma_from="standard deviation")
    edge = math.sqrt(stats.f.ppf(0.975, 9, 4) if wider == "old" else stats.f.ppf(0.975, 4, 9))
    s = 0.2 / edge if wider == "old" else 0.2 * edge
    inside = 1.0 + 1e-9 if wider == "old" else 1.0 - 1e-9
    assert lot_change(scattered(5, s * inside), old).sigma_from == "old lot"
    assert lot_change(scattered(5, s * (2.0 - inside)), old).sigma_from == "standard deviation"
    edge = math.sqrt(stats.chi2.ppf(0.025, 3) / 3.0)
    known = [lot_change(scattered(4, edge * off), STANDARD_LIMITS).sigma_from for off in (1.0 - 1e-5, 1.0 + 1e-5)]
    assert known == ["standard deviation", "old lot"]


def scattered(number: int, sigma: float) -> np.ndarray:
    ramp = np.arange(float(number))
    return 5.0 + sigma * ramp / np.std(ramp, ddof=1)


def test_the_spread_of_lots_together() -> None:
    """By hand: s 0.031, 0.036 and 0.033 of 18, 22 and 25 results: √((17 · 0.031² + 21 · 0.036² + 24 · 0.033²) / 62)."""
    first = individuals_limits(scattered(18, 0.031), sigma_from="standard deviation")
    second = lot_change(scattered(22, 0.036), first)
    assert second.sigma == pytest.approx(0.0338546, abs=5e-8), "√((0.016337 + 0.027216) / 38)"
    third = lot_change(scattered(25, 0.033), second)
    assert third.sigma == pytest.approx(0.03353, abs=5e-6)
    assert (third.sigma_degrees_of_freedom, third.tail_degrees_of_freedom, third.number) == (62.0, 62.0, 25)


def test_new_lots_of_one_result_and_of_none() -> None:
    assert np.isnan(self_starting([5.0], 1.0, math.inf)).tolist() == [True]
    with pytest.raises(ValueError, match="needs 1 or more"):
        self_starting([])


def test_the_edges_of_the_performance_index() -> None:
    """ASTM D6792 (memory): the limits themselves are marginal, and R/r = 4 is of the second pair."""
    assert site_precision([1.0, 2.0, 4.0]).degrees_of_freedom == 2
    exact = SitePrecision(1.0 / 2.77, 2, 1.0, (0.5, 2.0))
    found = [
        performance_index(index, repeat, exact) for index, repeat in ((1.2, 0.5), (0.8, 0.5), (2.4, 0.6), (1.6, 0.4))
    ]
    assert [one.verdict for one in found] == ["marginal"] * 4
    assert found[0].interval == (0.6, 2.4)
    assert performance_index(2.0, 0.5, SitePrecision(0.0, 2, 0.0, (0.0, 0.0))).interval == (math.inf, math.inf)
    with pytest.raises(ValueError, match=r"published r 0 and R 0\.5: more than 0"):
        performance_index(0.5, 0.0, exact)
