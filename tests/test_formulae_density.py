"""Density tables: ends of ranges, round trips, joints, and what the program keeps as its own numbers."""

from __future__ import annotations

import contextlib
import re
import warnings

import numpy as np
import pytest
from hypothesis import given, strategies as st

from labcalc.errors import ConvergenceWarning, ExtrapolationWarning, OutOfRangeError
from labcalc.formulae import (
    COMMODITIES,
    alpha_60_from_densities,
    api_gravity,
    calculated_carbon_aromaticity_index,
    calculated_ignition_index,
    density_at,
    density_at_60F,
    density_by_own_expansion,
    density_from_api_gravity,
    density_from_relative_density,
    density_slope,
    dynamic_from_kinematic,
    fit_viscosity_temperature,
    relative_density,
    table_expansion_uncertainty,
    volume_correction,
)

F60 = (60.0 - 32.0) / 1.8


@given(
    st.sampled_from(
        [("lubricating oil", 820.0), ("crude oil", 760.0), ("refined product", 700.0), ("refined product", 850.0)]
    ),
    st.floats(0.0, 150.0),
    st.floats(-40.0, 140.0),
    st.floats(0.0, 9000.0),
)
def test_there_and_back(oil: tuple[str, float], above: float, temperature: float, pressure: float) -> None:
    """Both ways lead through 60 °F; the published iteration stops at 1e-6 kg/m³."""
    commodity, start = oil
    density = start + above
    there = float(density_at(density, F60, temperature, to_kPa=pressure, commodity=commodity))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # beside a joint, where the method itself does not settle
        back = float(density_at(there, temperature, F60, from_kPa=pressure, commodity=commodity))
    nearest = min(abs(density - joint) for joint in (*COMMODITIES[commodity].joints, np.inf))
    assert back == pytest.approx(density, abs=2e-6 if nearest > 1.0 else 0.1)


@pytest.mark.parametrize(
    ("commodity", "at_60F", "observed"),
    [
        ("lubricating oil", (800.9, 1163.5), (714.3, 1208.3)),
        ("refined product", (610.6, 1163.5), (470.4, 1209.5)),
        ("crude oil", (610.6, 1163.5), (470.5, 1201.8)),
    ],
)
def test_density_ranges_as_printed(commodity: str, at_60F: tuple[float, float], observed: tuple[float, float]) -> None:
    """API MPMS 11.1-2004, par. 11.1.6.1 and 11.1.6.2 (copied from public implementations, seen)."""
    group = COMMODITIES[commodity]
    assert (group.lowest, group.highest) == at_60F
    assert (group.lowest_observed, group.highest_observed) == observed


@pytest.mark.parametrize("commodity", COMMODITIES)
def test_ends_of_the_density_range(commodity: str) -> None:
    """API MPMS 11.1-2004, par. 11.1.6.1: the limits belong to the range."""
    group = COMMODITIES[commodity]
    assert np.isfinite(volume_correction([group.lowest, group.highest], 20.0, commodity=commodity).factor).all()
    for outside in (group.lowest - 0.001, group.highest + 0.001):
        with pytest.raises(OutOfRangeError, match="density at 60 °F"):
            volume_correction(outside, 20.0, commodity=commodity)
        with pytest.raises(OutOfRangeError, match="density at 60 °F"):
            density_at(outside, F60, 15.0, commodity=commodity)
    for outside in (group.lowest_observed - 0.001, group.highest_observed + 0.001):
        with pytest.raises(OutOfRangeError, match=f"for the observed density of a {commodity}"):
            density_at(outside, F60, 15.0, commodity=commodity)


@pytest.mark.parametrize(
    ("conditions", "quantity"),
    [
        ((-50.001, 0.0), "temperature"),
        ((150.001, 0.0), "temperature"),
        ((15.0, 10342.2), "gauge pressure"),
        ((np.inf, 0.0), "temperature"),
    ],
)
def test_ends_of_temperature_and_pressure(conditions: tuple[float, float], quantity: str) -> None:
    temperature, pressure = conditions
    assert np.isfinite(volume_correction(870.0, [-50.0, 150.0], [0.0, 10342.14]).factor).all()
    with pytest.raises(OutOfRangeError, match=quantity):
        density_at(870.0, temperature, 15.0, from_kPa=pressure)
    with pytest.raises(OutOfRangeError, match=quantity):
        density_at(870.0, 15.0, temperature, to_kPa=pressure)


