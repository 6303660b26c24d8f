"""Baselines: Anderson-Darling, resolution and dependence against published data sets and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad

from labcalc.statistics import (
    anderson_darling,
    resolution,
    rounding_step,
    serial_dependence,
)
from tests.statistics.data import columns


def test_heat_flow_meter() -> None:
    """NIST dataset ZARR13, e-Handbook 1.4.2.8: A2* 0.129 by the older factor 1 + 4/n - 25/n² (memory)."""
    (factors,) = columns("heat_flow_meter_zarr13.csv", "calibration_factor")
    test = anderson_darling(factors)
    assert test.statistic == pytest.approx(0.12648, abs=5e-6)
    assert test.adjusted == pytest.approx(0.12697, abs=5e-6)
    assert test.statistic * (1.0 + 4.0 / 195 - 25.0 / 195**2) == pytest.approx(0.129, abs=5e-4)
    assert test.p_value == pytest.approx(0.985, abs=5e-4)
    assert not test.departs


def test_check_standard() -> None:
    """NIST dataset MPC264 (computed): A2* 0.20996."""
    (values,) = columns("check_standard_137.csv", "value")
    assert anderson_darling(values).adjusted == pytest.approx(0.20996, abs=2e-5)


@pytest.mark.parametrize(("adjusted", "p_value"), [(0.752, 0.05), (1.035, 0.01), (0.631, 0.10), (0.873, 0.025)])
def test_p_values_at_the_published_limits(adjusted: float, p_value: float) -> None:
    """D'Agostino & Stephens 1986, table 4.7 (memory): limits of A2* at 10, 5, 2.5 and 1 %."""
    from labcalc.statistics.charts.normality import _p_value

    assert _p_value(adjusted) == pytest.approx(p_value, rel=0.03)


def test_p_values_join() -> None:
    from labcalc.statistics.charts.normality import _p_value

    for joint in (0.2, 0.34, 0.6):
        assert _p_value(joint - 1e-9) == pytest.approx(_p_value(joint), rel=0.03)


@pytest.mark.parametrize("number", [10, 20, 60])
def test_normal_results_are_rejected_as_often_as_stated(number: int) -> None:
    """Simulated, 4000 series: 5 % and 1 % of normal series are above the limits; p is uniform (error 0.35 %)."""
    drawn = np.random.default_rng(9).standard_normal((4000, number))
    tests = [anderson_darling(row) for row in drawn]
    adjusted = np.array([test.adjusted for test in tests])
    assert np.mean(adjusted > 0.752) == np.mean([test.departs for test in tests]) == pytest.approx(0.05, abs=0.012)
    assert np.mean(adjusted > 1.035) == pytest.approx(0.01, abs=0.006)
    p_values = np.array([test.p_value for test in tests])
    assert [np.mean(p_values < p) for p in (0.25, 0.5, 0.75)] == pytest.approx([0.25, 0.5, 0.75], abs=0.035)


def test_a_far_outlier_in_many_results_is_not_called_normal() -> None:
    results = np.concatenate([np.random.default_rng(1).standard_normal(3000), [1e6]])
    test = anderson_darling(results)
    assert test.adjusted > 400.0
    assert test.p_value < 1e-20


def test_skewed_results_depart() -> None:
    assert anderson_darling(np.random.default_rng(1).exponential(size=60)).departs


@pytest.mark.parametrize(("ratio", "rejected"), [(0.2, 0.065), (0.5, 0.21), (1.0, 0.90)])
def test_rounding_kills_the_test(ratio: float, rejected: float) -> None:
    """Computed by another simulation: rejections of 20 normal results at a step of 0.2, 0.5 and 1 s."""
    drawn = np.random.default_rng(2).normal(5.0, 1.0, (1500, 20))
    found = np.mean([anderson_darling(np.round(row / ratio) * ratio).departs for row in drawn])
    assert found == pytest.approx(rejected, abs=0.035)


