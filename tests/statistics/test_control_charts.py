"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook; limits against simulation."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from labcalc.statistics import (
    CHART_CONSTANTS,
    ewma,
    ewma_chart,
    individuals_limits,
    moving_ranges,
)
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from tests.statistics.data import columns


def test_individuals_chart_of_flow_rates() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2 (seen): centre, limits and moving-range limit."""
    (rates,) = columns("nist_flowrate.csv", "flowrate")
    limits = individuals_limits(rates, constants="handbook", as_known=True)
    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    assert limits.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert (limits.upper, limits.lower) == (pytest.approx(55.8041, abs=5e-5), pytest.approx(45.8159, abs=5e-5))
    assert limits.moving_range_upper == pytest.approx(6.1347, abs=5e-5)
    assert (np.abs(limits.standardised(rates)) < 3.0).all()


def test_ewma_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4 (seen): every average as printed, limits 52.5884 and 47.4115, no signal."""
    results, printed = columns("nist_ewma.csv", "x", "ewma_printed")
    limits = replace(STANDARD_LIMITS, centre=50.0, sigma=2.0539)
    chart = ewma_chart(results, limits, weight=0.3)
    assert chart.values == pytest.approx(printed, abs=0.0051)
    # The page cuts the lower limit, 47.41157, instead of rounding it.
    assert (chart.upper, chart.lower) == (pytest.approx(52.5884, abs=5e-5), pytest.approx(47.4115, abs=1e-4))
    assert not chart.beyond.any()


def test_check_standard() -> None:
    """NIST dataset MPC264: mean 97.0698, s 0.02680 (memory); limits with the trade's factors (computed)."""
    (values,) = columns("check_standard_137.csv", "value")
    limits = individuals_limits(values, as_known=True)
    assert limits.centre == pytest.approx(97.0698, abs=5e-5)
    assert individuals_limits(values, sigma_from="standard deviation").sigma == pytest.approx(0.02680, abs=5e-6)
    assert (limits.upper, limits.lower) == (pytest.approx(97.15130, abs=1e-5), pytest.approx(96.98838, abs=1e-5))
    assert limits.moving_range_upper == pytest.approx(0.10014, abs=1e-5)
    chart = ewma_chart(values, limits)
    assert (chart.upper, chart.lower) == (pytest.approx(97.11057, abs=1e-5), pytest.approx(97.02911, abs=1e-5))
    assert not chart.beyond.any()


def test_constants_are_kept_with_the_limits() -> None:
    """d2(2) = 2/√π = 1.1283792, d3(2) = √(2 − 4/π) = 0.8525025 (closed forms)."""
    exact = individuals_limits([1.0, 2.0, 4.0], constants="exact").constants
    assert exact.individuals == pytest.approx(3.0 / 1.1283792, rel=1e-7)
    assert exact.moving_range == pytest.approx(1.0 + 3.0 * 0.8525025 / 1.1283792, rel=1e-7)
    trade = individuals_limits([1.0, 2.0, 4.0]).constants
    assert (trade.individuals, trade.moving_range) == (2.66, 3.27)
    assert "memory" in trade.source
    with pytest.raises(FrozenInstanceError):
        trade.individuals = 3.0  # type: ignore[misc]


@pytest.mark.parametrize("as_known", [True, False])
@pytest.mark.parametrize("constants", CHART_CONSTANTS)
def test_a_result_on_the_limit_has_a_score_of_three(constants: str, as_known: bool) -> None:
    limits = individuals_limits([10.0, 11.0, 10.0, 12.0], constants=constants, as_known=as_known)
    found = limits.standardised([[limits.centre, limits.upper], [limits.lower, limits.upper + 0.01]])
    assert found[:, 0] == pytest.approx([0.0, -3.0], abs=1e-9)
    assert found[0, 1] == pytest.approx(3.0)
    assert found[1, 1] > 3.0


@pytest.mark.parametrize("sigma_from", ["moving range", "standard deviation"])
@pytest.mark.parametrize("number", [15, 40])
def test_uncertainty_of_the_limits(sigma_from: str, number: int) -> None:
    """Simulated: an upper limit at three sigma scatters by baseline as it says (Monte Carlo error 1 %)."""
    generator = np.random.default_rng(3)
    found = [
        individuals_limits(row, sigma_from=sigma_from, constants="exact", as_known=True)  # type: ignore[arg-type]
        for row in generator.standard_normal((6000, number))
    ]
    stated = math.sqrt(np.mean([limits.limit_uncertainty**2 for limits in found]))
    assert np.std([limits.upper for limits in found]) == pytest.approx(stated, rel=0.05)


def test_provisional_below_thirty() -> None:
    results = np.random.default_rng(1).normal(10.0, 0.1, 30)
    assert individuals_limits(results[:29]).provisional
    assert not individuals_limits(results).provisional
    assert not individuals_limits(results[:20], settled_at=20).provisional


def test_averages_without_a_loop_agree_with_the_recursion() -> None:
    values = np.random.default_rng(5).normal(0.3, 1.0, 2000)
    for weight in (0.01, 0.2, 0.4, 1.0):
        average, expected = -0.7, []
        for value in values:
            average = weight * value + (1.0 - weight) * average
            expected.append(average)
        assert ewma(values, weight, -0.7) == pytest.approx(expected, abs=1e-12)
    both = values.reshape(2, 1000)
    assert ewma(both, 0.4)[1] == pytest.approx(ewma(both[1], 0.4))
    starts = ewma_chart(values, STANDARD_LIMITS, starts=[700]).values
    assert starts[700:] == pytest.approx(ewma(values[700:], 0.4))


