"""Intervals of the viscosity-temperature line hold the truth for liquids that are no line; and how wide they are."""

from __future__ import annotations

import contextlib
import functools
import warnings
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning
from labcalc.formulae._tables import published_table
from labcalc.formulae.curves.line_curvature import curvature
from tests.line_curvature import curvatures
from tests.real_liquids import GRID_C, Liquids, coolprop_liquids, handbook_liquids, vogel_oils

NOISE_PERCENT = 0.3
MEASURED = ((40.0, 100.0), (20.0, 80.0), (20.0, 40.0), (0.0, 60.0), (20.0, 40.0, 100.0), (40.0, 70.0, 100.0))
KINDS: dict[str, Callable[[], Liquids]] = {
    "CoolProp": coolprop_liquids,
    "Perry's Handbook": handbook_liquids,
    "Vogel": lambda: vogel_oils(400, seed=2),
}


def intervals(liquids: Liquids, measured: tuple[float, ...]) -> tuple[NDArray[np.float64], formulae.ViscosityBand]:
    """Return the true viscosities and the 95 % intervals from noisy results, an axis the grid, an axis the liquids."""
    nu, at = np.stack(list(liquids.values())), np.isin(GRID_C, measured)
    nu = nu[np.isfinite(nu[:, at]).all(axis=-1)]
    noise = np.random.default_rng(3).standard_normal((len(nu), len(measured)))
    oils = formulae.estimate_viscosity_temperature(
        measured, nu[:, at] * np.exp(0.01 * NOISE_PERCENT * noise), NOISE_PERCENT
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        return nu.T, oils.confidence_band(np.where(np.isnan(nu), np.nan, GRID_C).T, extrapolate=True)


@pytest.mark.parametrize("measured", MEASURED, ids=str)
@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_liquids_that_are_no_line(kind: str, measured: tuple[float, ...]) -> None:
    """CoolProp 8 and Perry's Handbook (alcohols and acids among them) and oils of Vogel, -20 °C to 150 °C."""
    nu, band = intervals(KINDS[kind](), measured)
    inside = (band.lowest <= nu) & (nu <= band.highest)
    assert nu.shape[1] >= 10
    assert np.mean(inside[np.isfinite(nu)]) >= 0.93


def test_intervals_of_oils_are_no_wider_than_they_must_be() -> None:
    """Median half width of the interval from 40 °C and 100 °C, oils of Vogel; without the component they hold few."""
    nu, band = intervals(KINDS["Vogel"](), (40.0, 100.0))
    half = 50.0 * np.log(band.highest / band.lowest)
    for temperature, percent in ((20.0, 22.0), (60.0, 6.0), (80.0, 5.0), (150.0, 14.0)):
        assert np.nanmedian(half[temperature == GRID_C]) < percent
    line_alone = np.abs(np.log(nu / band.line)) <= 0.02
    assert np.mean(line_alone[np.isfinite(nu)]) < 0.6


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_comes_from_these_liquids(kind: str) -> None:
    """Of the liquids' curvatures 93 % and more lie within 1.96 deviations of labcalc/data/line_curvature.csv."""
    slope, curve = curvatures(KINDS[kind]())
    assert np.mean(np.abs(curve) <= 1.96 * curvature(slope)) >= 0.93
    if kind == "Perry's Handbook":
        for part, row in ((slope < 4.0, 0), (slope >= 5.0, 1)):
            deviation = np.percentile(np.abs(curve[part]), 95.0) / 1.96
            assert published_table("line_curvature.csv")["any"][row] == pytest.approx(deviation, rel=0.15)


@pytest.mark.parametrize("kind", KINDS)
def test_a_mineral_oil_or_fuel_bends_less(kind: str) -> None:
    """Of hydrocarbons, and of oils that follow Vogel, 93 % and more lie within 1.96 deviations of its own column."""
    liquids = KINDS[kind]()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas about the way chemicals reads its tables
        wanted = set(liquids) if kind == "Vogel" else hydrocarbons()
    slope, curve = curvatures({name: nu for name, nu in liquids.items() if name in wanted})
    assert np.mean(np.abs(curve) <= 1.96 * curvature(slope, "mineral oil or fuel")) >= 0.93
    np.testing.assert_array_equal(curvature(slope, "silicone fluid"), curvature(slope))


def test_derivation_component_of_the_line() -> None:
    """Nothing at the two measured temperatures, more and more beyond them; the same as the band without noise."""
    measured, nu = [40.0, 100.0], [73.30, 8.86]
    at = np.array([-20.0, 0.0, 20.0, 40.0, 60.0, 70.0, 100.0, 120.0, 150.0])
    percent = formulae.line_model_uncertainty(at, measured, nu)
    np.testing.assert_allclose(percent[[3, 6]], 0.0, atol=1e-9)
    assert np.all(np.diff(percent[:4]) < 0.0)
    assert np.all(np.diff(percent[6:]) > 0.0)
    assert percent[4] > 1.0
    with pytest.warns(ExtrapolationWarning):
        band = formulae.estimate_viscosity_temperature(measured, nu, 1e-6).confidence_band(at[2:], extrapolate=True)
    half = 50.0 * np.log(band.highest / band.lowest)
    np.testing.assert_allclose(half, 1.95996 * percent[2:], rtol=0.02, atol=1e-5)


def test_derivation_component_is_the_bend_left_by_the_line() -> None:
    """By hand: an oil that bends by one standard curvature is off by one standard uncertainty, at any points."""
    T = np.array([20.0, 40.0, 60.0, 100.0]) + 273.15
    x, bend = np.log(T), 2.2 * 0.25 * (330.0 / T) ** 2
    straight = 21.9 - 3.6 * x
    nu = np.exp(np.exp(straight)) - 0.7
    coefficients = np.polyfit(x, bend, 1)
    expected = np.abs(bend - np.polyval(coefficients, x)) * (nu + 0.7) * np.log(nu + 0.7) / nu * 100.0
    np.testing.assert_allclose(formulae.line_model_uncertainty(T - 273.15, T - 273.15, nu), expected, rtol=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["CoolProp", "Perry's Handbook"])
def test_slopes_of_hydrocarbons(kind: str) -> None:
    """Hydrocarbons by their names in CoolProp, by C and H alone in Perry's Handbook: all or 97 % are as the trade's."""
    liquids = {name: nu for name, nu in KINDS[kind]().items() if name in hydrocarbons()}
    slopes = []
    for cold, hot in ((20.0, 80.0), (40.0, 100.0), (20.0, 50.0), (0.0, 40.0)):
        nu = np.stack(list(liquids.values()))[:, np.isin(GRID_C, (cold, hot))]
        slopes.append(formulae.fit_viscosity_temperature([cold, hot], nu[np.isfinite(nu).all(axis=-1)]).slope)
    plausible = formulae.judge_slope(np.concatenate(slopes)).plausible
    assert plausible.size > 40
    assert np.mean(plausible) >= 0.96


@functools.cache
def hydrocarbons() -> set[str]:
    from chemicals import search_chemical, viscosity

    formulas = {}
    for cas, row in viscosity.mu_data_Perrys_8E_2_313.iterrows():
        with contextlib.suppress(ValueError):  # a number that chemicals has no formula for
            formulas[str(row.Chemical).strip()] = search_chemical(cas).formula
    alkanes = {f"n-{name}" for name in ("Pentane", "Hexane", "Heptane", "Octane", "Nonane", "Decane", "Dodecane")}
    rings = {"CycloHexane", "Cyclopentane", "Benzene", "Toluene", "EthylBenzene", "o-Xylene", "m-Xylene", "p-Xylene"}
    return alkanes | rings | {name for name, formula in formulas.items() if set(formula) <= set("CH0123456789")}
