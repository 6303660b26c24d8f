"""Viscosity formulas: definition points, whole numbers, both ends of every range and the step just outside."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, strategies as st

from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae import (
    api_gravity,
    density_at,
    density_from_relative_density,
    estimate_viscosity_temperature,
    fit_viscosity_temperature,
    reported_viscosity_index,
    saybolt_universal_from_kinematic,
    viscosity_from_ordinate,
    viscosity_grade,
    viscosity_gravity_constant_40C,
    viscosity_gravity_constant_100C,
    viscosity_index,
    walther_ordinate,
)
from labcalc.formulae._tables import published_table

TABLE = published_table("viscosity_index_basis.csv")


def test_index_is_0_and_100_at_the_reference_oils_of_every_row() -> None:
    """ASTM D2270-10(2016): by definition, on each of the 311 rows of table 1."""
    Y, L, H = TABLE["kv_100"], TABLE["L"], TABLE["H"]
    np.testing.assert_array_equal(viscosity_index(L, Y), 0.0)
    np.testing.assert_array_equal(viscosity_index(H, Y), 100.0)
    np.testing.assert_array_equal(reported_viscosity_index(viscosity_index(H, Y)), 100.0)


def test_index_is_interpolated_linearly_between_rows() -> None:
    Y = np.linspace(2.0, 70.0, 20_001)
    L, H = (np.interp(Y, TABLE["kv_100"], TABLE[column]) for column in "LH")
    U = 0.5 * (L + H)
    np.testing.assert_allclose(viscosity_index(U, Y), 50.0, rtol=1e-11)


def test_table_holds_at_70_and_equations_above() -> None:
    """Clause 5: the table up to and including 70 mm²/s, where the equation would give 4903.87 instead of 4905."""
    assert viscosity_index(4905.0, 70.0) == 0.0
    above = 70.001
    L, H = 0.8353 * above**2 + 14.67 * above - 216.0, 0.1684 * above**2 + 11.85 * above - 97.0
    np.testing.assert_allclose(viscosity_index([L, H], above), [0.0, 100.0], atol=1e-9)


def test_procedures_meet_at_100() -> None:
    H = float(TABLE["H"][50])
    np.testing.assert_allclose(
        viscosity_index(H * (1.0 + np.array([-1e-9, 1e-9])), TABLE["kv_100"][50]), 100.0, atol=1e-5
    )


def test_index_may_be_negative() -> None:
    assert viscosity_index(1.2 * TABLE["L"][50], TABLE["kv_100"][50]) < 0.0


def test_index_is_not_defined_below_2() -> None:
    """Clause 5.1.1; 2.0 itself belongs to the range, also with dust of binary arithmetic on it."""
    assert viscosity_index(6.394, 2.0) == 100.0
    assert reported_viscosity_index(viscosity_index(6.394, 2.0 * (1.0 - 1e-15))) == 100.0
    message = "kinematic viscosity at 100 °C 1.99 mm²/s is outside its range (2 mm²/s or more)"
    with pytest.raises(OutOfRangeError, match=re.escape(message)) as refusal:
        viscosity_index([6.0, 6.0], [2.0, 1.99])
    assert (refusal.value.value, refusal.value.lowest, refusal.value.unit) == (1.99, 2.0, "mm²/s")


@pytest.mark.parametrize("kv_40", [8.86, 5.0, 0.0, -1.0, np.inf])
def test_exchanged_or_impossible_viscosities_are_refused(kv_40: float) -> None:
    with pytest.raises(OutOfRangeError, match="kinematic viscosity at 40 °C"):
        viscosity_index(kv_40, 8.86)


def test_reported_index_rounds_halves_to_even() -> None:
    """ASTM E29: 89.5 and 90.5 both give 90; a half that misses by dust is still a half."""
    given_, expected = (
        [89.5, 90.5, 90.5 + 1e-11, 90.5 - 1e-11, 90.500001, 100.0, -0.5, -1.5],
        [90, 90, 90, 90, 91, 100, 0, -2],
    )
    np.testing.assert_array_equal(reported_viscosity_index(given_), expected)


@pytest.mark.parametrize(("nu", "Z"), [(0.21, 1.062759), (0.5, 1.280661), (1.65, 2.352755), (3.0, 3.700009)])
@pytest.mark.regression
def test_ordinate_of_thin_liquids(nu: float, Z: float) -> None:
    assert 10.0**10.0 ** walther_ordinate(nu) == pytest.approx(Z, abs=5e-7)


@pytest.mark.parametrize("nu", [7.0, 73.3, 1e4, 2e7])
def test_ordinate_of_thick_liquids_is_the_plain_one(nu: float) -> None:
    """ASTM D341: above 2 mm²/s log log (ν + 0.7); from 7 mm²/s on the other term is below a double's last place."""
    assert walther_ordinate(nu) == pytest.approx(np.log10(np.log10(nu + 0.7)), rel=1e-14)