@pytest.mark.parametrize(
    ("results", "step"),
    [
        ([10.05, 10.10, 10.25], 0.05),
        ([41.231, 41.233, 41.239], 0.002),
        ([829.1, 829.4, 829.3], 0.1),
        ([120.0, 140.0, 180.0], 20.0),
        ([1234.56785, 1234.56790], 0.00005),
        ([7.0, 7.0], math.nan),
    ],
)
def test_rounding_step(results: list[float], step: float) -> None:
    assert rounding_step(results) == pytest.approx(step, nan_ok=True)


def test_resolution() -> None:
    results = np.round(np.random.default_rng(4).normal(46.0, 0.05, 40), 2)
    fine = resolution(results)
    assert fine.step == pytest.approx(0.01)
    assert fine.ratio == pytest.approx(0.01 / np.std(results, ddof=1))
    assert not fine.coarse
    assert resolution(np.round(results / 0.02) * 0.02).coarse
    assert resolution([7.0, 7.0]).ratio == math.inf


@pytest.mark.parametrize(
    ("file", "lag_1"),
    [
        ("strd_lew.csv", -0.307304800605679),
        ("strd_lottery.csv", -0.120948622967393),
        ("strd_michelso.csv", 0.535199668621283),
    ],
)
def test_autocorrelation_certified(file: str, lag_1: float) -> None:
    """NIST Statistical Reference Datasets, univariate (certified, from memory): twelve digits.

    The ratio is 2 (1 - r₁) less the squares of the first and last deviation over the sum of all.
    """
    (y,) = columns(file, "y")
    ends = (y[[0, -1]] - y.mean()) ** 2
    expected = 2.0 * (1.0 - lag_1) - ends.sum() / np.sum((y - y.mean()) ** 2)
    assert serial_dependence(y).von_neumann == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("number", "limit"), [(8, 0.987), (10, 1.062), (15, 1.204), (20, 1.301), (25, 1.367)])
def test_lower_limits_of_the_von_neumann_ratio(number: int, limit: float) -> None:
    """5 % points of the ratio for independent results (computed, 200 000 drawn series)."""
    drawn = np.random.default_rng(number).standard_normal(number)
    assert serial_dependence(drawn).lower_limit == pytest.approx(limit, abs=0.005)


def test_independent_results_are_called_dependent_in_one_case_of_twenty() -> None:
    """Simulated, 3000 series of 20: Monte Carlo error 0.4 %."""
    found = [serial_dependence(row) for row in np.random.default_rng(6).standard_normal((3000, 20))]
    assert np.mean([one.dependent for one in found]) == pytest.approx(0.05, abs=0.013)
    assert np.mean([one.p_value for one in found]) == pytest.approx(0.5, abs=0.02)
    assert np.mean([one.von_neumann for one in found]) == pytest.approx(2.0, abs=0.03)


def test_drift_is_seen() -> None:
    drift = np.random.default_rng(3).normal(0.0, 1.0, 40) + np.linspace(0.0, 4.0, 40)
    assert serial_dependence(drift).dependent
    assert serial_dependence(np.tile([0.0, 1.0], 10)).p_value == pytest.approx(1.0, abs=1e-6)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="4 results: a test of normality needs 5 or more"):
        anderson_darling([1.0, 2.0, 3.0, 4.0])
    with pytest.raises(ValueError, match="5 results that are all 2: a test needs results that differ"):
        anderson_darling([2.0] * 5)
    for equal in ([2.0] * 5, [0.1] * 9):
        with pytest.raises(ValueError, match="that are all"):
            anderson_darling(equal)
    with pytest.raises(ValueError, match="7 results: a test of neighbours needs 8 or more"):
        serial_dependence(range(7))
    with pytest.raises(ValueError, match=r"results that are all 0\.1"):
        serial_dependence([0.1] * 9)


