"""Uncertainty budgets against the worked examples of the Guide (JCGM 100:2008, annex H)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import (
    InputQuantity,
    coverage_factor,
    effective_degrees_of_freedom,
    standard_from_half_width,
    uncertainty_budget,
)
from tests.statistics.propagation import budget_of_model

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
    """JCGM 100:2008, H.1 and table H.1: 32 nm; 16.7 degrees of freedom; k(99 %) = 2.92; U = 93 nm (k: memory).

    Contributions by H.1.3: 1 and 1 for the lengths, −l_s θ̄ and −l_s α_s for the differences, 0 for the rest.
    """
    slopes = np.array([1.0, 1.0, 50_000_623.0 * 0.1, 0.0, -50_000_623.0 * 11.5e-6, 0.0])
    contributions = slopes * [one.standard_uncertainty for one in GAUGE]
    assert np.abs(contributions) == pytest.approx([25.0, 9.7, 2.9, 0.0, 16.6, 0.0], abs=0.1)
    budget = uncertainty_budget(contributions, [one.degrees_of_freedom for one in GAUGE], confidence=0.99)
    assert round(budget.standard_uncertainty) == 32
    assert budget.effective_degrees_of_freedom == pytest.approx(16.7, abs=0.3)
    assert budget.coverage_factor == pytest.approx(2.92, abs=0.005)
    # The Guide multiplies the rounded 32 nm; from 31.7 nm it is 92.5 nm.
    assert budget.expanded_uncertainty == pytest.approx(93.0, abs=0.6)
    by_model = budget_of_model(gauge_length, GAUGE, confidence=0.99)
    assert by_model.expanded_uncertainty == pytest.approx(budget.expanded_uncertainty, rel=1e-3)


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
    """A model as the laboratory has it: ν = C·t with the bath's error through dlnν/dT, by hand."""
    inputs = [
        InputQuantity("constant", 0.1, 0.0002, "mm²/s²", source="certificate"),
        InputQuantity("time", 460.0, 0.23, "s", source="repeats"),
        InputQuantity("bath", 0.0, standard_from_half_width(0.02, "arcsine"), "K", source="bath's swing"),
    ]
    budget = budget_of_model(lambda c, t, d: c * t * (1.0 - 0.0436 * d), inputs)
    relative = [0.0002 / 0.1, 0.23 / 460.0, 0.0436 * 0.02 / math.sqrt(2.0)]
    assert budget.standard_uncertainty / 46.0 == pytest.approx(math.hypot(*relative), rel=1e-6)


@pytest.mark.parametrize(("first", "second", "degrees"), [(1.0, 1.0, (4, 9)), (2.0, 1.0, (5, math.inf))])
def test_budget_interval_holds_its_confidence(first: float, second: float, degrees: tuple[float, float]) -> None:
    """Simulated: 95 % of the intervals hold the true value (Monte Carlo error 0.3 %, Welch-Satterthwaite about 1 %)."""
    generator = np.random.default_rng(20)
    trials = 4000
    held = 0
    for _ in range(trials):
        off, uncertainties = 0.0, []
        for true_u, nu in zip((first, second), degrees, strict=True):
            uncertainties.append(true_u * math.sqrt(generator.chisquare(nu) / nu) if math.isfinite(nu) else true_u)
            off += true_u * generator.standard_normal()
        held += abs(off) <= uncertainty_budget(uncertainties, degrees).expanded_uncertainty
    assert held / trials == pytest.approx(0.955, abs=0.012)


def test_an_unknown_uncertainty_stays_unknown() -> None:
    budget = uncertainty_budget([0.1, math.nan], [math.inf, math.inf])
    assert math.isnan(budget.standard_uncertainty)
    assert math.isnan(budget.expanded_uncertainty)


def test_refusals() -> None:
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


def test_a_budget_by_hand() -> None:
    """By hand: y = 2 a - 3 b at a = 5 ± 0.2 and b = 4 ± 0.1: contributions 0.4 and -0.3, u = 0.5."""
    found = uncertainty_budget([0.4, -0.3], [9.0, math.inf], confidence=0.9)
    assert found.standard_uncertainty == pytest.approx(0.5, rel=1e-8)
    assert found.effective_degrees_of_freedom == pytest.approx(0.5**4 / (0.4**4 / 9.0), rel=1e-6)
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.95, 21)), "21.97 cut to 21"
    assert found.expanded_uncertainty == pytest.approx(0.5 * found.coverage_factor, rel=1e-8)


def test_a_budget_of_nothing_uncertain() -> None:
    found = uncertainty_budget([0.0], [math.inf])
    assert (found.standard_uncertainty, found.expanded_uncertainty) == (0.0, 0.0)
    assert found.effective_degrees_of_freedom == math.inf


def test_half_widths() -> None:
    """JCGM 100:2008, 4.3.7 and 4.3.9 (a/√3, a/√6), JCGM 101:2008, 6.4.6 (a/√2)."""
    found = [standard_from_half_width(6.0, shape) for shape in ("rectangular", "triangular", "arcsine")]  # type: ignore[arg-type]
    assert [36.0 / one**2 for one in found] == pytest.approx([3.0, 6.0, 2.0])
