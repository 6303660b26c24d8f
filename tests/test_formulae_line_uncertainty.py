"""Standard errors, bands and departure of the viscosity-temperature line: certified data, simulation, measured oils."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae.curves._points import straight_line

CURVES = Path(__file__).parent / "published" / "curves"
STATISTICS = Path(__file__).parent / "statistics" / "data"

T = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
A, B = 9.458393, 3.680946
"""The line of an oil with 73.30 mm²/s at 40 °C and 8.86 mm²/s at 100 °C."""

OILS = 4000
MONTE_CARLO = 4.0 * np.sqrt(0.95 * 0.05 / OILS)
"""Four standard deviations of a coverage of 95 % counted on that many oils: 1.4 %."""


def true_viscosity(temperature_C: object) -> NDArray[np.float64]:
    return np.asarray(10.0**10.0 ** (A - B * np.log10(np.asarray(temperature_C) + 273.15)) - 0.7)


def results(seed: int, noise_percent: float = 0.4) -> NDArray[np.float64]:
    """Return simulated results of many oils, last axis the temperatures."""
    noise = np.random.default_rng(seed).standard_normal((OILS, T.size))
    return np.asarray(true_viscosity(T) * np.exp(0.01 * noise_percent * noise))


def test_straight_line_against_certified_values() -> None:
    """NIST StRD, data set Norris (36 points, lower difficulty): certified estimates and their standard deviations."""
    x, y = np.loadtxt(CURVES / "strd_norris.csv", delimiter=",", skiprows=1, usecols=(3, 4), unpack=True)
    fit = straight_line(x, y)
    scatter = np.sum((y - fit.at(x)) ** 2) / (x.size - 2)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert np.sqrt(scatter) == pytest.approx(0.884796396144373, rel=1e-12)
    assert np.sqrt(scatter / fit.x_spread) == pytest.approx(0.429796848199937e-03, rel=1e-12)
    intercept_deviation = np.sqrt(scatter * (1.0 / fit.weight + fit.x_mean**2 / fit.x_spread))
    assert intercept_deviation == pytest.approx(0.232818234301152, rel=1e-12)


def test_straight_line_of_the_guide() -> None:
    """JCGM 100:2008, H.3 (calibration of a thermometer), equations H.14 to H.16: printed figures from memory."""
    t, b = np.loadtxt(STATISTICS / "gum_h3.csv", delimiter=",", skiprows=1, unpack=True)
    x = t - 20.0
    fit = straight_line(x, b)
    variance = np.sum((b - fit.at(x)) ** 2) / (x.size - 2)
    height, slope = variance / fit.weight, variance / fit.x_spread
    intercept = height + fit.x_mean**2 * slope
    assert fit.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert fit.slope == pytest.approx(0.00218, abs=5e-6)
    assert np.sqrt([variance, intercept, slope]) == pytest.approx([0.0035, 0.0029, 0.00067], abs=5e-5)
    assert np.sqrt(slope) == pytest.approx(0.00067, abs=5e-6)
    assert -fit.x_mean * slope / np.sqrt(intercept * slope) == pytest.approx(-0.930, abs=5e-4)
    assert fit.intercept + 10.0 * fit.slope == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(height + (10.0 - fit.x_mean) ** 2 * slope) == pytest.approx(0.0041, abs=5e-5)


def test_derivation_weights_repeat_points() -> None:
    """A point of weight 3 counts like the point given three times."""
    x, y = np.array([1.0, 2.0, 4.0]), np.array([1.0, 3.0, 4.0])
    weighted = straight_line(x, y, [3.0, 1.0, 2.0])
    repeated = straight_line(np.repeat(x, [3, 1, 2]), np.repeat(y, [3, 1, 2]))
    for field in ("slope", "x_mean", "y_mean", "x_spread", "weight"):
        assert getattr(weighted, field) == pytest.approx(getattr(repeated, field), rel=1e-14)


@pytest.mark.parametrize("stated", [None, 0.4], ids=["noise from the residuals", "noise stated"])
@pytest.mark.parametrize(
    ("at_C", "extrapolated"), [(20.0, False), (53.0, False), (100.0, False), (-20.0, True), (150.0, True)]
)
def test_derivation_bands_cover_95_percent(stated: float | None, at_C: float, extrapolated: bool) -> None:
    oils = formulae.estimate_viscosity_temperature(T, results(1), stated)
    further = true_viscosity(at_C) * np.exp(0.004 * np.random.default_rng(2).standard_normal(OILS))
    with pytest.warns(ExtrapolationWarning) if extrapolated else np.errstate():
        bands = [
            oils.confidence_band(at_C, extrapolate=extrapolated, follows_line=True, further_results=number)
            for number in (0, 1)
        ]
    for band, target in zip(bands, (true_viscosity(at_C), further), strict=True):
        covered = np.mean((band.lowest <= target) & (target <= band.highest))
        assert covered == pytest.approx(0.95, abs=MONTE_CARLO)


def test_another_level_covers_that_share() -> None:
    band = formulae.estimate_viscosity_temperature(T, results(3)).confidence_band(40.0, level=0.5, follows_line=True)
    covered = np.mean((band.lowest <= true_viscosity(40.0)) & (true_viscosity(40.0) <= band.highest))
    assert covered == pytest.approx(0.5, abs=4.0 * np.sqrt(0.25 / OILS))


def test_covariance_is_that_of_the_simulated_lines() -> None:
    oils = formulae.estimate_viscosity_temperature(T, results(4), 0.4)
    simulated = np.cov(oils.line.intercept, oils.line.slope)
    np.testing.assert_allclose(oils.covariance.mean(axis=0), simulated, rtol=0.1)


def test_covariance_is_that_of_numpy() -> None:
    """numpy.polyfit's, of the ordinates with their uncertainties: as stated, else scaled by the scatter."""
    nu, percent = results(10)[0], np.array([0.3, 0.4, 0.5, 0.4, 0.8])
    Z = nu + 0.7  # thick enough for the plain ordinate
    x, W, u = np.log10(T + 273.15), np.log10(np.log10(Z)), 0.01 * nu / (Z * np.log(Z) * np.log(10.0))
    for stated, how in ((percent, "unscaled"), (None, True)):
        (slope, intercept), matrix = np.polyfit(x, W, 1, w=1.0 / (u if stated is None else u * percent), cov=how)
        oil = formulae.estimate_viscosity_temperature(T, nu, stated)
        np.testing.assert_allclose([oil.line.intercept, oil.line.slope], [intercept, -slope], rtol=1e-9)
        np.testing.assert_allclose(
            oil.covariance, [[matrix[1, 1], -matrix[0, 1]], [-matrix[0, 1], matrix[0, 0]]], rtol=1e-6
        )


