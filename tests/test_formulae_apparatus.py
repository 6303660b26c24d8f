"""Capillary, oscillating tube, water and air: derivations, independent equations, ends of ranges."""

from __future__ import annotations

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import OutOfRangeError


def cipm_2007(t: float, p: float, h: float) -> float:
    """Return the density of moist air by the full equation: Picard et al., Metrologia 45 (2008) 149, 0.04 % of CO₂.

    t in °C, p in Pa, h from 0 to 1; constants of its tables, from memory.
    """
    T = t + 273.15
    saturated = np.exp(1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)
    x = h * (1.00062 + 3.14e-8 * p + 5.6e-7 * t**2) * saturated / p
    a = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x**2
    )
    Z = 1.0 - p / T * a + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    return float(p * 28.96546e-3 / (Z * 8.314472 * T) * (1.0 - x * (1.0 - 18.01528e-3 / 28.96546e-3)))


@pytest.mark.parametrize("t", [0.0, 15.0, 20.0, 40.0])
def test_dry_air_against_the_full_equation(t: float) -> None:
    """The equation CIPM-2007, written out above, for no humidity."""
    assert formulae.dry_air_density(t) == pytest.approx(cipm_2007(t, 101325.0, 0.0), rel=5e-4)
    assert formulae.dry_air_density(t, 500.0) == pytest.approx(float(formulae.dry_air_density(t)) * 500.0 / 1013.25)


@pytest.mark.parametrize(
    "refused",
    [
        lambda: formulae.dry_air_density(151.0),
        lambda: formulae.dry_air_density(20.0, 760.0 * 101325.0),
        lambda: formulae.water_density(40.1),
        lambda: formulae.water_density(-0.1),
    ],
)
def test_refusals_of_water_and_air(refused: object) -> None:
    with pytest.raises(OutOfRangeError):
        refused()  # type: ignore[operator]


def test_derivation_tube_reads_its_own_adjustment() -> None:
    tube = formulae.adjust_oscillating_tube(2550.0, 1.2045, [3850.0, 3851.0], 998.207)
    np.testing.assert_allclose(tube.density(2550.0), 1.2045, rtol=1e-11)
    np.testing.assert_allclose(tube.density([3850.0, 3851.0]), 998.207, rtol=1e-13)


def test_derivation_what_wrong_air_and_wrong_water_do_to_an_oil() -> None:
    """An error of the air goes to an oil by 1 − ρ/ρ_w, one of the water by ρ/ρ_w: 0.13 and 0.87 near 870 kg/m³."""
    right = formulae.adjust_oscillating_tube(2550.0, 1.2, 3850.0, 998.2)
    period = np.sqrt((870.0 + right.B) / right.A)
    wrong_air = formulae.adjust_oscillating_tube(2550.0, 1.26, 3850.0, 998.2)
    wrong_water = formulae.adjust_oscillating_tube(2550.0, 1.2, 3850.0, 998.3)
    assert wrong_air.density(period) - 870.0 == pytest.approx(0.06 * (1.0 - 868.8 / 997.0), rel=1e-6)
    assert wrong_water.density(period) - 870.0 == pytest.approx(0.1 * 868.8 / 997.0, rel=1e-6)


def test_air_and_water_exchanged_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"period with water 2550 µs .* are the two exchanged\?"):
        formulae.adjust_oscillating_tube(3850.0, 1.2, 2550.0, 998.2)


@pytest.mark.parametrize(("flow_time_s", "allowed"), [(200.0, True), (199.9, False), (250.0, True)])
def test_shortest_flow_time(flow_time_s: float, allowed: bool) -> None:
    """ASTM D445-11a, 10.2: 200 s; ASTM D446 asks more of the finest sizes."""
    if allowed:
        assert formulae.viscosity_from_flow_time(flow_time_s, 0.01) == pytest.approx(0.01 * flow_time_s)
    else:
        with pytest.raises(OutOfRangeError, match=r"flow time 199\.9 s .*finer capillary"):
            formulae.viscosity_from_flow_time(flow_time_s, 0.01)
    with pytest.raises(OutOfRangeError, match=r"\(300 s or more\)"):
        formulae.viscosity_from_flow_time(flow_time_s, 0.01, shortest_s=300.0)


def test_a_flow_that_its_kinetic_energy_eats_up_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"viscosity -1 mm²/s .* \(more than 0 mm²/s\): the term of kinetic"):
        formulae.viscosity_from_flow_time(200.0, 0.01, 120_000.0)


def test_derivation_kinetic_energy() -> None:
    """A head lost of m v²/2g with m = 0.037 √Re, in consistent units, gives the factor of the standard within 2 %."""
    V, L, d, C, t = 5.7, 9.0, 0.063, 0.01, 180.0  # mL, cm, cm, mm²/s², s
    nu = C * t * 0.01  # cm²/s
    v = V / t / (np.pi * d**2 / 4.0)
    m = 0.037 * np.sqrt(v * d / nu)
    lost = 100.0 * m * V / (8.0 * np.pi * L * t)  # the kinetic term in mm²/s: m V / (8 π L t), from cm²/s
    E = formulae.kinetic_energy_factor(V, L, d, C)
    assert E / t**2 == pytest.approx(lost, rel=0.02)
