"""Uncertainty budgets against the worked examples of the Guide (JCGM 100:2008, annex H)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from labcalc.statistics import (
    InputQuantity,
    coverage_factor,
    effective_degrees_of_freedom,
    propagated_covariance,
    propagated_uncertainty,
    sensitivities,
    standard_from_half_width,
    uncertainty_budget,
)
from tests.statistics.data import columns

GAUGE = (
    InputQuantity("standard's length", 50_000_623.0, 25.0, "nm", 18, source="certificate"),
    InputQuantity("difference", 215.0, 9.7, "nm", 25.6, source="five repeats, comparator"),
    InputQuantity("difference of expansion", 0.0, 0.58e-6, "1/°C", 50, "rectangular", "estimate"),
    InputQuantity("deviation of temperature", -0.1, 0.41, "°C", source="bed"),
    InputQuantity("difference of temperatures", 0.0, 0.029, "°C", 2, "rectangular", "estimate"),
    InputQuantity("expansion", 11.5e-6, 1.2e-6, "1/°C", source="handbook"),
)


def gauge_length(
    standard: float, difference: float, delta_alpha: float, theta: float, delta_theta: float, alpha: float
) -> float:
    return standard + difference - standard * (delta_alpha * theta + alpha * delta_theta)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1 and table H.1: 32 nm; 16.7 degrees of freedom; k(99 %) = 2.92; U = 93 nm (k: memory)."""
    budget = uncertainty_budget(gauge_length, GAUGE, quantity="length", unit="nm", confidence=0.99)
    printed = {"standard's length": 25.0, "difference": 9.7, "difference of expansion": 2.9}
    for component in budget.components:
        expected = {**printed, "difference of temperatures": 16.6}.get(component.component, 0.0)
        assert abs(component.contribution) == pytest.approx(expected, abs=0.1)
    assert budget.value == pytest.approx(50_000_838.0, abs=0.5)
    assert round(budget.standard_uncertainty) == 32
    assert budget.effective_degrees_of_freedom == pytest.approx(16.7, abs=0.3)
    assert budget.coverage_factor == pytest.approx(2.92, abs=0.005)
    # The Guide multiplies the rounded 32 nm; from 31.7 nm it is 92.5 nm.
    assert budget.expanded_uncertainty == pytest.approx(93.0, abs=0.6)
    assert sum(c.share for c in budget.components) == pytest.approx(1.0)


