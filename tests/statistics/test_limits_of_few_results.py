"""Limits of few results keep what they promise: against simulations written apart from the code, and printed factors.

A baseline is drawn, its mean and its spread are taken; what an unchanged process shows beyond is then a normal tail.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import (
    NELSON,
    STANDARD_LIMITS,
    Beyond,
    ChartLimits,
    chart_sight,
    individuals_limits,
    run_rule_signals,
)

Source = Literal["moving range", "standard deviation"]

SOURCES: tuple[Source, ...] = ("moving range", "standard deviation")
SIZES = (8, 10, 20, 30, 60)
PROMISED = 2.0 * stats.norm.sf(3.0)
LIMITS_ONLY = (Beyond(1, 1, 3.0),)
SEVEN_OF_TWELVE = (Beyond(7, 12, 1.0),)


def limits_of(number: int, source: Source, *, as_known: bool = False) -> ChartLimits:
    """Limits of any baseline of that size: what they are in sigmas doesn't depend on its values."""
    rising = np.arange(float(number))
    return individuals_limits(rising, sigma_from=source, constants="exact", as_known=as_known)


def estimates(generator: np.random.Generator, charts: int, number: int, source: Source) -> tuple[np.ndarray, ...]:
    """Mean and sigma of each of many baselines; the mean range of two normal results is 2/√π."""
    baselines = generator.standard_normal((charts, number))
    if source == "standard deviation":
        return baselines.mean(axis=1), baselines.std(axis=1, ddof=1)
    return baselines.mean(axis=1), np.abs(np.diff(baselines, axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2.0


def begun(
    centre: np.ndarray, sigma: np.ndarray, reach: tuple[float, float], generator: np.random.Generator, results: int
) -> np.ndarray:
    """Signals after a result without one, a result, of each chart: limits and an EWMA of 0.4 that has settled."""
    average = 0.5 * generator.standard_normal(centre.size)
    before, found = np.ones(centre.size, dtype=bool), np.zeros(centre.size)
    for place in range(-10, results):
        z = generator.standard_normal(centre.size)
        average = 0.4 * z + 0.6 * average
        signals = np.abs(z - centre) > reach[0] * sigma
        signals |= np.abs(average - centre) > 0.5 * reach[1] * sigma
        found += signals & ~before & (place >= 0)
        before = signals
    return found / results


def reaches(limits: ChartLimits) -> tuple[float, float]:
    return limits.reach(), limits.reach(weight=0.4)


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("number", SIZES)
def test_a_result_and_an_average_lie_beyond_as_seldom_as_promised(number: int, source: Source) -> None:
    """0.27 % within 10 %, of results and of settled EWMAs, over 200 000 drawn baselines (their error: 2 %)."""
    centre, sigma = estimates(np.random.default_rng(100 + number), 200_000, number, source)
    of_result, of_average = (reach * sigma for reach in reaches(limits_of(number, source)))
    results = stats.norm.sf(of_result - centre) + stats.norm.sf(of_result + centre)
    averages = stats.norm.sf(of_average - 2.0 * centre) + stats.norm.sf(of_average + 2.0 * centre)
    assert (results.mean(), averages.mean()) == pytest.approx((PROMISED, PROMISED), rel=0.1)


@pytest.mark.parametrize("source", SOURCES)
def test_drawn_baselines_give_limits_that_hold(source: Source) -> None:
    """The whole way from ten results to limits: 0.27 % beyond within 10 %, over 20 000 baselines (error 4 %)."""
    found = [
        individuals_limits(row, sigma_from=source, constants="exact")
        for row in np.random.default_rng(12).standard_normal((20_000, 10))
    ]
    upper, lower = np.array([one.upper for one in found]), np.array([one.lower for one in found])
    assert np.mean(stats.norm.sf(upper) + stats.norm.cdf(lower)) == pytest.approx(PROMISED, rel=0.1)


def test_known_limits_stand_at_three_sigma() -> None:
    assert reaches(STANDARD_LIMITS) == (3.0, 3.0)
    assert STANDARD_LIMITS.standardised([0.0, 2.5, -4.0]).tolist() == [0.0, 2.5, -4.0]
    assert reaches(limits_of(8, "moving range", as_known=True)) == (3.0, 3.0)


def test_a_range_beyond_its_limit_counts_the_uncertainty_of_sigma_alone() -> None:
    """Student's t of 9 degrees as rare as 3 sigma, over 3; a range has no centre whose uncertainty counts."""
    results = [10.0, 10.4, 9.9, 10.2, 10.1, 9.8, 10.3, 10.0, 10.2, 9.7]
    plain = individuals_limits(results, sigma_from="standard deviation", as_known=True)
    wide = individuals_limits(results, sigma_from="standard deviation")
    assert plain.moving_range_upper == pytest.approx(3.27 * np.abs(np.diff(results)).mean())
    factor = stats.t.isf(stats.norm.sf(3.0), 9) / 3.0
    assert wide.moving_range_upper == pytest.approx(factor * plain.moving_range_upper)


@pytest.mark.parametrize("number", [10, 20, 30, 60])
@pytest.mark.parametrize(("deviations", "confidence"), [(1.959964, 0.95), (2.575829, 0.99)])
def test_limits_are_prediction_intervals(number: int, deviations: float, confidence: float) -> None:
    """Hahn and Meeker (1991), 4.7: the factor for one future result is t(n - 1) √(1 + 1/n)."""
    expected = stats.t.ppf(0.5 + confidence / 2.0, number - 1) * math.sqrt(1.0 + 1.0 / number)
    assert limits_of(number, "standard deviation").reach(deviations) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("weight", "factors"),
    [
        (1.0, (1.414, 1.155, 1.095, 1.049, 1.033, 1.025, 1.017, 1.008)),
        (0.4, (2.236, 1.528, 1.342, 1.183, 1.126, 1.095, 1.065, 1.033)),
        (0.2, (3.162, 2.000, 1.673, 1.378, 1.265, 1.204, 1.140, 1.072)),
    ],
)
def test_what_a_centre_from_few_results_costs(weight: float, factors: tuple[float, ...]) -> None:
    """√(1 + (2 - λ)/(n λ)) for n = 1, 3, 5, 10, 15, 20, 30, 60 with known sigma (derived apart, and simulated)."""
    found = [replace(STANDARD_LIMITS, number=n).reach(weight=weight) / 3.0 for n in (1, 3, 5, 10, 15, 20, 30, 60)]
    assert found == pytest.approx(factors, abs=6e-4)


@pytest.mark.parametrize(("number", "results"), [(10, 53), (20, 116), (30, 160), (60, 236), (100, 280), (300, 336)])
def test_three_sigma_of_few_results_are_passed_oftener(number: int, results: int) -> None:
    """Mean of the conditional rates of 400 000 simulated charts (computed apart): one result in so many."""
    assert 1.0 / limits_of(number, "standard deviation").chance_beyond(3.0) == pytest.approx(results, rel=0.01)


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("number", [3, 8, 30])
def test_scores_are_as_rare_as_what_they_stand_for(number: int, source: Source) -> None:
    """A score z is passed by chance as often as z sigma are: chance_beyond of the distance is 2 Φ(-z)."""
    limits = limits_of(number, source)
    away = np.array([0.0, 0.3, 1.0, 2.0, 3.0, 5.0]) * limits.sigma
    expected = [2.0 * stats.norm.sf(z) for z in limits.standardised(limits.centre + away)]
    assert [limits.chance_beyond(one / limits.sigma) for one in away] == pytest.approx(expected, rel=1e-9)
    assert limits.standardised(limits.centre - away) == pytest.approx(-limits.standardised(limits.centre + away))


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("number", SIZES)
def test_false_alarms_begin_as_often_as_told(number: int, source: Source) -> None:
    """100 000 charts of 40 results each (error 1 to 2 %): within 10 %."""
    generator, limits = np.random.default_rng(200 + number), limits_of(number, source)
    drawn = begun(*estimates(generator, 100_000, number, source), reaches(limits), generator, 40)
    told = chart_sight(LIMITS_ONLY, 0.4, 3.0, number, limits.tail_degrees_of_freedom)
    assert told.begun == pytest.approx(drawn.mean(), rel=0.1)


def test_false_alarms_of_known_limits_begin_as_often_as_told() -> None:
    """100 000 charts of 40 results; every chart has the same limits, so that none is worse than another."""
    known = np.zeros(100_000), np.ones(100_000)
    drawn = begun(*known, (3.0, 3.0), np.random.default_rng(7), 40).mean()
    told = chart_sight(LIMITS_ONLY, 0.4, 3.0, math.inf, math.inf)
    assert told.begun == pytest.approx(drawn, rel=0.1)
    assert told.begun_at_worst == pytest.approx(drawn, rel=0.15)


@pytest.mark.parametrize(("number", "of_hundred"), [(10, 2.9), (20, 1.65), (30, 1.2)])
def test_three_sigma_of_few_results_give_more_false_alarms(number: int, of_hundred: float) -> None:
    """Moving ranges, limits and EWMA at three sigma: 2.9, 1.6 to 1.7 and 1.2 begin in 100 results; known: 0.43."""
    limits = limits_of(number, "moving range", as_known=True)
    generator = np.random.default_rng(number)
    drawn = begun(*estimates(generator, 100_000, number, "moving range"), reaches(limits), generator, 40).mean()
    told = chart_sight(LIMITS_ONLY, 0.4, 3.0, number, limits.tail_degrees_of_freedom, as_known=True)
    assert 100.0 * drawn == pytest.approx(of_hundred, abs=0.06)
    assert told.begun == pytest.approx(drawn, rel=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("number", [8, 20, 60])
def test_the_chart_that_one_in_ten_is_worse_than(number: int) -> None:
    """2000 charts of 4000 results each, so long that luck is small beside what the limits do: within 20 %."""
    generator, limits = np.random.default_rng(300 + number), limits_of(number, "standard deviation")
    drawn = begun(*estimates(generator, 2000, number, "standard deviation"), reaches(limits), generator, 4000)
    told = chart_sight(LIMITS_ONLY, 0.4, 3.0, number, number - 1.0)
    assert told.begun_at_worst == pytest.approx(np.quantile(drawn, 0.9), rel=0.2)


@pytest.mark.parametrize(("number", "shares"), [(20, (0.5,)), (30, (0.5, 0.9)), (60, (0.5, 0.9))])
def test_a_shift_is_found_as_soon_as_told(number: int, shares: tuple[float, ...]) -> None:
    """10 000 charts that move by one standard deviation after ten results: within 10 %, or one result."""
    generator, limits = np.random.default_rng(400 + number), limits_of(number, "standard deviation")
    centre, sigma = estimates(generator, 10_000, number, "standard deviation")
    average, delay = 0.5 * generator.standard_normal(centre.size), np.full(centre.size, np.inf)
    for place in range(1, 401):
        z = 1.0 + generator.standard_normal(centre.size)
        average = 0.4 * z + 0.6 * average
        signals = np.abs(z - centre) > limits.reach() * sigma
        signals |= np.abs(average - centre) > 0.5 * limits.reach(weight=0.4) * sigma
        delay[signals] = np.minimum(delay[signals], place)
    told = chart_sight(LIMITS_ONLY, 0.4, 3.0, number, number - 1.0)
    for share, found in zip(shares, (told.half, told.most), strict=False):
        assert found == pytest.approx(np.quantile(delay, share), rel=0.1, abs=1.0)


def test_sights_are_the_same_each_time_and_by_another_seed() -> None:
    """Seven of twelve beyond one sigma, from 20 results: counted by hand on 20 000 charts; Nelson's eight: known."""
    once, again = (chart_sight.__wrapped__(SEVEN_OF_TWELVE, 0.0, 3.0, 20.0, 19.0) for _ in range(2))
    assert once == again
    generator = np.random.default_rng(77)
    centre, sigma = estimates(generator, 20_000, 20, "standard deviation")
    z = (generator.standard_normal((20_000, 120)) - centre[:, None]) / sigma[:, None]
    line = stats.t.isf(stats.norm.sf(1.0), 19) * math.sqrt(1.05)
    signals = np.zeros(z.shape, dtype=bool)
    for side in (1.0, -1.0):
        hits = side * z > line
        number = np.cumsum(np.pad(hits, ((0, 0), (12, 0))), axis=1)
        signals |= hits & (number[:, 12:] - number[:, :-12] >= 7)
    assert once.begun == pytest.approx((signals[:, 20:] & ~signals[:, 19:-1]).mean(), rel=0.1)
    eight = run_rule_signals(generator.standard_normal((2000, 420)), NELSON).beyond
    told = chart_sight(NELSON, 0.0, 3.0, math.inf, math.inf)
    assert told.begun == pytest.approx((eight[:, 20:] & ~eight[:, 19:-1]).mean(), rel=0.1)