def test_pressure_below_the_atmosphere_counts_as_none() -> None:
    assert density_at(870.0, 40.0, 15.0, from_kPa=-50.0) == density_at(870.0, 40.0, 15.0)


def test_first_offending_value_is_named() -> None:
    message = "density 1300 kg/m³ is outside its range (714.3 to 1208.3 kg/m³)"
    with pytest.raises(OutOfRangeError, match=re.escape(message)):
        density_at([870.0, np.nan, 1300.0, 1400.0], 40.0, 15.0)


def test_an_oil_of_its_own_expansion() -> None:
    """API MPMS 11.1-2004, special applications: 230e-6 to 930e-6 per °F, and then no density limits."""
    for alpha in (230e-6, 930e-6):
        assert np.isfinite(density_at(1300.0, 40.0, 15.0, alpha_60=alpha))
    for alpha in (229.9e-6, 930.1e-6):
        with pytest.raises(OutOfRangeError, match="thermal expansion"):
            density_at(870.0, 40.0, 15.0, alpha_60=alpha)
    with pytest.raises(OutOfRangeError, match="no liquid has such a density"):
        density_at(0.0, 40.0, 15.0, alpha_60=500e-6)
    with pytest.raises(OutOfRangeError, match=r"density 15 kg/m³ is none that an oil of this .* leads out of"):
        density_at([870.0, 15.0], 40.0, 15.0, from_kPa=5000.0, alpha_60=500e-6)
    assert np.isnan(density_at(870.0, 40.0, 15.0, alpha_60=[500e-6, np.nan])).tolist() == [False, True]


def test_an_unknown_commodity_is_refused() -> None:
    with pytest.raises(ValueError, match="commodity group 'diesel' is unknown; known are 'lubricating oil'"):
        density_at(840.0, 15.0, 20.0, commodity="diesel")


@pytest.mark.parametrize("joint", COMMODITIES["refined product"].joints)
def test_expansion_is_continuous_at_the_joints(joint: float) -> None:
    """The sub-groups of API MPMS 11.1-2004 meet within 2e-8 per °F: a wrong coefficient would break that."""
    below, above = volume_correction([joint - 1e-9, joint], 15.0, commodity="refined product").alpha_60
    assert abs(below - above) < 2.5e-8


def test_beside_a_joint_the_last_value_is_kept_and_said() -> None:
    """Par. 11.1.6.2: within 1 kg/m³ of the joints at 770.352 and 787.5195 the iteration may not settle."""
    wanted = np.linspace(787.5, 787.54, 401)
    observed = wanted * volume_correction(787.52, 100.0, commodity="refined product").factor
    with pytest.warns(ConvergenceWarning, match="did not settle beside a joint"):
        settled = density_at_60F(observed, 100.0, commodity="refined product")
    np.testing.assert_allclose(settled, wanted, atol=0.1)


def test_derivation_expansion_from_two_densities() -> None:
    """The equation of CTL, solved: an oil of the tables gives back its own expansion, in either order."""
    hot = density_at(870.0, 15.0, 100.0)
    alpha = float(volume_correction(density_at_60F(870.0, 15.0), 15.0).alpha_60)
    assert alpha_60_from_densities(870.0, 15.0, hot, 100.0) == pytest.approx(alpha, rel=1e-8)
    assert alpha_60_from_densities(hot, 100.0, 870.0, 15.0) == pytest.approx(alpha, rel=1e-8)
    assert density_at(848.0, 40.0, 100.0, alpha_60=alpha_60_from_densities(848.0, 40.0, 810.2, 100.0)) == pytest.approx(
        810.2, abs=2e-6
    )
    assert np.isnan(alpha_60_from_densities(870.0, 15.0, 869.0, 15.0))
    with pytest.raises(OutOfRangeError, match="thermal expansion"):
        alpha_60_from_densities(870.0, 15.0, 869.0, 100.0)


def test_derivation_every_lubricating_oil_falls_by_the_same_slope() -> None:
    """The expansion of the group is 0.34878/ρ, so that ρα, the slope, is the same for all: 0.34878 × 1.8 = 0.628."""
    slope = density_slope(np.linspace(810.0, 1100.0, 30), 15.0, 16.0)
    np.testing.assert_allclose(slope, -0.34878 * 1.8, rtol=2e-3)
    assert np.isnan(density_slope(870.0, 15.0, 15.0))