def correlation_from_covariance(covariance: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """JCGM 100:2008, equation 14: standard uncertainties and correlation coefficients."""
    uncertainties = np.sqrt(np.diag(covariance))
    return uncertainties, np.asarray(covariance) / np.outer(uncertainties, uncertainties)


def impedance(volt: float, milliampere: float, phase: float) -> tuple[float, float, float]:
    ratio = volt / milliampere * 1000.0
    return ratio * math.cos(phase), ratio * math.sin(phase), ratio


def impedance_inputs() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    data = columns("gum_h2.csv", "V_volt", "I_mA", "phi_rad")
    return data.mean(axis=1), *correlation_from_covariance(np.cov(data) / data.shape[1])


def test_resistance_and_reactance() -> None:
    """JCGM 100:2008, H.2, table H.4: correlated inputs, three outputs, correlations (last digits from memory)."""
    means, spread, correlation = impedance_inputs()
    resistance, reactance, magnitude = impedance(*means)
    assert resistance == pytest.approx(127.732, abs=0.0005)
    assert reactance == pytest.approx(219.847, abs=0.0005)
    assert magnitude == pytest.approx(254.260, abs=0.0005)
    uncertainties, correlations = correlation_from_covariance(
        propagated_covariance(impedance, means, spread, correlation)
    )
    # The Guide prints 0.295 for the reactance; from its own data 0.29558.
    assert uncertainties == pytest.approx([0.071, 0.2955, 0.236], abs=0.0005)
    assert correlations[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.0005)


def test_correlated_inputs_of_one_sample_keep_its_degrees_of_freedom() -> None:
    """A combination of means of five simultaneous readings has four degrees of freedom (JCGM 100:2008, H.2.4)."""
    means, spread, correlation = impedance_inputs()
    inputs = [
        InputQuantity(name, value, u, degrees_of_freedom=4) for name, value, u in zip("VIp", means, spread, strict=True)
    ]
    budget = uncertainty_budget(
        lambda v, i, p: impedance(v, i, p)[0], inputs, quantity="R", unit="Ω", correlation=correlation
    )
    assert budget.effective_degrees_of_freedom == pytest.approx(4.0)
    assert budget.coverage_factor == pytest.approx(2.776, abs=0.0005)
    assert sum(c.share for c in budget.components) == pytest.approx(1.0)


def test_calibration_line_of_a_thermometer() -> None:
    """JCGM 100:2008, H.3: intercept, slope, their correlation, and the predicted correction at 30 °C (seen)."""
    temperature, correction = columns("gum_h3.csv", "t_k", "b_k")
    (slope, intercept), covariance = np.polyfit(temperature - 20.0, correction, 1, cov=True)
    spread, correlation = correlation_from_covariance(covariance)
    assert (intercept, slope) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.00218, abs=5e-6))
    assert spread == pytest.approx([0.00067, 0.0029], rel=0.02)
    assert correlation[0, 1] == pytest.approx(-0.930, abs=0.0005)
    predicted = uncertainty_budget(
        lambda b, a: a + b * (30.0 - 20.0),
        [
            InputQuantity("slope", slope, spread[0], "1", 9),
            InputQuantity("intercept", intercept, spread[1], "°C", 9),
        ],
        quantity="correction at 30 °C",
        unit="°C",
        correlation=correlation,
    )
    assert predicted.value == pytest.approx(-0.1494, abs=5e-5)
    assert predicted.standard_uncertainty == pytest.approx(0.0041, abs=5e-5)
    assert predicted.effective_degrees_of_freedom == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("degrees", "confidence", "printed"),
    [(1, 0.95, 12.71), (4, 0.95, 2.78), (9, 0.99, 3.25), (16, 0.99, 2.92), (20, 0.95, 2.09), (math.inf, 0.95, 1.960)],
)
def test_coverage_factors(degrees: float, confidence: float, printed: float) -> None:
    """JCGM 100:2008, table G.2 (from memory)."""
    assert coverage_factor(confidence, degrees) == pytest.approx(printed, abs=0.005)


def test_degrees_of_freedom_are_cut_to_a_whole_number() -> None:
    """JCGM 100:2008, G.4.1 note 1."""
    assert coverage_factor(0.95, 16.99) == coverage_factor(0.95, 16)
    assert coverage_factor(0.95, effective_degrees_of_freedom([1.0, 1.0], [9, 9])) == coverage_factor(0.95, 18)


def test_viscosity_through_temperature() -> None:
    """A model as the laboratory has it: ν = C·t with the bath's error through dlnν/dT; shares by hand."""
    inputs = [
        InputQuantity("constant", 0.1, 0.0002, "mm²/s²", source="certificate"),
        InputQuantity("time", 460.0, 0.23, "s", source="repeats"),
        InputQuantity("bath", 0.0, standard_from_half_width(0.02, "arcsine"), "K", source="bath's swing"),
    ]
    budget = uncertainty_budget(
        lambda c, t, d: c * t * (1.0 - 0.0436 * d), inputs, quantity="kinematic viscosity", unit="mm²/s"
    )
    relative = [0.0002 / 0.1, 0.23 / 460.0, 0.0436 * 0.02 / math.sqrt(2.0)]
    total = sum(part**2 for part in relative)
    assert budget.standard_uncertainty / budget.value == pytest.approx(math.sqrt(total), rel=1e-6)
    assert [c.share for c in budget.components] == pytest.approx([part**2 / total for part in relative], rel=1e-6)
    assert budget.interval == (
        pytest.approx(budget.value - budget.expanded_uncertainty),
        pytest.approx(budget.value + budget.expanded_uncertainty),
    )


