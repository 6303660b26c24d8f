"""Ends of the ranges of the formulas, as their sources state them: the ends belong or don't, and a refusal names them.

Sources beside each row; `own` marks labcalc's own choice, where no source states an end.
"""

from __future__ import annotations

import dataclasses
import inspect
import pickle
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae._refusals import refuse_outside
from labcalc.formulae.curves._points import StraightLine

Call = Callable[[float], object]

LINE = formulae.fit_viscosity_temperature([40.0, 100.0], [73.30, 8.86])
OILS = formulae.fit_viscosity_temperature([40.0, 100.0], [[30.6, 5.23], [480.0, 31.5]])
POINTS = ([20.0, 40.0, 100.0], [240.5, 73.30, 8.87])
BESIDE = 1e-6
"""Share of an end, or step from 0, that lies just outside."""

CLOSED: dict[str, tuple[Call, float | None, float | None]] = {
    "own: dry air, temperature": (formulae.dry_air_density, -50.0, 150.0),
    "own: dry air, pressure": (lambda x: formulae.dry_air_density(20.0, x), 500.0, 1100.0),
    "Tanaka 2001, water": (formulae.water_density, 0.0, 40.0),
    "IAPWS SR6-08, viscosity of water": (formulae.water_viscosity, -20.0, 110.0),
    "ASTM D341-20, chart": (formulae.walther_ordinate, 0.21, 2e7),
    "ASTM D2270-10, viscosity at 100 °C": (lambda x: formulae.viscosity_index(1e5, x), 2.0, None),
    "ASTM D2161-05, Universal": (formulae.saybolt_universal_from_kinematic, 1.81, None),
    "ASTM D2161-05, temperature, 0 °F to 350 °F": (
        lambda x: formulae.saybolt_universal_from_kinematic(20.0, x),
        -17.77777777777778,
        176.66666666666666,
    ),
    "ASTM D2161-05, Furol at 122 °F": (formulae.saybolt_furol_from_kinematic, 48.0, None),
    "ASTM D2161-05, Furol at 210 °F": (partial(formulae.saybolt_furol_from_kinematic, at_F=210), 50.0, None),
    "own: Engler": (formulae.kinematic_from_engler, 1.5, None),
    "own: Redwood": (formulae.kinematic_from_redwood, 38.0, None),
    "ISO 3105:1994, kinetic energy": (lambda x: formulae.viscosity_from_flow_time(300.0, 0.01, x), 0.0, None),
    "ASTM D445-11a, flow time": (lambda x: formulae.viscosity_from_flow_time(x, 0.01), 200.0, None),
    "API MPMS 11.1-2004, −58 °F to 302 °F": (lambda x: formulae.density_at(870.0, x, 15.0), -50.0, 150.0),
    "API MPMS 11.1-2004, 1 500 psi": (lambda x: formulae.density_at(870.0, 15.0, 15.0, to_kPa=x), None, 10342.14),
    "API MPMS 11.1-2004, expansion": (
        lambda x: formulae.density_at(1000.0, 40.0, 15.0, alpha_60=x),
        230e-6,
        930e-6,
    ),
    "ASTM D7152-11, fraction": (lambda x: formulae.blend_lines([x, 1.0 - x], OILS).wright.slope, 0.0, 1.0),
    "own: density of a liquid": (formulae.api_gravity, 10.0, 3000.0),
    "own: density for VGC": (lambda x: formulae.viscosity_gravity_constant_40C(x, 30.6), 10.0, 3000.0),
    "own: relative density of a liquid": (formulae.density_from_relative_density, 0.01, 3.01),
    "own: gravity of a liquid": (formulae.density_from_api_gravity, -85.0, 340.0),
    "own: density of a residual fuel": (
        lambda x: formulae.calculated_carbon_aromaticity_index(x, 380.0),
        800.0,
        1100.0,
    ),
    "own: degrees of freedom": (
        lambda x: formulae.departure_from_line(*POINTS, 0.4, noise_degrees_of_freedom=x).p_value,
        1.0,
        None,
    ),
}

OPEN: dict[str, tuple[Call, float]] = {
    "ASTM D2501-14, at 40 °C": (lambda x: formulae.viscosity_gravity_constant_40C(870.0, x), 5.5),
    "ASTM D2501-14, at 100 °C": (lambda x: formulae.viscosity_gravity_constant_100C(870.0, x), 0.8),
    "definition: flow time": (lambda x: formulae.viscosity_from_flow_time(x, 0.01, shortest_s=0.0), 0.0),
    "definition: grade": (formulae.viscosity_grade, 0.0),
    "definition: index, viscosity at 40 °C": (lambda x: formulae.viscosity_index(x, 5.0), 0.0),
    "definition: probability": (
        lambda x: formulae.estimate_viscosity_temperature(*POINTS).confidence_band(40.0, level=x).lowest,
        0.0,
    ),
    "definition: uncertainty": (
        lambda x: formulae.estimate_viscosity_temperature(*POINTS, x).covariance,
        0.0,
    ),
    "definition: lg lg 1": (lambda x: formulae.fit_ubbelohde_walther([40.0, 100.0], [73.3, x], constant=0.0).m, 1.0),
    "definition: lg lg (0.2 + 0.8)": (lambda x: formulae.fit_ubbelohde_walther([40.0, 100.0], [73.3, x - 0.8]).m, 1.0),
    "definition: Andrade": (lambda x: formulae.fit_andrade([40.0, 100.0], [73.3, x]).b_K, 0.0),
    "definition: Vogel": (lambda x: formulae.fit_vogel([20.0, 40.0, 100.0], np.array([27.2, 8.27, 1.0]) * x).b_K, 0.0),
}


