"""Propagation of distributions against the examples of the Guide's supplement 1 (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.stats import ncx2

from labcalc.statistics import (
    InputQuantity,
    standard_from_half_width,
)
from tests.statistics import monte_carlo as simulation
from tests.statistics.monte_carlo import MonteCarloResult, Validation, monte_carlo, numerical_tolerance, validated
from tests.statistics.propagation import budget_of_model
from tests.statistics.test_uncertainty import GAUGE, gauge_length


def total(*parts: float) -> float:
    return sum(parts)


def compared(
    function: Callable[..., float], inputs: list[InputQuantity], simulated: MonteCarloResult, digits: int = 2
) -> Validation:
    value = function(*(one.value for one in inputs))
    return validated(value, budget_of_model(function, inputs), simulated, digits)


@pytest.mark.parametrize(
    ("distribution", "last", "half_width", "digits", "first_order_stands"),
    [("normal", 1.0, 3.92, 2, True), ("rectangular", 1.0, 3.88, 3, False), ("rectangular", 10.0, 17.0, 2, False)],
)
def test_sum_of_four(distribution: str, last: float, half_width: float, digits: int, first_order_stands: bool) -> None:
    """JCGM 101:2008, 9.2, tables 2 to 4 (from memory): 95 % interval of the sum of four inputs of deviation 1 or 10."""
    inputs = [
        InputQuantity(f"X{i}", 0.0, u, distribution=distribution)  # type: ignore[arg-type]
        for i, u in enumerate((1.0, 1.0, 1.0, last), 1)
    ]
    simulated = monte_carlo(total, inputs, trials=1_000_000)
    assert simulated.standard_uncertainty == pytest.approx(math.sqrt(3.0 + last**2), rel=0.003)
    assert simulated.symmetric_interval == pytest.approx((-half_width, half_width), rel=0.004)
    assert compared(total, inputs, simulated, digits).passed is first_order_stands


def lost(x1: NDArray[np.float64], x2: NDArray[np.float64]) -> NDArray[np.float64]:
    return x1**2 + x2**2


@pytest.mark.parametrize(
    ("first", "value", "uncertainty", "shortest"),
    [(0.0, 50.0, 50.0, (0.0, 150.0)), (0.010, 150.0, 112.0, (0.0, 367.0)), (0.050, 2551.0, 502.0, (1590.0, 3543.0))],
)
def test_comparison_loss(first: float, value: float, uncertainty: float, shortest: tuple[float, float]) -> None:
    """JCGM 101:2008, 9.4, table 6 (from memory), in 1e-6: mean, uncertainty, shortest 95 % interval, uncorrelated."""
    inputs = [InputQuantity("X1", first, 0.005), InputQuantity("X2", 0.0, 0.005)]
    simulated = monte_carlo(lost, inputs, trials=1_000_000)
    assert simulated.value * 1e6 == pytest.approx(value, rel=0.004)
    assert simulated.standard_uncertainty * 1e6 == pytest.approx(uncertainty, rel=0.006)
    assert [1e6 * end for end in simulated.shortest_interval] == pytest.approx(shortest, rel=0.01, abs=1.0)
    exact = ncx2(2, (first / 0.005) ** 2, scale=0.005**2)
    assert simulated.symmetric_interval == pytest.approx((exact.ppf(0.025), exact.ppf(0.975)), rel=0.02)


def test_comparison_loss_correlated() -> None:
    """JCGM 101:2008, 9.4, table 7 (from memory): r = 0.9, mean 50, uncertainty 67, shortest interval 0 to 185."""
    inputs = [InputQuantity("X1", 0.0, 0.005), InputQuantity("X2", 0.0, 0.005)]
    simulated = monte_carlo(lost, inputs, correlation=[[1.0, 0.9], [0.9, 1.0]], trials=1_000_000)
    assert simulated.value * 1e6 == pytest.approx(50.0, rel=0.005)
    assert simulated.standard_uncertainty * 1e6 == pytest.approx(67.0, abs=0.6)
    assert [1e6 * end for end in simulated.shortest_interval] == pytest.approx((0.0, 185.0), rel=0.01, abs=1.0)


def test_first_order_misses_what_the_second_order_adds() -> None:
    """JCGM 100:2008, H.1.7: 34 nm with the second-order term, 32 nm without (seen); inputs normal but where given."""
    simulated = monte_carlo(gauge_length, GAUGE_AS_KNOWN, trials=1_000_000)
    assert round(simulated.standard_uncertainty) == 34
    assert simulated.value == pytest.approx(50_000_838.0, abs=0.5)
    assert not compared(gauge_length, GAUGE_AS_KNOWN, simulated).passed


GAUGE_AS_KNOWN = [InputQuantity(i.name, i.value, i.standard_uncertainty, i.unit) for i in GAUGE]


def test_adaptive_run_settles_and_repeats() -> None:
    inputs = [
        InputQuantity("a", 0.0, 1.0, distribution="triangular"),
        InputQuantity("b", 0.0, 1.0, distribution="arcsine"),
    ]
    once, again = monte_carlo(total, inputs, digits=1), monte_carlo(total, inputs, digits=1)
    assert once == again
    assert once.settled
    assert once.trials < 200_000
    assert once.standard_uncertainty == pytest.approx(math.sqrt(2.0), abs=numerical_tolerance(math.sqrt(2.0), 1))
    assert monte_carlo(total, inputs, digits=1, seed=2).value != once.value


def test_few_readings_are_drawn_from_student() -> None:
    """JCGM 101:2008, 6.4.9.4: variance ν/(ν − 2) of the scaled distribution."""
    simulated = monte_carlo(total, [InputQuantity("mean", 5.0, 0.1, degrees_of_freedom=9)], trials=400_000)
    assert simulated.standard_uncertainty == pytest.approx(0.1 * math.sqrt(9.0 / 7.0), rel=0.01)
    assert simulated.symmetric_interval == pytest.approx((5.0 - 0.2262, 5.0 + 0.2262), abs=0.002)


def test_a_shape_of_ones_own() -> None:
    def two_points(generator: Generator, size: int) -> NDArray[np.float64]:
        return generator.choice([-1.0, 1.0], size)

    simulated = monte_carlo(total, [InputQuantity("valve", 3.0, 0.5, distribution=two_points)], trials=10_000)
    assert simulated.shortest_interval == (2.5, 3.5)


@pytest.mark.parametrize(
    ("uncertainty", "digits", "tolerance"),
    [(0.00035, 2, 0.000005), (2.0, 1, 0.5), (0.0996, 2, 0.005), (32.0, 2, 0.5), (0.0, 2, 0.0)],
)
def test_numerical_tolerance(uncertainty: float, digits: int, tolerance: float) -> None:
    """JCGM 101:2008, 7.9.2: 0.00035 g with two digits is 35e-5, δ = 0.5e-5 (its example 1, from memory)."""
    assert numerical_tolerance(uncertainty, digits) == pytest.approx(tolerance)


def test_refusals() -> None:
    unknown = [InputQuantity("bath", 0.0, math.nan)]
    with pytest.raises(ValueError, match="bath: its standard uncertainty is unknown"):
        monte_carlo(total, unknown, trials=10)
    skewed = [InputQuantity("a", 0.0, 1.0, distribution="arcsine"), InputQuantity("b", 0.0, 1.0)]
    with pytest.raises(ValueError, match="a: a correlated input must be normal"):
        monte_carlo(total, skewed, correlation=[[1.0, 0.5], [0.5, 1.0]], trials=10)
    with pytest.raises(ValueError, match="a: distribution 'cauchy' is none of"):
        monte_carlo(total, [InputQuantity("a", 0.0, 1.0, distribution="cauchy")], trials=10)  # type: ignore[arg-type]


def curvilinear(half_width: float, doubt: float) -> Callable[[Generator, int], NDArray[np.float64]]:
    """Draw between limits that are themselves known within a doubt only (JCGM 101:2008, 6.4.3.4)."""

    def draw(generator: Generator, size: int) -> NDArray[np.float64]:
        limit = half_width + doubt * generator.uniform(-1.0, 1.0, size)
        return limit * generator.uniform(-1.0, 1.0, size)

    return draw


def test_gauge_block_with_the_distributions_of_the_supplement() -> None:
    """JCGM 101:2008, 9.5, tables 10 and 11 (from memory): 838 nm, 36 nm, 99 % interval 745 nm to 932 nm."""
    inputs = [
        InputQuantity("standard", 50_000_623.0, 25.0, "nm", 18),
        InputQuantity("difference", 215.0, 6.0, "nm", 24),
        InputQuantity("random effects", 0.0, 4.0, "nm", 5),
        InputQuantity("systematic effects", 0.0, 7.0, "nm", 8),
        InputQuantity(
            "expansion", 11.5e-6, standard_from_half_width(2e-6, "rectangular"), "1/°C", math.inf, "rectangular"
        ),
        InputQuantity("mean deviation", -0.1, 0.2, "°C"),
        InputQuantity("swing", 0.0, standard_from_half_width(0.5, "arcsine"), "°C", math.inf, "arcsine"),
        InputQuantity("difference of expansion", 0.0, 1.0, "1/°C", math.inf, curvilinear(1e-6, 0.1e-6)),
        InputQuantity("difference of temperatures", 0.0, 1.0, "°C", math.inf, curvilinear(0.05, 0.025)),
    ]

    def length(ls, d, d1, d2, alpha, theta, swing, delta_alpha, delta_theta):  # type: ignore[no-untyped-def]
        return ls + d + d1 + d2 - ls * (delta_alpha * (theta + swing) + alpha * delta_theta)

    simulated = monte_carlo(length, inputs, trials=1_000_000, confidence=0.99)
    assert simulated.value - 50_000_000.0 == pytest.approx(838.0, abs=0.5)
    assert simulated.standard_uncertainty == pytest.approx(36.0, abs=0.5)
    assert [end - 50_000_000.0 for end in simulated.symmetric_interval] == pytest.approx((745.0, 932.0), abs=1.0)


def in_order(places: NDArray[np.float64]) -> InputQuantity:
    """An input whose draws are these numbers, shuffled."""
    return InputQuantity("x", 0.0, 1.0, distribution=lambda generator, size: generator.permutation(places)[:size])


def test_intervals_of_a_hundred_outputs_by_hand() -> None:
    """JCGM 101:2008, 7.7.2: q = 95, r = (100 - 95 + 1)/2 = 3, the 3rd and the 98th; shortest: the 1st and the 96th."""
    found = monte_carlo(total, [in_order(np.arange(100.0) ** 2)], trials=100, seed=4)
    assert (found.symmetric_interval, found.shortest_interval) == ((2.0**2, 97.0**2), (0.0, 95.0**2))
    assert (found.trials, found.settled, found.seed, found.confidence) == (100, True, 4, 0.95)
    assert found.value == pytest.approx(99.0 * 199.0 / 6.0)
    assert found.standard_uncertainty == pytest.approx(np.std(np.arange(100.0) ** 2, ddof=1))
    falling = monte_carlo(total, [in_order(-(np.arange(100.0) ** 2))], trials=100)
    assert falling.shortest_interval == (-(95.0**2), 0.0)
    two = monte_carlo(total, [in_order(np.array([3.0, 8.0]))], trials=2)
    assert two.symmetric_interval == two.shortest_interval == (3.0, 8.0)


@pytest.mark.parametrize(
    ("distribution", "end", "reach"),
    [
        ("rectangular", 0.95 * math.sqrt(3.0), math.sqrt(3.0)),
        ("triangular", (1.0 - math.sqrt(0.05)) * math.sqrt(6.0), math.sqrt(6.0)),
        ("arcsine", math.sin(0.95 * math.pi / 2.0) * math.sqrt(2.0), math.sqrt(2.0)),
        ("normal", 1.95996, math.inf),
    ],
)
@pytest.mark.parametrize("correlation", [None, np.eye(1)])
def test_shapes_by_their_closed_forms(distribution: str, end: float, reach: float, correlation: object) -> None:
    """JCGM 101:2008, table 1: deviation 1 and the central 95 % of each shape (closed forms; error 0.5 %)."""
    given = InputQuantity("x", 7.0, 1.0, distribution=distribution)  # type: ignore[arg-type]
    found = monte_carlo(total, [given], trials=200_000, correlation=correlation)  # type: ignore[arg-type]
    assert found.standard_uncertainty == pytest.approx(1.0, rel=0.008)
    assert found.symmetric_interval == pytest.approx((7.0 - end, 7.0 + end), abs=0.02)
    extremes = monte_carlo(lambda x: np.abs(x - 7.0), [given], trials=5000, confidence=0.9999)
    assert extremes.shortest_interval[1] <= reach + 1e-12


def test_an_uncorrelated_input_keeps_its_shape_beside_correlated_ones() -> None:
    correlation = np.eye(3)
    correlation[0, 1] = correlation[1, 0] = -0.8
    inputs = [
        InputQuantity("a", 0.0, 1.0),
        InputQuantity("b", 0.0, 1.0),
        InputQuantity("c", 0.0, 1.0, distribution="arcsine"),
    ]
    both = monte_carlo(lambda a, b, c: a + b, inputs, correlation=correlation, trials=100_000)
    assert both.standard_uncertainty == pytest.approx(math.sqrt(2.0 - 1.6), rel=0.01)
    alone = monte_carlo(lambda a, b, c: c, inputs, correlation=correlation, trials=10_000)
    assert alone.symmetric_interval[1] == pytest.approx(math.sqrt(2.0), abs=0.01)
    few = [inputs[0], InputQuantity("b", 0.0, 1.0, degrees_of_freedom=5), inputs[2]]
    with pytest.raises(ValueError, match="b: a correlated input must be normal, with infinite degrees of freedom"):
        monte_carlo(total, few, correlation=correlation, trials=10)


def test_an_adaptive_run_gives_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """JCGM 101:2008, 7.9.4: blocks of 10 000, or of 100/(1 - p) where that is more; two of them at least."""
    inputs = [InputQuantity("x", 0.0, 1.0)]
    assert monte_carlo(total, [InputQuantity("x", 3.0, 0.0)]).trials == 20_000
    monkeypatch.setattr(simulation, "MOST_TRIALS", 40_000)
    found = monte_carlo(total, inputs, digits=6)
    assert (found.trials, found.settled) == (40_000, False)
    wide = monte_carlo(total, inputs, confidence=0.9975, digits=6)
    assert (wide.trials, wide.settled) == (pytest.approx(40_000, abs=1), False)
    for confidence in (0.0, 1.0):
        with pytest.raises(ValueError, match="more than 0 and less than 1 was expected"):
            monte_carlo(total, inputs, confidence=confidence)


def test_when_an_adaptive_run_is_settled() -> None:
    """JCGM 101:2008, 7.9.4, block by block: until 2 s/√h of mean, deviation and both ends is below δ = 0.05."""
    generator, blocks, error = np.random.default_rng(1), [], math.inf
    while 2.0 * error > 0.05:
        blocks.append(5.0 + 3.0 * generator.standard_normal(10_000))
        if len(blocks) > 1:
            table = [[one.mean(), one.std(ddof=1), *np.quantile(one, [0.025, 0.975])] for one in blocks]
            error = np.max(np.std(table, axis=0, ddof=1)) / math.sqrt(len(blocks))
    found = monte_carlo(total, [InputQuantity("x", 5.0, 3.0)])
    assert (found.trials, found.settled) == (10_000 * len(blocks), True)
    assert found.value == pytest.approx(np.mean(blocks), rel=1e-12)


def test_a_validation_says_how_far_the_ends_are_apart() -> None:
    """JCGM 101:2008, 8.1: both ends within the tolerance, which itself is within."""
    given = [InputQuantity("x", 10.0, 1.0)]
    low, high = 10.0 - 1.959964, 10.0 + 1.959964
    simulated = replace(monte_carlo(total, given, trials=10), symmetric_interval=(low + 0.03, high - 0.02))
    found = compared(total, given, simulated)
    assert (found.tolerance, found.lower_difference, found.upper_difference) == pytest.approx((0.05, 0.03, 0.02))
    assert found.passed
    assert Validation(0.5, 0.5, 0.0).passed
    assert not Validation(0.5, 0.0, 0.6).passed
    assert not Validation(0.5, 0.6, 0.0).passed