@pytest.mark.parametrize(("first", "second", "degrees"), [(1.0, 1.0, (4, 9)), (2.0, 1.0, (5, math.inf))])
def test_budget_interval_holds_its_confidence(first: float, second: float, degrees: tuple[float, float]) -> None:
    """Simulated: 95 % of the intervals hold the true value (Monte Carlo error 0.3 %, Welch-Satterthwaite about 1 %)."""
    generator = np.random.default_rng(20)
    trials = 4000
    held = 0
    for _ in range(trials):
        inputs = []
        for true_u, nu in zip((first, second), degrees, strict=True):
            u = true_u * math.sqrt(generator.chisquare(nu) / nu) if math.isfinite(nu) else true_u
            inputs.append(InputQuantity("x", true_u * generator.standard_normal(), u, degrees_of_freedom=nu))
        lower, upper = uncertainty_budget(lambda a, b: a + b, inputs, quantity="y", unit="").interval
        held += lower <= 0.0 <= upper
    assert held / trials == pytest.approx(0.955, abs=0.012)


def test_full_correlation_adds_or_cancels() -> None:
    """JCGM 100:2008, 5.2.2 note 1: with r = 1 the uncertainty is the linear sum."""
    together = [[1.0, 1.0], [1.0, 1.0]]
    assert propagated_uncertainty(lambda a, b: a + b, [1.0, 2.0], [0.3, 0.4], together) == pytest.approx(0.7)
    assert propagated_uncertainty(lambda a, b: a - b, [1.0, 2.0], [0.3, 0.4], together) == pytest.approx(0.1)


def test_an_input_of_zero_is_stepped_by_its_uncertainty() -> None:
    slope = sensitivities(lambda x: np.sin(1e6 * x), [0.0], [1e-9])
    assert slope == pytest.approx([1e6], rel=1e-9)


def test_an_unknown_uncertainty_stays_unknown() -> None:
    inputs = [InputQuantity("a", 1.0, 0.1), InputQuantity("b", 1.0, math.nan)]
    budget = uncertainty_budget(lambda a, b: a + b, inputs, quantity="y", unit="")
    assert math.isnan(budget.standard_uncertainty)
    assert math.isnan(budget.expanded_uncertainty)


@pytest.mark.parametrize(
    ("correlation", "message"),
    [
        ([[1.0, 0.5]], r"shape \(1, 2\): 2 × 2 was expected"),
        ([[1.0, 0.5], [0.4, 1.0]], "symmetric with 1 on its diagonal"),
        ([[1.0, 1.5], [1.5, 1.0]], "no inputs can be correlated so"),
    ],
)
def test_what_is_no_correlation_is_refused(correlation: list[list[float]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        propagated_uncertainty(lambda a, b: a + b, [1.0, 1.0], [0.1, 0.1], correlation)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="2 values, but 1 uncertainties"):
        propagated_uncertainty(lambda a, b: a + b, [1.0, 1.0], [0.1])
    with pytest.raises(ValueError, match=r"uncertainty -0.1 is negative"):
        propagated_uncertainty(lambda a: a, [1.0], [-0.1])
    with pytest.raises(ValueError, match="confidence 95: more than 0 and less than 1"):
        coverage_factor(95.0)
    with pytest.raises(ValueError, match="distribution 'u-shaped': one of rectangular, triangular, arcsine"):
        standard_from_half_width(1.0, "u-shaped")  # type: ignore[arg-type]


@pytest.mark.parametrize("confidence", [-0.1, 0.0, 1.0, 1.5])
def test_a_confidence_lies_between_nothing_and_certainty(confidence: float) -> None:
    with pytest.raises(ValueError, match="more than 0 and less than 1 was expected"):
        coverage_factor(confidence)


def test_degrees_of_freedom_below_one_count_as_one() -> None:
    """JCGM 100:2008, table G.2 (memory): one degree of freedom is the fewest, 12.71."""
    assert coverage_factor(0.95, 0.4) == pytest.approx(12.706, abs=5e-4)
    assert effective_degrees_of_freedom([3.0, 4.0], [math.inf, math.inf]) == math.inf
    assert effective_degrees_of_freedom([3.0, 4.0], [math.inf, 8.0]) == pytest.approx(25.0**2 / (256.0 / 8.0))


def test_a_line_of_a_budget_says_what_it_was_given() -> None:
    """By hand: y = 2 a - 3 b at a = 5 ± 0.2 and b = 4 ± 0.1: contributions 0.4 and -0.3, u = 0.5."""
    inputs = (
        InputQuantity("a", 5.0, 0.2, "s", 9.0, "rectangular", "clock"),
        InputQuantity("b", 4.0, 0.1, "m", source="rule"),
    )
    found = uncertainty_budget(lambda a, b: 2.0 * a - 3.0 * b, inputs, quantity="y", unit="kg", confidence=0.9)
    assert (found.quantity, found.unit, found.value, found.confidence) == ("y", "kg", -2.0, 0.9)
    assert found.standard_uncertainty == pytest.approx(0.5, rel=1e-8)
    assert found.effective_degrees_of_freedom == pytest.approx(0.5**4 / (0.4**4 / 9.0), rel=1e-6)
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.95, 21)), "21.97 cut to 21"
    assert found.expanded_uncertainty == pytest.approx(0.5 * found.coverage_factor, rel=1e-8)
    first, second = found.components
    assert (first.component, first.value, first.standard_uncertainty, first.unit, first.source) == (
        *("a", 5.0, 0.2, "s", "clock"),
    )
    assert (first.sensitivity, first.contribution, first.share) == pytest.approx((2.0, 0.4, 0.64), rel=1e-7)
    assert (second.sensitivity, second.contribution, second.share) == pytest.approx((-3.0, -0.3, 0.36), rel=1e-7)
    assert (first.degrees_of_freedom, second.degrees_of_freedom) == (9.0, math.inf)