def test_inverse_stays_near_the_standards_own_expression() -> None:
    """ASTM D341's closed inverse is stated as an approximation; the exact one lies within 0.03 % of it."""
    nu = np.geomspace(0.21, 100.0, 500)
    x = 10.0**10.0 ** walther_ordinate(nu) - 0.7
    closed = x - np.exp(-0.7487 - 3.295 * x + 0.6119 * x**2 - 0.3193 * x**3)
    np.testing.assert_allclose(viscosity_from_ordinate(walther_ordinate(nu)), closed, rtol=3e-4)


@given(st.floats(np.log(0.21), np.log(2e7)))
def test_ordinate_and_back(logarithm: float) -> None:
    nu = min(max(float(np.exp(logarithm)), 0.21), 2e7)
    assert viscosity_from_ordinate(walther_ordinate(nu)) == pytest.approx(nu, rel=1e-12)


def test_thin_liquids_come_back_to_the_last_digits() -> None:
    """Derivation: there and back by two ways, W and the natural logarithms of the fits, through the term that fades."""
    nu = np.geomspace(0.21, 9.0, 2000)
    np.testing.assert_allclose(viscosity_from_ordinate(walther_ordinate(nu)), nu, rtol=4e-15)
    nu = nu[1:]
    lines = fit_viscosity_temperature([20.0, 60.0], np.stack([nu, 0.21 + 0.3 * (nu - 0.21)], axis=-1))
    np.testing.assert_allclose(lines.residuals_percent, 0.0, atol=2e-12)


@pytest.mark.parametrize("nu", [0.2099, 2.0001e7, 0.0, -1.0, np.inf])
def test_viscosity_outside_the_chart_is_refused(nu: float) -> None:
    assert np.isfinite(walther_ordinate([0.21, 2e7])).all()
    with pytest.raises(OutOfRangeError, match=r"0\.21 to 20000000 mm²/s"):
        walther_ordinate(nu)
    with pytest.raises(OutOfRangeError, match=r"0\.21 to 20000000 mm²/s"):
        fit_viscosity_temperature([40.0, 100.0], [nu, 9.0])


@pytest.mark.parametrize("ordinate", [-1.59, 0.8635, 3.0])
def test_ordinate_outside_the_chart_is_refused(ordinate: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"0\.21 to 20000000 mm²/s"):
        viscosity_from_ordinate(ordinate)


@pytest.mark.regression
@pytest.mark.parametrize(
    ("pair", "A", "B", "values"),
    [
        ((73.30, 8.86), 9.458393, 3.680946, (12292.7, 1233.07, 240.981, 30.0826, 15.1804, 5.7421, 3.4417)),
        ((22.83, 5.05), 8.549530, 3.370645, (643.894, 148.626, 50.983, 12.2803, 7.5162, 3.6359, 2.4420)),
        ((1.50, 0.80), 8.188022, 3.466813, (4.5207, 2.8597, 2.0007, 1.1795, 0.9593, 0.6803, 0.5493)),
    ],
)
def test_two_point_lines(pair: tuple[float, float], A: float, B: float, values: tuple[float, ...]) -> None:
    """Values of a separate implementation of the equations of ASTM D341."""
    line = fit_viscosity_temperature([40.0, 100.0], pair)
    assert (line.intercept, line.slope) == (pytest.approx(A, abs=5e-7), pytest.approx(B, abs=5e-7))
    with pytest.warns(ExtrapolationWarning):
        computed = line.kinematic_viscosity_at([-20.0, 0.0, 20.0, 60.0, 80.0, 120.0, 150.0], extrapolate=True)
    np.testing.assert_allclose(computed, values, rtol=2e-4)


