"""Curves of viscosity over temperature: derivations, reference liquids, and which curve the points decide for."""

from __future__ import annotations

import csv
import dataclasses
import re
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning, OutOfRangeError
from labcalc.formulae.curves.viscosity_models import vogel_coefficients

CURVES = Path(__file__).parent / "published" / "curves"

ZERO_C = 273.15
OIL_C = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 100.0])
VOGEL = 0.05 * np.exp(900.0 / (OIL_C + ZERO_C - 170.0))
"""Derivation: points of the curve a = ln 0.05, b = 900 K, T₀ = 170 K."""


def reference_liquids() -> dict[str, NDArray[np.float64]]:
    """Return temperature and kinematic viscosity by liquid."""
    points = defaultdict(list)
    with (CURVES / "reference_liquids.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            points[row["liquid"]].append((float(row["temperature_C"]), float(row["kinematic_viscosity"])))
    return {liquid: np.array(pairs).T for liquid, pairs in points.items()}


LIQUIDS = reference_liquids()


@pytest.mark.parametrize(
    ("liquid", "percent"), [("n-decane", 0.9), ("n-dodecane", 0.8), ("n-octane", 1.6), ("n-nonane", 4.2)]
)
def test_line_through_the_ends_of_an_alkane(liquid: str, percent: float) -> None:
    """Where the line of ASTM D341 holds, and how well: pure liquids below 3 mm²/s are bent a little against it."""
    t, nu = LIQUIDS[liquid]
    line = formulae.fit_viscosity_temperature(t[[0, -1]], nu[[0, -1]])
    np.testing.assert_allclose(line.kinematic_viscosity_at(t), nu, rtol=0.01 * percent)


def test_water_follows_vogel() -> None:
    """IAPWS R12-08: Vogel's curve within 0.7 % from 0.01 °C to 99 °C, Andrade's not by far."""
    t, nu = LIQUIDS["water"]
    np.testing.assert_allclose(formulae.fit_vogel(t, nu).viscosity_at(t), nu, rtol=0.007)
    found = formulae.compare_viscosity_models(t, nu, 0.5)
    assert found.best == "Vogel"
    assert found.scatter_percent[1] < 0.1 * found.scatter_percent[2]


def test_derivation_three_points_give_vogel_back() -> None:
    curve = formulae.fit_vogel(OIL_C[[1, 2, 5]], VOGEL[[1, 2, 5]])
    np.testing.assert_allclose([curve.a, curve.b_K, curve.T0_K], [np.log(0.05), 900.0, 170.0], rtol=1e-11)
    np.testing.assert_allclose(curve.viscosity_at(OIL_C[1:]), VOGEL[1:], rtol=1e-12)


def test_derivation_the_order_of_points_is_free() -> None:
    shuffled = [4, 0, 3, 1, 5, 2]
    for count in (3, 6):
        order = [i for i in shuffled if i < count]
        curve = formulae.fit_vogel(OIL_C[order], VOGEL[order])
        np.testing.assert_allclose([curve.a, curve.b_K, curve.T0_K], [np.log(0.05), 900.0, 170.0], rtol=1e-9)


@given(
    b=st.floats(300.0, 1500.0),
    T0=st.floats(-200.0, 220.0),
    temperatures=st.sampled_from([(0.0, 40.0, 100.0), (-20.0, 0.0, 20.0, 40.0), (10.0, 15.0, 40.0, 100.0, 101.0)]),
)
def test_any_vogel_curve_comes_back(b: float, T0: float, temperatures: tuple[float, ...]) -> None:
    t = np.array(temperatures)
    points = np.exp(-2.0 + b / (t + ZERO_C - T0))
    curve = formulae.fit_vogel(t, points)
    np.testing.assert_allclose([curve.b_K, curve.T0_K], [b, T0], rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(curve.viscosity_at(t), points, rtol=1e-9)


def test_least_squares_of_vogel_agree_with_a_general_library() -> None:
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(11)
    points = VOGEL * np.exp(0.003 * rng.standard_normal((5, OIL_C.size)))
    curves = formulae.fit_vogel(OIL_C, points)

    def logarithm(T: NDArray[np.float64], a: float, b: float, T0: float) -> NDArray[np.float64]:
        return a + b / (T - T0)

    for i, point in enumerate(points):
        expected, _ = curve_fit(
            logarithm, OIL_C + ZERO_C, np.log(point), p0=(-3.0, 900.0, 170.0), xtol=1e-14, ftol=1e-14
        )
        np.testing.assert_allclose([curves.a[i], curves.b_K[i], curves.T0_K[i]], expected, rtol=1e-6)


def test_points_that_bend_the_other_way_are_refused() -> None:
    with pytest.raises(
        OutOfRangeError, match=r"steepness of ln x when cold .* 0\.92694\d+ .* no curve of Vogel bends"
    ) as refusal:
        formulae.fit_vogel([20.0, 40.0, 60.0], [30.0, 20.0, 12.914])
    assert refusal.value.value == pytest.approx(np.log(30.0 / 20.0) / np.log(20.0 / 12.914))
    with pytest.raises(OutOfRangeError, match="no curve of Vogel bends"):
        formulae.fit_vogel([20.0, 40.0, 60.0, 80.0], [30.0, 20.0, 11.0, 5.0])
    with pytest.raises(OutOfRangeError, match="the curve of Vogel needs 3"):
        formulae.fit_vogel([20.0, 40.0, 40.0], [30.0, 20.0, 20.0])


def test_extrapolation_is_on_demand_only() -> None:
    curves = (
        formulae.fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86]).kinematic_viscosity_at,
        formulae.fit_andrade([40.0, 100.0], [73.30, 8.86]).viscosity_at,
        formulae.fit_ubbelohde_walther([40.0, 100.0], [73.30, 8.86]).kinematic_viscosity_at,
        formulae.fit_vogel([20.0, 40.0, 100.0], [240.981, 73.30, 8.86]).viscosity_at,
    )
    for curve in curves:
        with pytest.raises(OutOfRangeError, match="ask for extrapolation"):
            curve(100.1)
        with pytest.warns(ExtrapolationWarning, match=r"100\.1 °C is outside the measured") as caught:
            assert 8.0 < curve(100.1, extrapolate=True) < 8.86
        assert caught[0].filename == __file__, "the warning points at the line that asked"


