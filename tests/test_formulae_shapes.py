"""Every formula takes scalars, lists, arrays of any shape and series, and passes NaN and emptiness through."""

from __future__ import annotations

import inspect
import pickle
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike

from labcalc import formulae

VALUES = (15.0, 20.0, 30.0, 60.0)

LINE = formulae.fit_viscosity_temperature([10.0, 100.0], [400.0, 9.0])

OIL = formulae.fit_viscosity_temperature([10.0, 100.0], [25.0, 3.0])
OILS = formulae.fit_viscosity_temperature([20.0, 100.0], [[30.0, 4.0], [480.0, 21.0]])
TUBE = formulae.adjust_oscillating_tube(2550.0, 1.2, 3850.0, 998.2)
ANDRADE = formulae.fit_andrade([10.0, 100.0], [400.0, 9.0])
WALTHER = formulae.fit_ubbelohde_walther([10.0, 100.0], [400.0, 9.0])
VOGEL = formulae.fit_vogel([10.0, 40.0, 100.0], [400.0, 70.0, 9.0])
ESTIMATE = formulae.estimate_viscosity_temperature([10.0, 40.0, 100.0], [400.0, 70.0, 9.0])

Formula = Callable[[ArrayLike], object]


def of(values: ArrayLike, factor: float = 1.0, offset: float = 0.0) -> ArrayLike:
    """Bring the values into a formula's range without touching their kind."""
    if isinstance(values, list):
        return [factor * value + offset for value in values]
    return factor * values + offset  # type: ignore[operator]


def points(x: ArrayLike, *others: float) -> np.ndarray:
    """Return the values as the first of several points, last axis; masked ones stay so."""
    first = np.ma.asarray(x, dtype=float) if np.ma.isMaskedArray(x) else np.asarray(x, dtype=float)
    stacked = np.ma.stack([first, *(np.full(first.shape, other) for other in others)], axis=-1)
    return stacked if np.ma.isMaskedArray(x) else stacked.filled()


def parts(x: ArrayLike) -> np.ndarray:
    """Return the values as percentages of the first of two components."""
    percent = np.ma.filled(np.ma.asarray(x, dtype=float), np.nan)
    return np.stack([0.01 * percent, 1.0 - 0.01 * percent], axis=-1)