@pytest.mark.parametrize("power", [0.9, 1.0, 1.2, 1.4, 1.6, 2.0, 2.6, 4.0])
@pytest.mark.parametrize("seed", range(4))
def test_anderson_darling_against_statsmodels(seed: int, power: float) -> None:
    """statsmodels.stats.diagnostic.normal_ad: A2 and p by the same table, in all four of its ranges."""
    drawn = np.random.default_rng(seed).standard_normal(25)
    results = np.sign(drawn) * np.abs(drawn) ** power + 7.0
    found = anderson_darling(results)
    statistic, p_value = normal_ad(results)
    assert (found.statistic, found.p_value) == (pytest.approx(statistic), pytest.approx(p_value, rel=1e-9))
    assert (found.number, found.adjusted) == (25, pytest.approx(found.statistic * (1.0 + 0.75 / 25 + 2.25 / 625)))
    assert found.departs is (found.adjusted > 0.752)


def test_p_values_of_every_range_by_hand() -> None:
    """D'Agostino & Stephens 1986, table 4.9, worked at one point of each range and on its edges."""
    from labcalc.statistics.charts.normality import _p_value

    found = [_p_value(one) for one in (0.1, 0.2, 0.3, 0.34, 0.5, 0.6, 1.0, 10.0, 15.0)]
    assert found == pytest.approx(
        [
            1.0 - math.exp(-13.436 + 10.114 - 2.2373),
            1.0 - math.exp(-8.318 + 8.5592 - 2.39752),
            1.0 - math.exp(-8.318 + 12.8388 - 5.39442),
            math.exp(0.9177 - 1.45486 - 0.159528),
            math.exp(0.9177 - 2.1395 - 0.345),
            math.exp(1.2937 - 3.4254 + 0.006696),
            math.exp(1.2937 - 5.709 + 0.0186),
            math.exp(1.2937 - 57.09 + 1.86),
            math.exp(1.2937 - 57.09 + 1.86),
        ],
        rel=1e-12,
    )


@pytest.mark.parametrize("number", [8, 9, 40])
def test_neighbours_by_the_moments_of_the_ratio(number: int) -> None:
    """J. von Neumann 1941 (memory): mean 2 and variance 4 (n - 2)/(n² - 1), as scipy's beta distribution on 0 to 4."""
    results = np.random.default_rng(number).standard_normal(number)
    ratio = np.sum(np.diff(results) ** 2) / np.sum((results - results.mean()) ** 2)
    shape = ((number**2 - 1) / (number - 2) - 1) / 2
    distribution = stats.beta(shape, shape, scale=4.0)
    assert distribution.var() == pytest.approx(4.0 * (number - 2) / (number**2 - 1))
    found = serial_dependence(results)
    assert (found.number, found.von_neumann) == (number, pytest.approx(ratio))
    assert found.p_value == pytest.approx(distribution.cdf(ratio))
    assert found.lower_limit == pytest.approx(distribution.ppf(0.05))
    assert found.dependent is (found.p_value < 0.05)


def test_the_edge_of_a_coarse_step() -> None:
    """A step of 1 in results of s = 3.05 is coarse, of s = 4.7 it is not; four of 0 and 1: 1/√(1/3)."""
    third, quarter = (resolution([0.0, 1.0, *end]) for end in ([4.0, 6.0, 7.0], [8.0, 9.0, 10.0]))
    assert (third.ratio > 0.3, third.coarse, quarter.ratio < 0.3, quarter.coarse) == (True, True, True, False)
    found = resolution([0.0, 0.0, 1.0, 1.0])
    assert (found.step, found.sigma, found.ratio) == pytest.approx((1.0, math.sqrt(1.0 / 3.0), math.sqrt(3.0)))


def test_steps_of_few_and_of_many_digits() -> None:
    assert rounding_step([-0.4, 0.8, 0.0]) == pytest.approx(0.4)
    assert math.isnan(rounding_step([3.7]))
    assert rounding_step([2.0**52, 2.0**52 + 3.0]) == 3.0
    with pytest.raises(ValueError, match="1 results: a check of the resolution needs 2 or more"):
        resolution([1.0])