def test_derivation_andrade_comes_back() -> None:
    """Points of ln ν = a + b/T; two of them and six give the curve back."""
    nu = np.exp(-10.0 + 4000.0 / (OIL_C + ZERO_C))
    for points in (slice(None), [2, 5]):
        curve = formulae.fit_andrade(OIL_C[points], nu[points])
        np.testing.assert_allclose([curve.a, curve.b_K], [-10.0, 4000.0], rtol=1e-11)
        np.testing.assert_allclose(curve.viscosity_at(OIL_C[2:]), nu[2:], rtol=1e-11)


def test_derivation_m_value() -> None:
    """Natural logarithms give the same m; the constant changes the second decimal."""
    T = np.array([40.0, 100.0]) + ZERO_C
    nu = np.array([73.30, 8.86])
    for constant in (0.6, 0.7, 0.8):
        Z = np.log(np.log(nu + constant))
        line = formulae.fit_ubbelohde_walther([40.0, 100.0], nu, constant=constant)
        assert line.m == pytest.approx((Z[0] - Z[1]) / (np.log(T[1]) - np.log(T[0])), rel=1e-12)
        assert line.constant == constant
    above_7 = formulae.fit_ubbelohde_walther([40.0, 100.0], nu, constant=0.7)
    d341 = formulae.fit_viscosity_temperature([40.0, 100.0], nu)
    assert above_7.m == pytest.approx(d341.slope, rel=1e-12)
    at = [40.0, 60.0, 100.0]
    np.testing.assert_allclose(above_7.kinematic_viscosity_at(at), d341.kinematic_viscosity_at(at))


def test_vogel_has_no_value_at_its_pole() -> None:
    curve = formulae.fit_vogel(OIL_C, VOGEL)
    with (
        pytest.warns(ExtrapolationWarning),
        pytest.raises(OutOfRangeError, match="temperature above T₀ -3"),
    ):
        curve.viscosity_at(167.0 - ZERO_C, extrapolate=True)