FORMULAE: dict[str, Formula] = {
    "alpha_60_from_densities": lambda x: formulae.alpha_60_from_densities(of(x, 0.02, 870.0), 15.0, 830.0, 75.0),
    "api_gravity": lambda x: formulae.api_gravity(of(x, 10.0)),
    "density_at": lambda x: formulae.density_at(of(x, 1.0, 840.0), 40.0, 15.0),
    "density_at_60F": lambda x: formulae.density_at_60F(of(x, 1.0, 840.0), 40.0),
    "density_from_api_gravity": formulae.density_from_api_gravity,
    "calculated_carbon_aromaticity_index": lambda x: formulae.calculated_carbon_aromaticity_index(
        of(x, 1.0, 900.0), 380.0
    ),
    "calculated_ignition_index": lambda x: formulae.calculated_ignition_index(of(x, 1.0, 900.0), 380.0),
    "density_by_own_expansion": lambda x: (
        formulae.density_by_own_expansion(of(x, 0.02, 870.0), 15.0, 830.0, 75.0, 25.0).difference
    ),
    "table_expansion_uncertainty": lambda x: formulae.table_expansion_uncertainty(of(x, 1.0, 840.0), 40.0, 15.0),
    "density_from_relative_density": lambda x: formulae.density_from_relative_density(of(x, 0.01)),
    "density_slope": lambda x: formulae.density_slope(880.0, of(x, 1.0, 0.5), 100.0),
    "dynamic_from_kinematic": lambda x: formulae.dynamic_from_kinematic(x, 870.0),
    "ipts68_from_its90": formulae.ipts68_from_its90,
    "relative_density": lambda x: formulae.relative_density(of(x, 10.0)),
    "reported_viscosity_index": formulae.reported_viscosity_index,
    "saybolt_universal_from_kinematic": formulae.saybolt_universal_from_kinematic,
    "viscosity_from_ordinate": lambda x: formulae.viscosity_from_ordinate(of(x, 0.01)),
    "viscosity_gravity_constant_100C": lambda x: formulae.viscosity_gravity_constant_100C(870.0, x),
    "viscosity_gravity_constant_40C": lambda x: formulae.viscosity_gravity_constant_40C(870.0, x),
    "viscosity_index": lambda x: formulae.viscosity_index(of(x, 2.0), 5.0),
    "volume_correction": lambda x: formulae.volume_correction(870.0, x, 500.0).factor,
    "walther_ordinate": formulae.walther_ordinate,
    "ViscosityTemperatureLine.kinematic_viscosity_at": LINE.kinematic_viscosity_at,
    "ViscosityTemperatureLine.relative_slope_at": LINE.relative_slope_at,
    "ViscosityTemperatureLine.temperature_at": LINE.temperature_at,
    "fit_viscosity_temperature": lambda x: formulae.fit_viscosity_temperature([40.0, 100.0], points(x, 8.0)).slope,
    "adjust_oscillating_tube": lambda x: formulae.adjust_oscillating_tube(2550.0, 1.2, of(x, 10.0, 3000.0), 998.2).A,
    "OscillatingTube.density": lambda x: TUBE.density(of(x, 10.0, 3000.0)),
    "blend_lines": lambda x: formulae.blend_lines(parts(x), OILS).wright.slope,
    "compare_viscosity_models": lambda x: formulae.compare_viscosity_models(
        [20.0, 40.0, 60.0, 80.0, 100.0], points(x, 9.0, 6.0, 4.0, 3.0), 1.0
    ).misfit[..., 0][()],
    "departure_from_line": lambda x: (
        formulae.departure_from_line([20.0, 40.0, 100.0], points(x, 9.0, 3.0), 0.3).coldest_excess_percent
    ),
    "dry_air_density": formulae.dry_air_density,
    "engler_from_kinematic": formulae.engler_from_kinematic,
    "estimate_viscosity_temperature": lambda x: formulae.estimate_viscosity_temperature(
        [20.0, 40.0, 100.0], points(x, 9.0, 3.0)
    ).covariance[..., 1, 1][()],
    "EstimatedLine.confidence_band": lambda x: ESTIMATE.confidence_band(x).lowest,
    "EstimatedLine.confidence_band, a result": lambda x: ESTIMATE.confidence_band(x, further_results=1).highest,
    "ExponentialCurve.confidence_band": lambda x: VOGEL.confidence_band(x, noise_percent=0.3).lowest,
    "line_model_uncertainty": lambda x: formulae.line_model_uncertainty(x, [10.0, 100.0], [400.0, 9.0]),
    "ExponentialCurve.viscosity_at": VOGEL.viscosity_at,
    "fit_andrade": lambda x: formulae.fit_andrade([40.0, 100.0], points(x, 8.0)).b_K,
    "fit_ubbelohde_walther": lambda x: formulae.fit_ubbelohde_walther([40.0, 100.0], points(x, 8.0)).m,
    "Andrade.viscosity_at": ANDRADE.viscosity_at,
    "UbbelohdeWaltherLine.kinematic_viscosity_at": WALTHER.kinematic_viscosity_at,
    "ExponentialCurve.confidence_band, a result": lambda x: VOGEL.confidence_band(x, noise_percent=0.3).highest,
    "fit_vogel": lambda x: formulae.fit_vogel([0.0, 40.0, 60.0, 100.0], points(of(x, 1.0, 30.0), 12.0, 6.0, 3.0)).b_K,
    "fraction_that_explains": lambda x: formulae.fraction_that_explains(of(x, 0.5, 20.0), 40.0, OIL, LINE).wright,
    "kinematic_from_engler": formulae.kinematic_from_engler,
    "kinematic_from_redwood": lambda x: formulae.kinematic_from_redwood(of(x, 2.0, 20.0)),
    "kinematic_from_saybolt_furol": lambda x: formulae.kinematic_from_saybolt_furol(of(x, 10.0)),
    "kinematic_from_saybolt_universal": lambda x: formulae.kinematic_from_saybolt_universal(of(x, 10.0)),
    "kinetic_energy_factor": lambda x: formulae.kinetic_energy_factor(x, 9.0, 0.063, 0.01),
    "redwood_from_kinematic": formulae.redwood_from_kinematic,
    "relative_molecular_mass": lambda x: formulae.relative_molecular_mass(of(x, 1.0, 40.0), 5.87, 0.91883),
    "saybolt_furol_from_kinematic": lambda x: formulae.saybolt_furol_from_kinematic(of(x, 10.0)),
    "viscosities_at_100F_and_210F": lambda x: formulae.viscosities_at_100F_and_210F(x, 5.0)[0],
    "viscosity_from_flow_time": lambda x: formulae.viscosity_from_flow_time(of(x, 20.0), 0.01, 100.0),
    "water_density": lambda x: formulae.water_density(of(x, 0.5)),
    "water_viscosity": formulae.water_viscosity,
}

SHAPES: dict[str, ArrayLike] = {
    "scalar": 20.0,
    "numpy scalar": np.float64(20.0),
    "0-D": np.array(20.0),
    "1-D": np.array(VALUES),
    "2-D": np.array(VALUES).reshape(2, 2),
    "list": list(VALUES),
    "series": pd.Series(VALUES, index=[7, 3, 5, 1]),
    "NaN": np.nan,
    "NaN among others": np.array([20.0, np.nan, 30.0]),
    "masked": np.ma.array([20.0, 99.0, 30.0], mask=[False, True, False]),
    "empty": np.array([]),
    "empty 2-D": np.empty((0, 3)),
}


WORDS = {"edition_of", "grade_candidates", "judge_slope", "viscosity_grade"}
"""Formulas that give no numbers."""

