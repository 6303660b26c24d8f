"""First-order propagation of uncertainty."""

from __future__ import annotations

import math

import pytest

from labcalc.statistics import propagated_uncertainty


def test_end_gauge_calibration() -> None:
    """JCGM 100:2008, H.1 (inputs from memory): length of an end gauge, combined standard uncertainty 32 nm.

    Inputs as the example states them: standard 25 nm, comparison 9.7 nm, expansion of the gauge (known to 1e-6 per
    kelvin times a uniform deviation) through the difference of coefficients 2.9 nm and of temperatures 16.6 nm.
    """
    length_nm, alpha = 50_000_623.0, 11.5e-6

    def gauge(standard: float, difference: float, delta_alpha: float, theta: float, delta_theta: float) -> float:
        return standard + difference - standard * (delta_alpha * theta + alpha * delta_theta)

    uncertainty = propagated_uncertainty(gauge, [length_nm, 215.0, 0.0, -0.1, 0.0], [25.0, 9.7, 0.58e-6, 0.41, 0.0289])
    assert uncertainty == pytest.approx(32.0, abs=0.5)


def test_product_and_quotient() -> None:
    """JCGM 100:2008, 5.1.6: relative variances of a product of powers add up with the powers squared."""
    uncertainty = propagated_uncertainty(lambda a, b, c: a * b**2 / c, [3.0, 2.0, 5.0], [0.03, 0.04, 0.10])
    assert uncertainty / 2.4 == pytest.approx(math.sqrt(0.01**2 + (2 * 0.02) ** 2 + 0.02**2), rel=1e-7)


def test_an_unknown_input_leaves_the_output_unknown() -> None:
    assert math.isnan(propagated_uncertainty(lambda a, b: a + b, [1.0, 2.0], [0.1, math.nan]))