@pytest.mark.parametrize("points", [2, 3])
def test_few_points_decide_nothing(points: int) -> None:
    found = formulae.compare_viscosity_models(OIL_C[:points], VOGEL[:points], 0.3)
    assert found.best == "can't tell"
    assert ("can't decide" if points == 2 else "three lie on a curve of Vogel") in found.reason


@pytest.mark.parametrize("t", [[40.0, 40.0, 100.0], [40.0, 40.0, 100.0, 100.0], [20.0, 40.0, 40.0, 60.0, 60.0, 100.0]])
def test_repeats_at_one_temperature_may_be_among_the_points(t: list[float]) -> None:
    """Two different temperatures fix a line, three a curve of Vogel."""
    found = formulae.compare_viscosity_models(t, np.interp(t, OIL_C, VOGEL) * np.linspace(0.999, 1.001, len(t)), 0.3)
    assert np.isfinite(found.scatter_percent[[0, 2]]).all()
    assert np.isnan(found.scatter_percent[1]) == (len(set(t)) < 3)


MODELS = {
    "ASTM D341": [(9.458393, 3.680946), (8.549530, 3.370645), (9.390079, 3.696303)],
    "Vogel": [(np.log(0.05), 900.0, 170.0), (-2.6, 938.0, 177.0), (-2.3, 700.0, 185.0), (-3.3, 1100.0, 155.0)],
    "Andrade": [(-8.846625, 4115.162), (-6.0, 3000.0)],
}


def true_curve(model: str, coefficients: tuple[float, ...], t: NDArray[np.float64]) -> NDArray[np.float64]:
    T = t + ZERO_C
    if model == "ASTM D341":
        A, B = coefficients
        return np.asarray(10.0**10.0 ** (A - B * np.log10(T)) - 0.7)
    a, b, T0 = (*coefficients, 0.0)[:3]
    return np.asarray(np.exp(a + b / (T - T0)))


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.05, 0.1, 0.3, 0.5, 1.0])
@pytest.mark.parametrize("t", [OIL_C, OIL_C[1:], OIL_C[[1, 2, 3, 5]]], ids=["six", "five", "four"])
def test_a_named_model_is_the_right_one(t: NDArray[np.float64], noise: float) -> None:
    """Simulation over all three models: of those named 95 % are right; of the wrong ones hardly any is ever named."""
    rng = np.random.default_rng(5)
    right = wrong = 0
    for model, oils in MODELS.items():
        for oil in oils:
            noisy = true_curve(model, oil, t) * np.exp(0.01 * noise * rng.standard_normal((1000, t.size)))
            best = formulae.compare_viscosity_models(t, noisy, noise).best
            named = ~np.isin(best, ["can't tell", "none of them"])
            right, wrong = right + np.sum(best == model), wrong + np.sum(named & (best != model))
            assert np.mean(named & (best != model)) <= 0.002
            assert np.mean(best == "none of them") < 0.005
    assert right > 300
    assert wrong < 0.05 * (right + wrong)


def test_models_are_found_where_the_points_can_tell() -> None:
    """Noise of 0.1 % and six points from 0 °C: all three are found; with five from 20 °C and 0.3 % D341 isn't told."""
    rng = np.random.default_rng(6)
    for model, oils in MODELS.items():
        for t, noise, expected in ((OIL_C, 0.1, True), (OIL_C[1:], 0.3, model == "Andrade")):
            if model != "Vogel" or expected:
                noisy = true_curve(model, oils[0], t) * np.exp(0.01 * noise * rng.standard_normal((300, t.size)))
                found = formulae.compare_viscosity_models(t, noisy, noise)
                assert (np.mean(found.best == model) > 0.95) == expected
                assert found.best.shape == (300,)
                assert found.misfit.shape == (300, 3)


def test_points_of_no_model_are_called_so() -> None:
    nu = VOGEL * np.array([1.0, 1.03, 0.97, 1.02, 0.98, 1.0])
    assert formulae.compare_viscosity_models(OIL_C, nu, 0.3).best == "none of them"
    assert formulae.compare_viscosity_models(OIL_C, nu, 3.0).best == "can't tell"