@given(st.floats(10.0, 1000.0), st.floats(1.5, 6.0))
def test_line_goes_through_its_points_and_back(kv_40: float, kv_100: float) -> None:
    line = fit_viscosity_temperature([40.0, 100.0], [kv_40, kv_100])
    np.testing.assert_allclose(line.kinematic_viscosity_at([40.0, 100.0]), [kv_40, kv_100], rtol=1e-11)
    np.testing.assert_allclose(line.residuals_percent, 0.0, atol=1e-9)
    assert line.temperature_at(line.kinematic_viscosity_at(60.0)) == pytest.approx(60.0, abs=1e-9)
    step = 1e-3
    around = np.log(line.kinematic_viscosity_at([60.0 - step, 60.0 + step]))
    assert line.relative_slope_at(60.0) == pytest.approx(float(np.diff(around)[0]) / (2.0 * step), rel=1e-6)


def test_more_points_give_the_least_squares_of_numpy() -> None:
    temperature = np.array([20.0, 40.0, 40.0, 60.0, 80.0, 100.0])
    viscosity = np.array([241.0, 73.1, 73.4, 30.2, 15.1, 8.88])
    line = fit_viscosity_temperature(temperature, viscosity)
    slope, intercept = np.polyfit(np.log10(temperature + 273.15), walther_ordinate(viscosity), 1)
    assert (line.slope, line.intercept) == (pytest.approx(-slope, rel=1e-10), pytest.approx(intercept, rel=1e-10))
    expected = 100.0 * (line.kinematic_viscosity_at(temperature) / viscosity - 1.0)
    np.testing.assert_allclose(line.residuals_percent, expected, rtol=1e-9)
    assert (line.lowest_C, line.highest_C, line.number_of_points) == (20.0, 100.0, 6)


def thousands_of_oils() -> tuple[np.ndarray, np.ndarray]:
    """Return five temperatures and the results of 3 × 9 000 oils at them, with 1 % of scatter."""
    rng, temperature = np.random.default_rng(12), np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    slope = rng.uniform(3.0, 4.2, (3, 9000, 1))
    intercept = np.log10(np.log10(rng.uniform(5.0, 1000.0, slope.shape))) + slope * np.log10(313.15)
    line = 10.0**10.0 ** (intercept - slope * np.log10(temperature + 273.15))
    return temperature, line * rng.normal(1.0, 0.01, line.shape)


def test_thousands_of_oils_give_the_least_squares_of_numpy() -> None:
    """Also of oils far from each other in the array; one result that lacks leaves its own oil without a line only."""
    temperature, viscosity = thousands_of_oils()
    slope, intercept = np.polyfit(np.log10(temperature + 273.15), walther_ordinate(viscosity).reshape(-1, 5).T, 1)
    viscosity[1, 7, 2] = np.nan
    lines = fit_viscosity_temperature(temperature, viscosity)
    has_line = np.ones((3, 9000), dtype=bool)
    has_line[1, 7] = False
    np.testing.assert_array_equal(np.isfinite(lines.slope), has_line)
    np.testing.assert_allclose(lines.slope[has_line], -slope.reshape(3, 9000)[has_line], rtol=1e-11)
    np.testing.assert_allclose(lines.intercept[has_line], intercept.reshape(3, 9000)[has_line], rtol=1e-11)
    assert lines.lowest_C.shape == lines.highest_C.shape == (3, 9000)
    assert lines.residuals_percent.shape == (3, 9000, 5)