def test_weights_make_the_line_surer() -> None:
    """With equal relative noise the weighted line scatters less than the plain least squares of the ordinates."""
    nu = results(5)
    plain = formulae.fit_viscosity_temperature(T, nu).kinematic_viscosity_at(100.0)
    weighted = formulae.estimate_viscosity_temperature(T, nu).line.kinematic_viscosity_at(100.0)
    assert np.std(weighted) < 0.95 * np.std(plain)


def test_the_interval_grows_with_the_distance() -> None:
    oil = formulae.estimate_viscosity_temperature(T, results(6)[0], 0.4)
    with pytest.warns(ExtrapolationWarning):
        bands = [
            oil.confidence_band([60.0, 20.0, 0.0, -20.0, -40.0], extrapolate=True, follows_line=exactly)
            for exactly in (True, False)
        ]
    exact, real = (band.highest / band.lowest for band in bands)
    assert np.all(np.diff(exact) > 0.0)
    assert np.all(np.diff(real[1:]) > 0.0)
    assert np.all(real > exact)
    with pytest.raises(OutOfRangeError, match="ask for extrapolation"):
        oil.confidence_band(-20.0)


def test_two_points_need_a_stated_uncertainty() -> None:
    with pytest.raises(OutOfRangeError, match="unless the uncertainty of the results is stated"):
        formulae.estimate_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    oil = formulae.estimate_viscosity_temperature([40.0, 100.0], [73.30, 8.86], 1.0)
    plain = formulae.fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    np.testing.assert_allclose([oil.line.intercept, oil.line.slope], [plain.intercept, plain.slope], rtol=1e-13)
    band = oil.confidence_band([40.0, 100.0], level=0.6826894921370859)
    np.testing.assert_allclose(band.highest / band.line - 1.0, 0.01, rtol=0.02)


@pytest.mark.parametrize("pair", [(0.50, 0.30), (1.50, 0.80), (3.0, 1.2), (9.0, 5.0), (1e6, 2e3)])
def test_derivation_the_ordinate_changes_with_the_viscosity_as_stated(pair: tuple[float, float]) -> None:
    """Two results fix the line: at each the band of one standard uncertainty of 0.01 % is 0.01 % of the result wide."""
    oil = formulae.estimate_viscosity_temperature([20.0, 60.0], pair, 0.01)
    band = oil.confidence_band([20.0, 60.0], level=0.6826894921370859)
    np.testing.assert_allclose(band.line, pair, rtol=1e-9)
    np.testing.assert_allclose(band.highest / band.line - 1.0, 1e-4, rtol=2e-3)
    np.testing.assert_allclose(1.0 - band.lowest / band.line, 1e-4, rtol=2e-3)
    one = oil.confidence_band([20.0, 60.0], level=0.6826894921370859, further_results=1)
    np.testing.assert_allclose(one.highest / one.line - 1.0, 1e-4 * np.sqrt(2.0), rtol=2e-3)
    line, step = oil.line, 1e-3
    around = np.log(line.kinematic_viscosity_at([40.0 - step, 40.0 + step]))
    assert line.relative_slope_at(40.0) == pytest.approx(float(np.diff(around)[0]) / (2.0 * step), rel=1e-6)