def test_scatter_is_that_of_a_library_of_statistics() -> None:
    """statsmodels: Andrade's straight line, ln ν over 1/T, its residuals."""
    import statsmodels.api as sm

    n = OIL_C.size
    nu = VOGEL * np.exp(0.01 * np.random.default_rng(8).standard_normal(n))
    found = formulae.compare_viscosity_models(OIL_C, nu, 1.0)
    fit = sm.OLS(np.log(nu), sm.add_constant(1.0 / (OIL_C + ZERO_C))).fit()
    assert found.scatter_percent[2] == pytest.approx(100.0 * np.sqrt(fit.ssr / n), rel=1e-9)


OILS_C = np.array(
    [[[60.0, 20.0, 100.0, 40.0, 80.0], [90.0, 0.0, 45.0, 15.0, 70.0], [30.0, 50.0, 25.0, 110.0, 75.0]]] * 2
)
OILS_C[1] += np.array([[5.0], [-3.0], [1.0]])
"""Temperatures of 2 × 3 oils, each its own, in no order."""

FITS = {
    "line": formulae.fit_viscosity_temperature,
    "weighted line": formulae.estimate_viscosity_temperature,
    "Ubbelohde-Walther": formulae.fit_ubbelohde_walther,
    "Andrade": formulae.fit_andrade,
    "Vogel": formulae.fit_vogel,
    "departure": lambda t, nu: formulae.departure_from_line(t, nu, 0.3),
    "comparison": lambda t, nu: formulae.compare_viscosity_models(t, nu, 0.3),
}


def fields_of(result: object) -> dict[str, NDArray[np.float64]]:
    found: dict[str, NDArray[np.float64]] = {}
    for field in dataclasses.fields(result):  # type: ignore[arg-type]
        value = getattr(result, field.name)
        found |= fields_of(value) if dataclasses.is_dataclass(value) else {field.name: np.asarray(value)}
    return {name: value for name, value in found.items() if value.dtype.kind in "fU"}


@pytest.mark.parametrize("points", [3, 5])
@pytest.mark.parametrize("name", FITS)
def test_each_of_many_oils_is_as_alone(name: str, points: int) -> None:
    """Derivation: whatever stands beside it in the array; each with temperatures of its own, or all with one's."""
    noise = 1.0 + 0.002 * np.random.default_rng(21).standard_normal(OILS_C.shape)
    for t in (OILS_C, OILS_C[0, 0]):
        nu = 0.05 * np.exp(900.0 / (t + ZERO_C - 170.0)) * noise
        together = fields_of(FITS[name](t[..., :points], nu[..., :points]))
        for one in np.ndindex(2, 3):
            own = np.broadcast_to(t, nu.shape)[one][:points]
            for field, value in fields_of(FITS[name](own, nu[one][:points])).items():
                if value.ndim == together[field].ndim:  # the same for all
                    np.testing.assert_array_equal(together[field], value)
                elif value.dtype.kind == "U":
                    assert together[field][one] == value
                else:
                    assert together[field].shape == (2, 3, *value.shape)
                    np.testing.assert_allclose(together[field][one], value, rtol=1e-7, atol=1e-11)
        if "lowest_C" in together:
            np.testing.assert_array_equal(together["lowest_C"], np.broadcast_to(t[..., :points].min(axis=-1), (2, 3)))
            np.testing.assert_array_equal(together["highest_C"], np.broadcast_to(t[..., :points].max(axis=-1), (2, 3)))


def test_an_exponential_fall_is_no_curve_of_vogel() -> None:
    """Derivation: ln ν straight over T bends neither way, as if T₀ were infinitely far away."""
    t = np.array([20.0, 40.0, 60.0])
    assert np.isnan(vogel_coefficients(t + ZERO_C, np.array([3.0, 2.0, 1.0]))).all()
    with pytest.raises(OutOfRangeError, match="no curve of Vogel bends") as refusal:
        formulae.fit_vogel(t, [4.0, 2.0, 1.0])
    assert (refusal.value.value, refusal.value.above) == (pytest.approx(1.0), 1.0)