def test_each_of_thousands_of_oils_is_as_alone() -> None:
    """Derivation: temperatures of their own; one uncertainty for all, one for each oil, or one for each result."""
    rng, (near, viscosity) = np.random.default_rng(13), thousands_of_oils()
    temperature = near + rng.normal(0.0, 0.1, viscosity.shape)
    for percent in (0.4, rng.uniform(0.2, 2.0, (9000, 1)), rng.uniform(0.2, 2.0, viscosity.shape)):
        together = estimate_viscosity_temperature(temperature, viscosity, percent)
        for one in ((0, 0), (1, 4321), (2, 8999)):
            own = np.broadcast_to(percent, viscosity.shape)[one]
            alone = estimate_viscosity_temperature(temperature[one], viscosity[one], own)
            np.testing.assert_allclose(together.covariance[one], alone.covariance, rtol=1e-10)
            np.testing.assert_allclose(together.noise_percent[one], np.sqrt(np.mean(own**2)), rtol=1e-13)
            np.testing.assert_allclose(
                together.line.residuals_percent[one], alone.line.residuals_percent, rtol=1e-9, atol=1e-10
            )
            assert together.line.lowest_C[one] == temperature[one].min()


def test_the_first_wrong_result_among_thousands_is_refused() -> None:
    temperature, viscosity = thousands_of_oils()
    viscosity[2, 8999, 0], viscosity[2, 8999, 4] = 3e7, 0.1
    with pytest.raises(OutOfRangeError, match="kinematic viscosity 30000000 mm²/s"):
        fit_viscosity_temperature(temperature, viscosity)


def test_measured_crude_lies_on_its_line() -> None:
    """Public oil records (record AD02570): a line through the two ends meets the points between within 0.05 %."""
    line = fit_viscosity_temperature([20.0, 50.0], [10.3, 4.98])
    np.testing.assert_allclose(line.kinematic_viscosity_at([30.0, 40.0]), [7.85, 6.17], rtol=1e-3)


def test_many_oils_at_once() -> None:
    pairs = np.array([[[73.30, 8.86], [22.83, 5.05]], [[1.5, 0.8], [np.nan, 5.0]]])
    lines = fit_viscosity_temperature([40.0, 100.0], pairs)
    assert lines.slope.shape == (2, 2)
    assert lines.residuals_percent.shape == (2, 2, 2)
    assert np.isnan(lines.slope).tolist() == [[False, False], [False, True]]
    one = fit_viscosity_temperature([40.0, 100.0], [22.83, 5.05])
    assert lines.slope[0, 1] == pytest.approx(float(one.slope), rel=1e-14)
    assert lines.kinematic_viscosity_at(60.0)[0, 1] == pytest.approx(float(one.kinematic_viscosity_at(60.0)), rel=1e-12)
    assert fit_viscosity_temperature([40.0, 100.0], np.empty((0, 2))).slope.shape == (0,)


def test_outside_the_measured_interval() -> None:
    line = fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    message = "temperature 100.1 °C is outside its range (40 to 100 °C): outside the measured temperatures"
    with pytest.raises(OutOfRangeError, match=re.escape(message)):
        line.kinematic_viscosity_at([40.0, 100.0, 100.1])
    with pytest.raises(OutOfRangeError, match="outside the measured temperatures"):
        line.temperature_at(74.0)
    with pytest.warns(ExtrapolationWarning, match="39 °C is outside the measured 40 °C to 100 °C: extrapolated"):
        assert line.kinematic_viscosity_at(39.0, extrapolate=True) > 73.30
    with pytest.warns(ExtrapolationWarning), pytest.raises(OutOfRangeError, match="inf mm²/s"):
        line.kinematic_viscosity_at(-250.0, extrapolate=True)
    with pytest.warns(ExtrapolationWarning), pytest.raises(OutOfRangeError, match="absolute zero"):
        line.kinematic_viscosity_at(-273.15, extrapolate=True)


@pytest.mark.parametrize(("temperature", "viscosity"), [([40.0], [70.0]), ([40.0, 40.0], [70.0, 71.0]), ([], [])])
def test_one_temperature_gives_no_line(temperature: list[float], viscosity: list[float]) -> None:
    with pytest.raises(OutOfRangeError, match="needs two"):
        fit_viscosity_temperature(temperature, viscosity)


