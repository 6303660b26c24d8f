"""First-order propagation of uncertainty: budgets of models, and the tests' own way through covariances."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics import InputQuantity
from tests.statistics.data import columns
from tests.statistics.propagation import budget_of_model, checked_correlation, propagated_covariance


def test_product_and_quotient() -> None:
    """JCGM 100:2008, 5.1.6: relative variances of a product of powers add up with the powers squared."""
    inputs = [InputQuantity("a", 3.0, 0.03), InputQuantity("b", 2.0, 0.04), InputQuantity("c", 5.0, 0.10)]
    found = budget_of_model(lambda a, b, c: a * b**2 / c, inputs)
    assert found.standard_uncertainty / 2.4 == pytest.approx(math.sqrt(0.01**2 + (2 * 0.02) ** 2 + 0.02**2), rel=1e-7)


def correlation_from_covariance(covariance: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """JCGM 100:2008, equation 14: standard uncertainties and correlation coefficients."""
    uncertainties = np.sqrt(np.diag(covariance))
    return uncertainties, np.asarray(covariance) / np.outer(uncertainties, uncertainties)


def impedance(volt: float, milliampere: float, phase: float) -> tuple[float, float, float]:
    ratio = volt / milliampere * 1000.0
    return ratio * math.cos(phase), ratio * math.sin(phase), ratio


def test_resistance_and_reactance() -> None:
    """JCGM 100:2008, H.2, table H.4: correlated inputs, three outputs, correlations (last digits from memory)."""
    data = columns("gum_h2.csv", "V_volt", "I_mA", "phi_rad")
    spread, correlation = correlation_from_covariance(np.cov(data) / data.shape[1])
    found = propagated_covariance(impedance, data.mean(axis=1), spread, correlation)  # type: ignore[arg-type]
    uncertainties, correlations = correlation_from_covariance(found)
    # The Guide prints 0.295 for the reactance; from its own data 0.29558.
    assert uncertainties == pytest.approx([0.071, 0.2955, 0.236], abs=0.0005)
    assert correlations[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.0005)


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
        checked_correlation(correlation, 2)