@pytest.mark.parametrize(
    ("fit", "needed"),
    [
        (formulae.fit_viscosity_temperature, 2),
        (lambda t, nu: formulae.estimate_viscosity_temperature(t, nu, 0.5), 2),
        (formulae.fit_ubbelohde_walther, 2),
        (formulae.fit_andrade, 2),
        (formulae.fit_vogel, 3),
        (lambda t, nu: formulae.departure_from_line(t, nu, 0.3), 3),
        (lambda t, nu: formulae.compare_viscosity_models(t, nu, 0.3), 2),
    ],
)
def test_too_few_different_temperatures_are_counted(fit: Callable[..., object], needed: int) -> None:
    """Repeats count once; of many oils the one with fewest temperatures is told."""
    full, repeated = [20.0, 40.0, 60.0, 80.0], [20.0, 40.0, 40.0, 20.0] if needed == 3 else [40.0] * 4
    nu = np.interp([full, repeated], OIL_C, VOGEL) * np.array([1.0, 1.0, 1.001, 1.001])
    fit(full, nu[0])
    with pytest.raises(OutOfRangeError, match="different temperatures") as refusal:
        fit([full, repeated], nu)
    assert (refusal.value.value, refusal.value.lowest) == (needed - 1, needed)


def test_three_results_tell_their_scatter() -> None:
    with pytest.raises(OutOfRangeError, match="a line with its uncertainty through 2 results") as refusal:
        formulae.estimate_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
    assert refusal.value.lowest == 3.0
    assert formulae.estimate_viscosity_temperature([40.0, 40.0, 100.0], [73.2, 73.4, 8.86]).degrees_of_freedom == 1.0


CURVES_OF_MODELS = {
    "Vogel": (formulae.fit_vogel, lambda t: true_curve("Vogel", MODELS["Vogel"][0], t)),
    "Andrade": (formulae.fit_andrade, lambda t: true_curve("Andrade", MODELS["Andrade"][0], t)),
}


@pytest.mark.parametrize("stated", [None, 0.4], ids=["scatter", "stated"])
@pytest.mark.parametrize("name", CURVES_OF_MODELS)
def test_derivation_bands_of_curves_cover_95_percent(name: str, stated: float | None) -> None:
    """Simulation: 4000 oils that follow the curve, results with 0.4 % of noise; within the points and beyond them."""
    fit, truth = CURVES_OF_MODELS[name]
    rng = np.random.default_rng(9)
    oils = fit(OIL_C[1:], truth(OIL_C[1:]) * np.exp(0.004 * rng.standard_normal((4000, 5))))
    for at in (20.0, 53.0, 100.0, 5.0, 120.0):
        with pytest.warns(ExtrapolationWarning) if at in (5.0, 120.0) else np.errstate():
            band = oils.confidence_band(at, noise_percent=stated, extrapolate=True)
        covered = np.mean((band.lowest <= truth(at)) & (truth(at) <= band.highest))
        assert covered == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("name", CURVES_OF_MODELS)
def test_bands_widen_beyond_the_points_and_need_noise_or_scatter(name: str) -> None:
    fit, truth = CURVES_OF_MODELS[name]
    t = OIL_C[[1, 2, 5]] if name == "Vogel" else OIL_C[[2, 5]]
    curve = fit(t, truth(t))
    with pytest.raises(OutOfRangeError, match=r"number of results .* is too few .* state the noise of the results"):
        curve.confidence_band(60.0)
    with pytest.warns(ExtrapolationWarning):
        band = curve.confidence_band([40.0, 20.0, 0.0, -10.0], noise_percent=0.4, extrapolate=True)
    assert np.all(np.diff(band.highest / band.lowest) > 0.0)
    assert np.log(band.highest[0] / band.lowest[0]) == pytest.approx(2.0 * 1.95996 * 0.004, rel=1e-3)


