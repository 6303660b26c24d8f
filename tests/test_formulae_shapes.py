"""Every formula takes scalars, lists, arrays of any shape and series, and passes NaN and emptiness through."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike

from labcalc import formulae

VALUES = (15.0, 20.0, 30.0, 60.0)

LINE = formulae.fit_viscosity_temperature([10.0, 100.0], [400.0, 9.0])

Formula = Callable[[ArrayLike], object]


def of(values: ArrayLike, factor: float = 1.0, offset: float = 0.0) -> ArrayLike:
    """Bring the values into a formula's range without touching their kind."""
    if isinstance(values, list):
        return [factor * value + offset for value in values]
    return factor * values + offset  # type: ignore[operator]


FORMULAE: dict[str, Formula] = {
    "alpha_60_from_densities": lambda x: formulae.alpha_60_from_densities(of(x, 0.02, 870.0), 15.0, 830.0, 75.0),
    "api_gravity": lambda x: formulae.api_gravity(of(x, 10.0)),
    "density_at": lambda x: formulae.density_at(of(x, 1.0, 840.0), 40.0, 15.0),
    "density_at_60F": lambda x: formulae.density_at_60F(of(x, 1.0, 840.0), 40.0),
    "density_from_api_gravity": formulae.density_from_api_gravity,
    "density_from_relative_density": formulae.density_from_relative_density,
    "density_slope": lambda x: formulae.density_slope(880.0, of(x, 1.0, 0.5), 100.0),
    "dynamic_from_kinematic": lambda x: formulae.dynamic_from_kinematic(x, 870.0),
    "ipts68_from_its90": formulae.ipts68_from_its90,
    "kinematic_from_dynamic": lambda x: formulae.kinematic_from_dynamic(x, 870.0),
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
    "fit_viscosity_temperature": lambda x: (
        formulae.fit_viscosity_temperature(
            [40.0, 100.0], np.stack(np.broadcast_arrays(np.asarray(x, dtype=float), 8.0), axis=-1)
        ).slope
    ),
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
    "empty": np.array([]),
    "empty 2-D": np.empty((0, 3)),
}


def test_no_formula_is_left_out() -> None:
    functions = {name for name in formulae.__all__ if inspect.isfunction(getattr(formulae, name))}
    assert functions - set(FORMULAE) == {"editions", "viscosity_grade"}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("name", FORMULAE)
def test_shapes(name: str, shape: str) -> None:
    formula, values = FORMULAE[name], SHAPES[shape]
    given, result = np.asarray(values, dtype=float), formula(values)
    assert isinstance(result, np.ndarray if given.ndim else np.float64)
    expected = np.array([float(formula(float(value))) for value in given.ravel()]).reshape(given.shape)  # type: ignore[arg-type]
    np.testing.assert_allclose(np.asarray(result), expected, rtol=1e-13)
    np.testing.assert_array_equal(np.isnan(np.asarray(result)), np.isnan(given))


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_of_the_grade(shape: str) -> None:
    given, result = np.asarray(SHAPES[shape], dtype=float), formulae.viscosity_grade(SHAPES[shape])
    assert isinstance(result, np.ndarray if given.ndim else np.str_)
    expected = [str(formulae.viscosity_grade(float(value))) for value in given.ravel()]
    assert np.asarray(result).ravel().tolist() == expected
    assert np.asarray(result).shape == given.shape
    np.testing.assert_array_equal(np.asarray(result) == "", np.isnan(given))


def test_inputs_broadcast() -> None:
    index = formulae.viscosity_index([[30.0], [40.0]], [5.0, 6.0, 7.0])
    assert index.shape == (2, 3)
    assert index[1, 2] == formulae.viscosity_index(40.0, 7.0)
    density = formulae.density_at([[860.0], [880.0]], [15.0, 20.0, 40.0], 15.0)
    assert density.shape == (2, 3)
    assert density[1, 2] == formulae.density_at(880.0, 40.0, 15.0)