OF_POINTS = {
    *("blend_lines", "compare_viscosity_models", "departure_from_line"),
    *(
        "estimate_viscosity_temperature",
        "fit_viscosity_temperature",
        "fit_andrade",
        "fit_ubbelohde_walther",
        "fit_vogel",
    ),
}
"""Formulas of many points, that a series becomes an array for here."""


def unmasked(values: ArrayLike) -> np.ndarray:
    return np.ma.filled(np.ma.asarray(values, dtype=float), np.nan)


def test_no_formula_is_left_out() -> None:
    functions = {name for name in formulae.__all__ if inspect.isfunction(getattr(formulae, name))}
    assert functions - set(FORMULAE) == WORDS


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("name", FORMULAE)
def test_shapes(name: str, shape: str) -> None:
    formula, values = FORMULAE[name], SHAPES[shape]
    given, result = unmasked(values), formula(values)
    if isinstance(values, pd.Series) and name not in OF_POINTS:
        assert isinstance(result, pd.Series)
        assert result.index.equals(values.index)
    else:
        assert type(result) is (np.ndarray if given.ndim else np.float64)
    expected = np.array([float(formula(float(value))) for value in given.ravel()]).reshape(given.shape)  # type: ignore[arg-type]
    np.testing.assert_allclose(np.asarray(result), expected, rtol=1e-13)
    np.testing.assert_array_equal(np.isnan(np.asarray(result)), np.isnan(given))


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_of_the_grade(shape: str) -> None:
    given, result = unmasked(SHAPES[shape]), formulae.viscosity_grade(SHAPES[shape])
    assert isinstance(result, (pd.Series if shape == "series" else np.ndarray) if given.ndim else np.str_)
    expected = [str(formulae.viscosity_grade(float(value))) for value in given.ravel()]
    assert np.asarray(result).ravel().tolist() == expected
    assert np.asarray(result).shape == given.shape
    np.testing.assert_array_equal(np.asarray(result) == "", np.isnan(given))


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_of_the_candidates(shape: str) -> None:
    given = unmasked(SHAPES[shape])
    found = formulae.grade_candidates("SAE J306", kv_100=SHAPES[shape])
    assert found.possible.shape == found.certain.shape == (*given.shape, 10)
    single = [formulae.grade_candidates("SAE J306", kv_100=float(value)).candidates() for value in given.ravel()]
    assert [found.candidates(*index) for index in np.ndindex(given.shape)] == single
    np.testing.assert_array_equal(found.possible.all(axis=-1), np.isnan(given))


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_of_the_slope(shape: str) -> None:
    given, found = unmasked(SHAPES[shape]), formulae.judge_slope(of(SHAPES[shape], 0.1, 1.0))
    single = [formulae.judge_slope(0.1 * float(value) + 1.0) for value in given.ravel()]
    assert np.asarray(found.plausible).ravel().tolist() == [bool(one.plausible) for one in single]
    assert np.asarray(found.liquids).ravel().tolist() == [str(one.liquids) for one in single]
    assert np.shape(found.plausible) == np.shape(found.liquids) == given.shape


def test_series_keep_their_index_beside_scalars_and_arrays() -> None:
    kv_40, kv_100 = pd.Series([46.0, 68.0], index=["A", "B"]), pd.Series([6.8, 8.7], index=["A", "B"])
    expected = formulae.viscosity_index(kv_40.to_numpy(), kv_100.to_numpy())
    for beside in (kv_100, kv_100.to_numpy(), list(kv_100)):
        index = formulae.viscosity_index(kv_40, kv_100=beside)
        pd.testing.assert_series_equal(index, pd.Series(expected, index=["A", "B"]))
    assert formulae.viscosity_index(kv_40, [[6.8], [8.7]]).shape == (2, 2)
    missing = formulae.api_gravity(pd.Series([870.0, pd.NA], dtype="Float64"))
    assert missing.isna().tolist() == [False, True]


def test_series_of_different_indices_are_refused() -> None:
    with pytest.raises(ValueError, match=r"two series of different indices, \[A, B\] of length 2 and \[B, A\]"):
        formulae.viscosity_index(pd.Series([46.0, 68.0], index=["A", "B"]), pd.Series([8.7, 6.8], index=["B", "A"]))


def test_formulas_can_be_sent_to_other_processes() -> None:
    assert pickle.loads(pickle.dumps(formulae.viscosity_index)) is formulae.viscosity_index


def test_inputs_broadcast() -> None:
    index = formulae.viscosity_index([[30.0], [40.0]], [5.0, 6.0, 7.0])
    assert index.shape == (2, 3)
    assert index[1, 2] == formulae.viscosity_index(40.0, 7.0)
    density = formulae.density_at([[860.0], [880.0]], [15.0, 20.0, 40.0], 15.0)
    assert density.shape == (2, 3)
    assert density[1, 2] == formulae.density_at(880.0, 40.0, 15.0)