REFUSING_FITS = {
    "D341": lambda t, nu: formulae.fit_viscosity_temperature(t, nu),
    "D341 estimated": lambda t, nu: formulae.estimate_viscosity_temperature(t, nu, 0.3),
    "departure": lambda t, nu: formulae.departure_from_line(t, nu, 0.3),
    "Ubbelohde-Walther": lambda t, nu: formulae.fit_ubbelohde_walther(t, nu),
    "Andrade": lambda t, nu: formulae.fit_andrade(t, nu),
    "Vogel": lambda t, nu: formulae.fit_vogel(t, nu),
    "comparison": lambda t, nu: formulae.compare_viscosity_models(t, nu, 0.3),
    "model uncertainty": lambda t, nu: formulae.line_model_uncertainty(60.0, t, nu),
}


@pytest.mark.parametrize("name", REFUSING_FITS)
def test_a_viscosity_that_does_not_fall_is_refused(name: str) -> None:
    unit = "" if name in ("Andrade", "Vogel") else " mm²/s"
    words = f"20.46{unit} at 100 °C is not below 4.156{unit} at 40 °C: a liquid's viscosity falls with temperature"
    with pytest.raises(OutOfRangeError, match="^" + re.escape("viscosity " + words)):
        REFUSING_FITS[name]([40.0, 60.0, 100.0], [4.156, 9.0, 20.46])
    falling, rising = [30.0, 12.0, 5.0], [4.156, 9.0, 20.46]
    with pytest.raises(OutOfRangeError, match="^" + re.escape("viscosity of oil 3 " + words)):
        REFUSING_FITS[name]([40.0, 60.0, 100.0], [falling, [np.nan, 9.0, 5.0], rising, [7.0, 7.0, 7.0]])
    with pytest.raises(OutOfRangeError, match="is not below"):
        REFUSING_FITS[name]([40.0, 60.0, 100.0], [30.0, 30.0, 5.0])


@pytest.mark.parametrize("name", REFUSING_FITS)
def test_one_temperature_alone_is_refused(name: str) -> None:
    with pytest.raises(OutOfRangeError, match=r"^number of different temperatures 1 is too few for"):
        REFUSING_FITS[name]([40.0, 40.0, 40.0], [30.0, 29.0, 31.0])


def test_noise_may_exchange_neighbours() -> None:
    """Repeats a tenth of a kelvin apart rise by their noise; 5 K apart nothing does, and no pair as a whole."""
    assert formulae.fit_viscosity_temperature([40.0, 40.1, 100.0], [30.0, 30.05, 5.0]).slope > 3.0
    assert formulae.fit_viscosity_temperature([40.0, 40.0, 100.0, 100.0], [30.0, 30.1, 5.0, 5.1]).slope > 3.0
    with pytest.raises(OutOfRangeError, match=r"30\.05 mm²/s at 40\.1 °C is not below 30 mm²/s at 40 °C"):
        formulae.fit_viscosity_temperature([40.0, 40.1], [30.0, 30.05])
    with pytest.raises(OutOfRangeError, match=r"30\.1 mm²/s at 46 °C is not below 30 mm²/s at 40 °C"):
        formulae.fit_viscosity_temperature([46.0, 40.0, 100.0], [30.1, 30.0, 5.0])


def test_slopes_of_the_trade() -> None:
    """Viscosities of usual products, from memory (liquid_slopes.toml), and their temperatures in wrong units."""
    products = [(500.0, 31.5), (30.5, 5.2), (73.30, 8.86), (2.8, 1.15), (110.0, 8.5)]
    kind = "mineral oil or fuel"
    for scale, plausible in (([40.0, 100.0], True), ([313.15, 373.15], False), ([104.0, 212.0], False)):
        slope = formulae.fit_viscosity_temperature(scale, products).slope
        assert formulae.judge_slope(slope, kind).plausible.tolist() == [plausible] * len(products)
        if scale[0] > 300.0:
            assert not formulae.judge_slope(slope).plausible.any()
            assert formulae.judge_slope(slope).liquids.tolist() == [""] * len(products)
    assert formulae.judge_slope(1.18).liquids == "silicone fluid"
    with pytest.raises(ValueError, match="kind of liquid 'oil' is unknown; known are 'mineral oil or fuel'"):
        formulae.judge_slope(3.5, "oil")
