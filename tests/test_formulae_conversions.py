"""Saybolt, Engler, Redwood, molar mass, gravity constants: there and back, ends of ranges, sensitivities."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae._roots import bracketed_root

WIDE = np.geomspace(1.81, 1e5, 200)


@pytest.mark.parametrize("at_C", [-10.0, 37.77777777777778, 98.88888888888889, 150.0])
def test_saybolt_universal_there_and_back(at_C: float) -> None:
    seconds = formulae.saybolt_universal_from_kinematic(WIDE, at_C)
    np.testing.assert_allclose(formulae.kinematic_from_saybolt_universal(seconds, at_C), WIDE, rtol=2e-14)
    assert np.all(np.diff(seconds) > 0.0)


@pytest.mark.parametrize(("at_F", "lowest"), [(122, 48.0), (210, 50.0)])
def test_saybolt_furol_there_and_back(at_F: int, lowest: float) -> None:
    nu = np.geomspace(lowest, 1e5, 200)
    seconds = formulae.saybolt_furol_from_kinematic(nu, at_F=at_F)
    np.testing.assert_allclose(formulae.kinematic_from_saybolt_furol(seconds, at_F=at_F), nu, rtol=2e-14)
    assert np.all(np.diff(seconds) > 0.0)
    with pytest.raises(OutOfRangeError, match=f"kinematic viscosity at {at_F} °F"):
        formulae.saybolt_furol_from_kinematic(lowest - 0.001, at_F=at_F)
    with pytest.raises(OutOfRangeError, match=f"Saybolt Furol viscosity at {at_F} °F"):
        formulae.kinematic_from_saybolt_furol(seconds[0] - 0.001, at_F=at_F)


@pytest.mark.parametrize(
    ("nu", "universal", "furol_122", "furol_210"),
    [
        (50.0, 232.550890, 26.033606, 25.171663),
        (100.0, 463.462559, 48.626943, 48.382490),
        (300.0, 1389.743118, 141.695557, 143.820892),
    ],
)
def test_saybolt_equations_by_hand(nu: float, universal: float, furol_122: float, furol_210: float) -> None:
    """ASTM D2161-05, the equations worked out by hand for three viscosities, e.g. 0.4792 × 50 + 5610 / (50² + 2130)."""
    assert formulae.saybolt_universal_from_kinematic(nu) == pytest.approx(universal, abs=6e-7)
    assert formulae.saybolt_furol_from_kinematic(nu) == pytest.approx(furol_122, abs=6e-7)
    assert formulae.saybolt_furol_from_kinematic(nu, at_F=210) == pytest.approx(furol_210, abs=6e-7)


@pytest.mark.parametrize(("at_F", "factor"), [(122, 0.4717), (210, 0.4792)])
def test_furol_above_1300_is_a_factor(at_F: int, factor: float) -> None:
    """ASTM D2161-05 gives 0.4717 and 0.4792 times the viscosity above 1300 mm²/s."""
    seconds = formulae.saybolt_furol_from_kinematic([1300.1, 5000.0], at_F=at_F)
    np.testing.assert_allclose(seconds, factor * np.array([1300.1, 5000.0]), atol=0.01)


def test_furol_exists_at_two_temperatures_only() -> None:
    with pytest.raises(ValueError, match="100 °F: ASTM D2161 gives Saybolt Furol viscosity at 122 °F and 210 °F"):
        formulae.saybolt_furol_from_kinematic(300.0, at_F=100)


def test_universal_seconds_below_the_table_are_refused() -> None:
    """ASTM D2161, table 1: begins with 32.0 s at 1.81 mm²/s; half a unit of it is 0.015 mm²/s."""
    assert formulae.kinematic_from_saybolt_universal(32.0) == pytest.approx(1.81, abs=0.015)
    with pytest.raises(OutOfRangeError, match=r"Saybolt Universal viscosity at 100 °F 31\.9 s"):
        formulae.kinematic_from_saybolt_universal(31.9)


@pytest.mark.parametrize(
    ("there", "back", "lowest"),
    [
        (formulae.kinematic_from_engler, formulae.engler_from_kinematic, 1.5),
        (formulae.kinematic_from_redwood, formulae.redwood_from_kinematic, 38.0),
    ],
)
def test_derivation_legacy_scales_there_and_back(there: object, back: object, lowest: float) -> None:
    values = np.concatenate([[lowest, 99.0, 100.0], np.geomspace(101.0, 5000.0, 50)])
    np.testing.assert_allclose(back(there(values)), values, rtol=1e-12)  # type: ignore[operator]
    with pytest.raises(OutOfRangeError, match="worse than 5 %"):
        there(0.99 * lowest)  # type: ignore[operator]
    with pytest.raises(OutOfRangeError, match="worse than 5 %"):
        back(0.99 * there(lowest))  # type: ignore[operator]


def test_redwood_equations_meet_within_a_thousandth() -> None:
    below, above = formulae.kinematic_from_redwood([100.0, 100.0000001])
    assert above == pytest.approx(below, rel=1e-3)


def test_derivation_viscosities_of_the_fahrenheit_pair() -> None:
    """ASTM D341: at 100 °F and 210 °F on the line, without a warning for the 2.2 K below 40 °C."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warm, hot = formulae.viscosities_at_100F_and_210F([73.30, 22.83], [8.86, 5.05])
    line = formulae.fit_viscosity_temperature(
        [(100.0 - 32.0) / 1.8, (210.0 - 32.0) / 1.8], np.stack([warm, hot], axis=-1)
    )
    np.testing.assert_allclose(line.kinematic_viscosity_at(40.0), [73.30, 22.83], rtol=1e-12)


def test_molecular_mass_keeps_to_its_range() -> None:
    """API Technical Data Book, 2B2.3: 200 to 800 (from memory)."""
    with pytest.raises(OutOfRangeError, match=r"relative molecular mass .* \(200 to 800\).*Riazi and Daubert"):
        formulae.relative_molecular_mass(2.0, 0.9, 0.78)
    with pytest.raises(OutOfRangeError, match=r"at 100 °F 55\.1 .*more than 60 mm²/s.*falls with temperature"):
        formulae.relative_molecular_mass(55.1, 60.0, 0.88)
    paraffinic = formulae.relative_molecular_mass(55.1, 5.87, 0.88)
    assert paraffinic > formulae.relative_molecular_mass(55.1, 5.87, 0.92)


def test_roots_of_many_equations() -> None:
    """Property: the cube roots, found between ends near and far; none where the signs agree; NaN stays NaN."""
    cubes = np.array([1e-3, 1.0, 27.0, 1e6, -8.0, np.nan])
    roots = bracketed_root(lambda x: x**3 - cubes, np.zeros(6), np.full(6, 1e3))
    np.testing.assert_allclose(roots, [0.1, 1.0, 3.0, 100.0, np.nan, np.nan], rtol=2e-14)


def test_roots_of_a_kink_are_found() -> None:
    """Property: a million billion times steeper on one side of the root than on the other."""
    roots = bracketed_root(lambda x: np.where(x < 0.3, 1e-3, 1e18) * (0.3 - x), np.zeros(2), np.array([1.0, 0.7]))
    np.testing.assert_allclose(roots, 0.3, rtol=1e-13)