def test_duplicates_at_two_temperatures_tell_their_scatter() -> None:
    oil = formulae.estimate_viscosity_temperature([40.0, 40.0, 100.0, 100.0], [73.25, 73.35, 8.85, 8.87])
    assert oil.degrees_of_freedom == 2.0
    percent = np.sqrt(((0.05 / 73.30) ** 2 + (0.01 / 8.86) ** 2) * 2.0 / 2.0) * 100.0
    assert oil.noise_percent == pytest.approx(percent, rel=1e-3)


def test_points_without_scatter_leave_no_uncertainty() -> None:
    oil = formulae.estimate_viscosity_temperature([40.0, 100.0, 40.0, 100.0], [70.0, 9.0, 70.0, 9.0])
    assert oil.covariance[1, 1] == pytest.approx(0.0, abs=1e-24)


def test_levels_are_probabilities() -> None:
    oil = formulae.estimate_viscosity_temperature(T, results(6)[0])
    for level in (0.0, 1.0, 95.0):
        with pytest.raises(OutOfRangeError, match=r"\(more than 0, less than 1\): it is a probability") as refusal:
            oil.confidence_band(40.0, level=level)
        assert ("was it in %? That is 0.95" in str(refusal.value)) == (level == 95.0)


@pytest.mark.parametrize("freedom", [np.inf, 6.0])
def test_derivation_oils_that_follow_the_line_are_called_departing_one_time_in_twenty(freedom: float) -> None:
    rng = np.random.default_rng(7)
    noise = 0.4 if np.isinf(freedom) else 0.4 * np.sqrt(rng.chisquare(freedom, OILS) / freedom)[:, None]
    found = formulae.departure_from_line(T, results(8), noise, noise_degrees_of_freedom=freedom)
    assert found.test == ("chi-square" if np.isinf(freedom) else "F")
    assert np.mean(found.departs()) == pytest.approx(0.05, abs=MONTE_CARLO)
    if np.isinf(freedom):
        scaled = found.coldest_excess_percent / found.coldest_excess_uncertainty_percent
        assert np.std(scaled) == pytest.approx(1.0, abs=0.05)


def test_wax_is_found() -> None:
    """Simulation: the coldest result 4 % above the line, against noise of 0.4 %."""
    nu = results(9)
    nu[:, 0] *= 1.04
    found = formulae.departure_from_line(T, nu, 0.4)
    assert np.mean(found.departs()) > 0.9
    assert np.mean(found.coldest_excess_percent) == pytest.approx(4.0, abs=0.1)


def measured_oil(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    with (CURVES / "measured_oils.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["oil"] == name]
    points = np.array([(float(row["temperature_C"]), float(row["kinematic_viscosity"])) for row in rows])
    return points[:, 0], points[:, 1]


@pytest.mark.parametrize(("name", "departs"), [("Alberta crude", False), ("Cook Inlet crude", True)])
def test_measured_oils(name: str, departs: bool) -> None:
    """Viscosities given in whole mPa·s: at 4 mPa·s and more that, and reading, is a noise of 5 %."""
    found = formulae.departure_from_line(*measured_oil(name), 5.0)
    assert found.departs() == departs
    assert (found.coldest_excess_percent > 3.0 * found.coldest_excess_uncertainty_percent) == departs


def assay() -> list[dict[str, str]]:
    with (CURVES / "assay_of_a_crude.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", [row for row in assay() if float(row["kv_20"]) < 2e7], ids=lambda row: row["cut"])
def test_assay_figures_lie_on_the_line(row: dict[str, str]) -> None:
    """Another program's line: the middle figures of an assay come out, to its digits above 2 mm²/s, to 0.25 % below."""
    line = formulae.fit_viscosity_temperature([20.0, 50.0], [float(row["kv_20"]), float(row["kv_50"])])
    middle = float(line.kinematic_viscosity_at(40.0))
    assert middle == pytest.approx(float(row["kv_40"]), rel=2e-5 if float(row["kv_50"]) > 2.0 else 2.5e-3)


def test_three_results_are_needed() -> None:
    with pytest.raises(OutOfRangeError, match="two points lie on any line"):
        formulae.departure_from_line([40.0, 100.0], [73.30, 8.86], 0.4)


@pytest.mark.parametrize("points", [3, 4, 5, 6])
def test_wild_points_give_numbers_or_nan_without_a_warning(points: int) -> None:
    """Property: a thousand curves of points that belong to no oil; warnings are errors here."""
    rng = np.random.default_rng(points)
    t = np.sort(rng.uniform(-30.0, 150.0, (1000, points)), axis=-1)
    nu = -np.sort(-np.exp(rng.uniform(np.log(0.21), np.log(1e6), (1000, points))), axis=-1)
    found = formulae.departure_from_line(t, nu, 1.0)
    assert np.all((found.p_value >= 0.0) & (found.p_value <= 1.0))
    assert np.all(formulae.estimate_viscosity_temperature(t, nu).noise_percent >= 0.0)
    assert formulae.compare_viscosity_models(t, nu, 1.0).best.shape == (1000,)