def step_of(end: float) -> float:
    return BESIDE * abs(end) or BESIDE


@pytest.mark.parametrize("name", CLOSED)
def test_ends_belong_to_the_range(name: str) -> None:
    call, lowest, highest = CLOSED[name]
    for end, sign in ((lowest, -1.0), (highest, 1.0)):
        if end is None:
            continue
        assert np.isfinite(call(end)).all()
        with pytest.raises(OutOfRangeError) as refusal:
            call(end + sign * step_of(end))
        assert refusal.value.value == pytest.approx(end + sign * step_of(end), rel=1e-9, abs=1e-12)
        stated = refusal.value.lowest if sign < 0.0 else refusal.value.highest
        assert stated == pytest.approx(end, rel=1e-12)


@pytest.mark.parametrize("name", OPEN)
def test_ends_do_not_belong_to_the_range(name: str) -> None:
    call, end = OPEN[name]
    with pytest.raises(OutOfRangeError) as refusal:
        call(end)
    assert refusal.value.value == pytest.approx(end)
    assert refusal.value.above == pytest.approx(end)
    assert f"more than {end:.10g}" in str(refusal.value)
    if "index" not in name:  # there 40 °C must also be above 100 °C
        call(end + 1e-3)


def test_dust_of_binary_arithmetic_is_inside() -> None:
    """2.1e-6 m²/s × 1e6 isn't quite 2.1 mm²/s: a billionth of a limit is dust (own choice), more is outside."""
    for lowest, highest, limit in ((2.0, 50.0, 2.0), (2.0, 50.0, 50.0), (-50.0, -2.0, -50.0), (-50.0, -2.0, -2.0)):
        ends, sign = {"lowest": lowest, "highest": highest}, -1.0 if limit == lowest else 1.0
        sign *= np.sign(limit)
        refuse_outside(np.array([limit * (1.0 + sign * 0.9e-9)]), "x", "-", **ends, reason="")
        with pytest.raises(OutOfRangeError):
            refuse_outside(np.array([limit * (1.0 + sign * 1.5e-9)]), "x", "-", **ends, reason="")
    with pytest.raises(OutOfRangeError, match="x -inf - is outside every range: no number"):
        refuse_outside(np.array(-np.inf), "x", "-", reason="no number")


@pytest.mark.parametrize("sum_of_parts", [1.0 - 0.9e-6, 1.0 + 0.9e-6])
def test_fractions_may_miss_one_by_a_millionth(sum_of_parts: float) -> None:
    """Own choice: 0.333333 three times is a whole."""
    assert formulae.blend_lines([sum_of_parts - 0.5, 0.5], OILS).double_log.slope > 0.0
    beyond = 1.0 + 1.2 * (sum_of_parts - 1.0)
    with pytest.raises(OutOfRangeError, match=r"sum of the fractions [\d.]+ is not 1: the fractions"):
        formulae.blend_lines([beyond - 0.5, 0.5], OILS)


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ({"lowest": 2.0, "highest": 50.0}, "(2 to 50 mm²/s)"),
        ({"lowest": 2.0}, "(2 mm²/s or more)"),
        ({"highest": 50.0}, "(up to 50 mm²/s)"),
        ({"above": 2.0}, "(more than 2 mm²/s)"),
        ({"below": 50.0}, "(less than 50 mm²/s)"),
        ({"above": 2.0, "highest": 50.0}, "(more than 2 mm²/s, up to 50 mm²/s)"),
        ({"lowest": 2.0, "below": 50.0}, "(2 mm²/s or more, less than 50 mm²/s)"),
    ],
)
def test_a_range_is_told_with_its_ends_as_they_belong(ends: dict[str, float], words: str) -> None:
    error = OutOfRangeError("viscosity", 60.0, "mm²/s", **ends, reason="so it is")
    assert str(error) == f"viscosity 60 mm²/s is outside its range {words}: so it is"
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), vars(again)) == (str(error), vars(error))


@pytest.mark.parametrize("index", [-0.4, -0.0, 0.3])
def test_an_index_is_never_minus_zero(index: float) -> None:
    assert str(formulae.reported_viscosity_index(index)) == "0.0"


PUBLIC = [getattr(formulae, name) for name in formulae.__all__ if name != "Commodity"]
RESULTS = [StraightLine, *(kind for kind in PUBLIC if inspect.isclass(kind))]


@pytest.mark.parametrize("kind", RESULTS, ids=lambda kind: kind.__name__)
def test_results_keep_what_they_hold(kind: type) -> None:
    """They can't be changed, and stand in sets and as keys although their fields are arrays."""
    assert dataclasses.is_dataclass(kind)
    fields = [field.name for field in dataclasses.fields(kind)]
    one, other = (kind(**dict.fromkeys(fields, np.zeros(2))) for _ in range(2))
    assert len({one, other, one}) == 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(one, fields[0], 1.0)