@pytest.mark.parametrize(
    ("kv_40", "grade"),
    [
        (1.979, "below VG 2"),
        (2.421, "between VG 2 and VG 3"),
        (38.0, "between VG 32 and VG 46"),
        (35.3, "between VG 32 and VG 46"),
        (35.2 * (1.0 + 1e-15), "VG 32"),
        (3521.0, "above VG 3200"),
    ],
)
def test_between_grades_lies_none(kv_40: float, grade: str) -> None:
    """ISO 3448:1992, table 1: the limits belong to the grades, the gaps between them are real."""
    assert viscosity_grade(kv_40) == grade


@pytest.mark.parametrize("kv_40", [0.0, -1.0, np.inf])
def test_impossible_grades_are_refused(kv_40: float) -> None:
    with pytest.raises(OutOfRangeError):
        viscosity_grade(kv_40)


def test_saybolt_factor_of_temperature() -> None:
    """ASTM D2161: a thick oil has 4.632 s for 1 mm²/s at 100 °F, 4.664 s at 210 °F; the range starts at 1.81 mm²/s."""
    thick = np.array([1000.0, 5000.0])
    np.testing.assert_allclose(saybolt_universal_from_kinematic(thick) / thick, 4.632, rtol=2e-4)
    at_210F = saybolt_universal_from_kinematic(thick, (210.0 - 32.0) / 1.8)
    np.testing.assert_allclose(at_210F / thick, 4.664, rtol=2e-4)
    with pytest.raises(OutOfRangeError, match=r"1\.809 mm²/s"):
        saybolt_universal_from_kinematic(1.809)
    with pytest.raises(OutOfRangeError, match="temperature"):
        saybolt_universal_from_kinematic(10.0, 177.0)


def test_gravity_constant_of_the_published_example() -> None:
    """API Technical Data Book, 2B4.1: relative density 0.9046 and 336 s Saybolt Universal at 100 °F give 0.8485.

    The example enters Saybolt seconds; the forms for mm²/s meet it within the reporting step of ASTM D2501, 0.002, once
    the viscosity is carried from 100 °F to 40 °C (B near 3.7, as of mineral oils).
    """
    kv_100F = 72.34
    assert saybolt_universal_from_kinematic(kv_100F) == pytest.approx(336.0, abs=0.5)
    kv_40 = viscosity_from_ordinate(
        walther_ordinate(kv_100F) - 3.7 * np.log10(313.15 / ((100.0 - 32.0) / 1.8 + 273.15))
    )
    density_15C = density_at(density_from_relative_density(0.9046), (60.0 - 32.0) / 1.8, 15.0)
    assert viscosity_gravity_constant_40C(density_15C, kv_40) == pytest.approx(0.8485, abs=0.002)


def test_two_gravity_constants_agree() -> None:
    """ASTM D2501: the two differ by about 0.003 on average for oils of 0.80 to 0.95; here typical base oils."""
    oils = np.array(
        [[870.0, 30.6, 5.23], [900.0, 22.0, 3.7], [915.0, 110.0, 8.5], [904.0, 64.0, 6.9], [920.0, 100.0, 8.5]]
    )
    density, kv_40, kv_100 = oils.T
    difference = viscosity_gravity_constant_40C(density, kv_40) - viscosity_gravity_constant_100C(density, kv_100)
    assert np.abs(difference).mean() < 0.003


@pytest.mark.parametrize("kv", [5.5, 5.0])
def test_gravity_constant_needs_a_thicker_oil(kv: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"5\.5 mm²/s"):
        viscosity_gravity_constant_40C(870.0, kv)
    with pytest.raises(OutOfRangeError, match=r"0\.8 mm²/s"):
        viscosity_gravity_constant_100C(870.0, kv / 5.5 * 0.8)


def test_water_is_10_degrees_api() -> None:
    """By definition: relative density 1 is 10 °API."""
    assert api_gravity(999.016) == pytest.approx(10.0, abs=1e-12)