def test_inputs_that_hang_together_through_a_third_are_one_group() -> None:
    """By hand: a with b and b with c correlated, d alone: √(1 + 1 + 1 + 2·0.5 + 2·0.5) with 5 degrees, 2 with 7."""
    correlation = np.eye(4)
    correlation[[0, 1, 1, 2], [1, 0, 2, 1]] = 0.5
    inputs = [
        InputQuantity(name, 1.0, u, degrees_of_freedom=degrees)
        for name, u, degrees in (("a", 1.0, 5.0), ("b", 1.0, 60.0), ("c", 1.0, 9.0), ("d", 2.0, 7.0))
    ]
    found = uncertainty_budget(lambda *x: sum(x), inputs, quantity="y", unit="", correlation=correlation)
    assert found.standard_uncertainty == pytest.approx(3.0, rel=1e-8)
    assert found.effective_degrees_of_freedom == pytest.approx(9.0**2 / (5.0**2 / 5.0 + 2.0**4 / 7.0), rel=1e-6)
    assert [one.share for one in found.components] == pytest.approx([1.5 / 9.0, 2.0 / 9.0, 1.5 / 9.0, 4.0 / 9.0])


def test_a_budget_of_nothing_uncertain() -> None:
    found = uncertainty_budget(lambda a: a, [InputQuantity("a", 1.0, 0.0)], quantity="y", unit="")
    assert (found.standard_uncertainty, found.components[0].share) == (0.0, 0.0)
    assert found.effective_degrees_of_freedom == math.inf


def test_half_widths() -> None:
    """JCGM 100:2008, 4.3.7 and 4.3.9 (a/√3, a/√6), JCGM 101:2008, 6.4.6 (a/√2)."""
    found = [standard_from_half_width(6.0, shape) for shape in ("rectangular", "triangular", "arcsine")]  # type: ignore[arg-type]
    assert [36.0 / one**2 for one in found] == pytest.approx([3.0, 6.0, 2.0])


def test_a_printed_matrix_may_miss_by_its_last_digit() -> None:
    """Three correlations of 0.9999, 0.9999 and 0.999: an eigenvalue of -0.0003; the variance doesn't fall below 0."""
    close = [[1.0, 0.9999, 0.999], [0.9999, 1.0, 0.9999], [0.999, 0.9999, 1.0]]
    assert -1e-3 < np.linalg.eigvalsh(close)[0] < 0.0
    assert propagated_uncertainty(lambda a, b, c: a - 2.0 * b + c, [1.0] * 3, [1.0] * 3, close) == 0.0
    with pytest.raises(ValueError, match="symmetric with 1 on its diagonal"):
        propagated_uncertainty(lambda a, b: a + b, [1.0] * 2, [1.0] * 2, [[1.0, 0.0], [0.0, 0.9]])


def test_steps_and_covariances_of_what_has_no_spread() -> None:
    assert sensitivities(lambda x, y: np.sin(x) + y**2, [0.0, 3.0]) == pytest.approx([1.0, 6.0], rel=1e-8)
    assert sensitivities(lambda x: x**2, [3.0], [math.nan]) == pytest.approx([6.0], rel=1e-8)