@pytest.mark.regression
@pytest.mark.parametrize(
    ("commodity", "observed", "at", "expected"),
    [
        ("lubricating oil", 850.0, 40.0, (865.428995, 865.777822, 862.635355)),
        ("lubricating oil", 812.3, 100.0, (866.177000, 866.525827, 863.383362)),
        ("refined product", 805.5, 40.0, (823.266237, 823.667487, 820.052031)),
        ("refined product", 930.0, 50.0, (953.670121, 954.049190, 950.634323)),
        ("crude oil", 845.0, 30.0, (855.406993, 855.805791, 852.212619)),
    ],
)
def test_laboratory_rows(commodity: str, observed: float, at: float, expected: tuple[float, float, float]) -> None:
    """Values of a separate implementation of API MPMS 11.1-2004: at 60 °F, 15 °C and 20 °C."""
    computed = density_at(observed, at, [F60, 15.0, 20.0], commodity=commodity)
    np.testing.assert_allclose(computed, expected, atol=1e-6)


@given(st.floats(300.0, 3000.0))
def test_gravity_and_back(density: float) -> None:
    assert density_from_api_gravity(api_gravity(density)) == pytest.approx(density, rel=1e-12)
    assert density_from_relative_density(relative_density(density)) == pytest.approx(density, rel=1e-14)


@pytest.mark.parametrize("formula", [api_gravity, relative_density, density_from_relative_density])
@pytest.mark.parametrize("value", [0.0, -1.0, np.inf])
def test_impossible_densities_are_refused(formula: object, value: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"density (at )?60(/60)? °F"):
        formula(value)  # type: ignore[operator]


def test_impossible_gravity_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="API gravity"):
        density_from_api_gravity(-131.5)


def test_kinematic_and_dynamic_viscosity() -> None:
    """ISO/TR 3666:1998: water at 20 °C has 1.0016 mPa·s and 1.0034 mm²/s; its density is 998.207 kg/m³."""
    assert dynamic_from_kinematic(1.0034, 998.207) == pytest.approx(1.0016, abs=5e-5)
    with pytest.raises(OutOfRangeError, match="density 0 kg/m³"):
        dynamic_from_kinematic(1.0, 0.0)
    with pytest.raises(OutOfRangeError, match="kinematic viscosity -1 mm²/s"):
        dynamic_from_kinematic(-1.0, 870.0)


def test_derivation_own_expansion() -> None:
    """The equation of CTL with the oil's own expansion gives both measured densities, and others of a model oil."""
    model = density_at(870.0, 15.0, [40.0, 100.0, 60.0], alpha_60=4.3e-4)
    found = density_by_own_expansion(model[0], 40.0, model[1], 100.0, [15.0, 40.0, 100.0, 60.0])
    np.testing.assert_allclose(found.density, [870.0, *model], atol=2e-6)
    assert found.alpha_60 == pytest.approx(4.3e-4, rel=1e-6)
    swapped = density_by_own_expansion(model[1], 100.0, model[0], 40.0)
    assert swapped.density == pytest.approx(870.0, abs=2e-6)
    assert swapped.table_density == density_at(model[0], 40.0, 15.0)
    assert swapped.difference == swapped.density - swapped.table_density


@pytest.mark.parametrize(
    ("liquid", "off"),
    [("MethylOleate", -2.4), ("MethylLinoleate", -2.6), ("MethylPalmitate", -2.9), ("MD4M", -8.4), ("D6", -11.7)],
)
def test_own_expansion_of_liquids_off_the_tables(liquid: str, off: float) -> None:
    """CoolProp 8: from 40 °C and 100 °C the own expansion is right to 1.2 kg/m³ at 15 °C, where the table is off."""
    from CoolProp.CoolProp import PropsSI

    at_15, at_40, at_100 = (PropsSI("D", "T", t + 273.15, "P", 101_325.0, liquid) for t in (15.0, 40.0, 100.0))
    found = density_by_own_expansion(at_40, 40.0, at_100, 100.0)
    assert found.density == pytest.approx(at_15, abs=1.2)
    assert found.table_density - at_15 == pytest.approx(off, abs=0.3)