def test_refusals() -> None:
    with pytest.raises(ValueError, match="1 results: a chart needs 2 or more"):
        individuals_limits([1.0])
    with pytest.raises(ValueError, match="result 2 of 3 is nan: a number was expected"):
        individuals_limits([1.0, math.nan, 2.0])
    with pytest.raises(ValueError, match="3 results that are all 5: limits need results that differ"):
        individuals_limits([5.0, 5.0, 5.0])
    with pytest.raises(ValueError, match="constants 'classic': one of trade, handbook, exact"):
        individuals_limits([1.0, 2.0], constants="classic")
    with pytest.raises(ValueError, match=r"results of shape \(1, 2\): one series"):
        individuals_limits([[1.0, 2.0]])
    with pytest.raises(ValueError, match="EWMA weight 0: more than 0, up to 1"):
        ewma([1.0], 0.0)


def test_a_chart_keeps_what_it_was_drawn_with() -> None:
    limits = replace(STANDARD_LIMITS, centre=10.0, sigma=2.0)
    assert limits.standardised([10.0, 13.25, 10.0, 16.5]).tolist() == [0.0, 1.625, 0.0, 3.25]
    average = ewma_chart([10.0, 20.0], limits, weight=0.5, multiple=2.0)
    assert (average.weight, average.multiple) == (0.5, 2.0)
    assert average.values.tolist() == [10.0, 15.0]
    assert (average.lower, average.upper) == pytest.approx((10.0 - 4.0 / math.sqrt(3.0), 10.0 + 4.0 / math.sqrt(3.0)))
    assert average.beyond.tolist() == [False, True]


def test_what_charts_take_where_nobody_says_otherwise() -> None:
    """λ 0.4 in petroleum testing, L 3 (memory)."""
    average = ewma_chart([], STANDARD_LIMITS)
    assert (average.weight, average.multiple) == (0.4, 3.0)


def test_a_weight_of_one_and_weights_that_are_none() -> None:
    assert ewma([1.0, 5.0, 2.0], 1.0, 9.0).tolist() == [1.0, 5.0, 2.0]
    for weight in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="more than 0, up to 1 was expected"):
            ewma([1.0], weight)


def test_an_average_on_its_limit_is_not_beyond_it() -> None:
    limits = ewma_chart([], STANDARD_LIMITS, weight=1.0)
    assert (limits.lower, limits.upper) == (-3.0, 3.0)
    assert ewma_chart([3.0, -3.0, 3.1], STANDARD_LIMITS, weight=1.0).beyond.tolist() == [False, False, True]


def test_the_chart_of_standard_results() -> None:
    """Φ: sigma 1, known; d2 = 1.128 (e-Handbook 6.3.2.2) is the mean range of two, D4 d2 = 3.686 its limit."""
    assert (STANDARD_LIMITS.lower, STANDARD_LIMITS.upper) == (-3.0, 3.0)
    assert (STANDARD_LIMITS.limit_uncertainty, STANDARD_LIMITS.sigma_uncertainty) == (0.0, 0.0)
    assert STANDARD_LIMITS.mean_moving_range == pytest.approx(1.128, abs=5e-4)
    assert STANDARD_LIMITS.moving_range_upper == pytest.approx(3.686, abs=5e-4)
    assert (STANDARD_LIMITS.sigma_from, STANDARD_LIMITS.number, STANDARD_LIMITS.provisional) == ("given", 0, False)


def test_what_the_limits_of_few_results_rest_on() -> None:
    """By hand; E.4.3 of JCGM 100:2008 for the deviation's own uncertainty."""
    results = [10.0, 12.0, 11.0]
    spread = individuals_limits(results, sigma_from="standard deviation")
    assert (spread.centre, spread.sigma, spread.sigma_from) == (11.0, 1.0, "standard deviation")
    assert (spread.sigma_degrees_of_freedom, spread.number) == (2.0, 3)
    assert spread.centre_uncertainty == pytest.approx(1.0 / math.sqrt(3.0))
    assert spread.sigma_uncertainty == pytest.approx(0.5)
    assert spread.limit_uncertainty == pytest.approx(math.sqrt(1.0 / 3.0 + 2.25))
    ranges = individuals_limits(results, constants="handbook")
    assert (ranges.mean_moving_range, ranges.sigma) == (1.5, pytest.approx(1.5 / 1.128))
    assert ranges.sigma_from == "moving range"
    assert CHART_CONSTANTS["handbook"].name == "handbook"


def test_degrees_of_freedom_of_a_mean_moving_range() -> None:
    """One range: d2²/(2 d3²) = 0.876; more of them: a simulation of 400 000 series (error 0.5 %)."""
    assert individuals_limits([1.0, 2.0]).sigma_degrees_of_freedom == pytest.approx(0.876, abs=5e-4)
    for number in (3, 6):
        drawn = moving_ranges(np.random.default_rng(number).standard_normal((400_000, number)))[:, 1:].mean(axis=1)
        found = individuals_limits(np.arange(float(number))).sigma_degrees_of_freedom
        assert found == pytest.approx(drawn.mean() ** 2 / (2.0 * drawn.var()), rel=0.015)