@pytest.mark.parametrize(
    ("liquid", "boils_above_C", "at_least"), [(None, 100.0, 90), ("mineral oil or fuel", 157.0, 12)]
)
@pytest.mark.parametrize("pair", [(40.0, 100.0), (20.0, 80.0), (20.0, 40.0)], ids=str)
def test_own_expansion_is_as_near_as_it_says(
    pair: tuple[float, float], liquid: str | None, boils_above_C: float, at_least: int
) -> None:
    """Perry's Handbook, 8th ed., table 2-32 (in chemicals): 93 % and more at 15 °C; hydrocarbons for mineral oils."""
    from chemicals import MW, Tb, search_chemical, volume

    volume._load_rho_data()
    T, inside = np.array([15.0, *pair]) + 273.15, []
    for cas, rho in volume.rho_data_Perry_8E_105_l.iterrows():
        boils = Tb(cas)
        if boils is None or boils < boils_above_C + 273.15 or rho.Tmin > T[0] or rho.Tmax < T[2]:
            continue
        if liquid and not set(search_chemical(cas).formula) <= set("CH0123456789"):
            continue
        density = 1e-3 * MW(cas) * rho.C1 / rho.C2 ** (1.0 + (1.0 - T / rho.C3) ** rho.C4)
        with contextlib.suppress(OutOfRangeError):  # one that expands more than the standard has
            found = density_by_own_expansion(density[1], pair[0], density[2], pair[1], liquid=liquid)
            inside.append(abs(found.density - density[0]) <= 1.96 * found.equation_uncertainty)
    assert len(inside) >= at_least
    assert np.mean(inside) >= 0.93


def test_derivation_the_equation_is_exact_where_it_was_measured() -> None:
    """By hand: 3.5e-4 · 25 · 85 = 0.744 kg/m³ at 15 °C, 1.8e-4 · 25 · 85 = 0.3825 kg/m³ for a mineral oil."""
    found = density_by_own_expansion(848.0, 40.0, 810.2, 100.0, [15.0, 40.0, 100.0])
    np.testing.assert_allclose(found.equation_uncertainty, [0.74375, 0.0, 0.0])
    mineral = density_by_own_expansion(848.0, 40.0, 810.2, 100.0, liquid="mineral oil or fuel")
    assert mineral.equation_uncertainty == pytest.approx(0.3825)


def test_own_expansion_where_the_tables_hold_no_such_oil() -> None:
    heavy = density_by_own_expansion([1850.0, 848.0], 40.0, [1745.0, 810.2], 100.0)
    assert np.isnan(heavy.table_density).tolist() == [True, False]
    assert np.isfinite(heavy.density).all()
    assert np.isnan(density_by_own_expansion(1850.0, 40.0, 1745.0, 100.0).difference)


def test_uncertainty_of_the_tables_expansion() -> None:
    """Slopes of oils (memory: PAO 0.64, diester 0.70, FAME 0.73 kg/m³/K) and of fuels (open data: median, maximum)."""
    for commodity, density, slope, inside in (
        ("lubricating oil", 827.0, 0.64, True),
        ("lubricating oil", 918.0, 0.70, False),
        ("lubricating oil", 880.0, 0.73, False),
        ("refined product", 880.0, 0.73, True),
        ("refined product", 845.0, 0.693, True),
        ("refined product", 845.0, 0.787, False),
    ):
        table = float(density_slope(density, 15.0, 0.0, commodity=commodity))
        u = float(table_expansion_uncertainty(density, 15.0, 0.0, commodity=commodity)) / 15.0
        assert (abs(-slope - table) <= 1.96 * u) == inside
    assert table_expansion_uncertainty(870.0, 15.0, 15.0) == pytest.approx(0.0, abs=1e-6)


def test_ignition_indices_agree_about_trouble() -> None:
    """A fuel manual (seen): trouble begins below a CII of 30 and above a CCAI of 870, usual is 800 to 870."""
    density = np.linspace(940.0, 1020.0, 200)
    for kv_50 in (180.0, 380.0, 700.0):
        CCAI = calculated_carbon_aromaticity_index(density, kv_50)
        at_870 = np.interp(870.0, CCAI, calculated_ignition_index(density, kv_50))
        assert at_870 == pytest.approx(29.5, abs=1.5)
    line = fit_viscosity_temperature([50.0, 100.0], [380.0, 35.0])
    with pytest.warns(ExtrapolationWarning):
        along = line.kinematic_viscosity_at([40.0, 50.0, 80.0, 100.0], extrapolate=True)
    for index, spread in ((calculated_carbon_aromaticity_index, 1.1), (calculated_ignition_index, 0.25)):
        assert np.ptp(index(991.0, along, [40.0, 50.0, 80.0, 100.0])) < spread
    with pytest.raises(OutOfRangeError, match="residual fuels are meant"):
        calculated_ignition_index(991.0, 1.5)
