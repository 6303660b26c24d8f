"""Blending: the published steps done one by one, another index, a crude from its own cuts, there and back."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.formulae import ViscosityTemperatureLine

CURVES = Path(__file__).parent / "published" / "curves"

API_11A45 = formulae.fit_viscosity_temperature([10.0, 50.0], [[14.22, 4.85], [163.4, 24.98]])
"""The two components of the example of API Technical Data Book, procedure 11A4.5: at 50 °F and 122 °F."""

LUBES = formulae.fit_viscosity_temperature([40.0, 100.0], [[30.6, 5.23], [480.0, 31.5], [95.0, 11.0]])


def single(lines: ViscosityTemperatureLine, place: int) -> ViscosityTemperatureLine:
    return ViscosityTemperatureLine(
        lines.intercept[place], lines.slope[place], lines.lowest_C[place], lines.highest_C[place], np.empty(0), 0
    )


def double_log_at_one(fractions: list[float], viscosities: ArrayLike) -> float:
    """The double-log method needs one temperature: any other viscosity at another one gives the same here."""
    here = np.asarray(viscosities, dtype=float)
    lines = formulae.fit_viscosity_temperature([40.0, 100.0], np.stack([here, 0.5 * here], axis=-1))
    return float(formulae.blend_lines(fractions, lines).double_log.kinematic_viscosity_at(40.0))


def wright_step_by_step(
    fractions: NDArray[np.float64], lines: ViscosityTemperatureLine, at_C: float, low: float, high: float
) -> float:
    """Blend as the method tells it: lg T of each component at two reference viscosities, a line through the blended."""
    W = np.log10(np.log10(np.array([low, high]) + 0.7))
    log_T = np.log10(
        np.stack(
            [single(lines, i).temperature_at([low, high], extrapolate=True) + 273.15 for i in range(fractions.size)]
        )
    )
    blended = fractions @ log_T
    slope = (W[1] - W[0]) / (blended[1] - blended[0])
    ordinate = W[0] + (np.log10(at_C + 273.15) - blended[0]) * slope
    return float(10.0**10.0**ordinate - 0.7)


@pytest.mark.parametrize(("low", "high"), [(7.5, 25.0), (10.0, 100.0), (8.0, 2000.0)])
@pytest.mark.filterwarnings("ignore::labcalc.errors.ExtrapolationWarning")
def test_derivation_wright_step_by_step(low: float, high: float) -> None:
    """ASTM D7152, Wright's method in its own steps gives the closed form, whatever the reference viscosities."""
    for lines, fractions in ((API_11A45, [0.6, 0.4]), (LUBES, [0.2, 0.3, 0.5])):
        wright = formulae.blend_lines(fractions, lines).wright
        for at_C in (float(wright.lowest_C), float(wright.highest_C)):
            expected = wright_step_by_step(np.array(fractions), lines, at_C, low, high)
            assert wright.kinematic_viscosity_at(at_C) == pytest.approx(expected, rel=1e-11)


def test_derivation_double_log_is_a_line_again() -> None:
    fractions = [0.2, 0.3, 0.5]
    blend = formulae.blend_lines(fractions, LUBES).double_log
    for at_C in (40.0, 70.0, 100.0):
        at_one_temperature = double_log_at_one(fractions, LUBES.kinematic_viscosity_at(at_C))
        assert blend.kinematic_viscosity_at(at_C) == pytest.approx(float(at_one_temperature), rel=1e-12)


def test_another_published_index_agrees() -> None:
    """Maples 2000 (Petroleum Refinery Process Economics): 14.534 ln ln (ν + 0.8) + 10.975, blended by mass.

    Its constant of 0.8 instead of 0.7 makes up to 1.5 %.
    """
    for light, heavy in ((10.0, 100.0), (32.0, 460.0), (5.0, 500.0)):
        for fraction in (0.2, 0.5, 0.8):
            index = 14.534 * np.log(np.log(np.array([light, heavy]) + 0.8)) + 10.975
            blended = np.exp(np.exp((np.dot([fraction, 1.0 - fraction], index) - 10.975) / 14.534)) - 0.8
            computed = double_log_at_one([fraction, 1.0 - fraction], [light, heavy])
            assert computed == pytest.approx(blended, rel=0.015)


def test_a_crude_from_its_own_cuts() -> None:
    """Assay in adios-db, record EX00026: seven cuts from 0.4 mm²/s to 2 million; both methods come within 6 %."""
    with (CURVES / "assay_of_a_crude.csv").open(encoding="utf-8", newline="") as file:
        crude, *cuts = csv.DictReader(file)
    volumes = 0.01 * np.array([float(cut["volume_percent"]) for cut in cuts])
    viscosities = [[float(cut["kv_40"]), float(cut["kv_50"])] for cut in cuts]
    blend = formulae.blend_lines(volumes, formulae.fit_viscosity_temperature([40.0, 50.0], viscosities))
    measured = [float(crude["kv_40"]), float(crude["kv_50"])]
    for line in (blend.wright, blend.double_log):
        np.testing.assert_allclose(line.kinematic_viscosity_at([40.0, 50.0]), measured, rtol=0.06)


@pytest.mark.parametrize("fraction", [0.0, 0.013, 0.5, 1.0])
def test_derivation_the_fraction_comes_back(fraction: float) -> None:
    added, base = single(LUBES, 0), single(LUBES, 1)
    pair = formulae.fit_viscosity_temperature([40.0, 100.0], [[30.6, 5.23], [480.0, 31.5]])
    blend = formulae.blend_lines([fraction, 1.0 - fraction], pair)
    for method in ("wright", "double_log"):
        for at_C in (40.0, 77.0):
            viscosity = getattr(blend, method).kinematic_viscosity_at(at_C)
            explained = formulae.fraction_that_explains(viscosity, at_C, added, base)
            assert getattr(explained, method) == pytest.approx(fraction, abs=1e-11)


def test_the_fraction_in_a_blended_base_comes_back() -> None:
    """Half of component 1 in a base of 30 % of component 2 and 70 % of component 3."""
    base = formulae.blend_lines(
        [0.3, 0.7], formulae.fit_viscosity_temperature([40.0, 100.0], [[480.0, 31.5], [95.0, 11.0]])
    )
    mixture = formulae.blend_lines([0.5, 0.15, 0.35], LUBES)
    for method in ("wright", "double_log"):
        viscosity = getattr(mixture, method).kinematic_viscosity_at(40.0)
        explained = formulae.fraction_that_explains(viscosity, 40.0, single(LUBES, 0), base)
        assert getattr(explained, method) == pytest.approx(0.5, abs=1e-11)


def test_a_pure_component_is_its_own_blend() -> None:
    blend = formulae.blend_lines([0.0, 1.0, 0.0], LUBES)
    for line in (blend.wright, blend.double_log):
        np.testing.assert_allclose(line.kinematic_viscosity_at([40.0, 100.0]), [480.0, 31.5], rtol=1e-12)


def test_what_no_fraction_explains_is_refused() -> None:
    for viscosity in (30.0, 481.0):
        with pytest.raises(
            OutOfRangeError, match=r"outside its range \(30\.6 mm²/s to 480 mm²/s\)|no mixture"
        ) as refusal:
            formulae.fraction_that_explains(viscosity, 40.0, single(LUBES, 0), single(LUBES, 1))
        assert refusal.value.lowest == pytest.approx(30.6)
        assert refusal.value.highest == pytest.approx(480.0)
    with pytest.raises(OutOfRangeError, match="ask for extrapolation"):
        formulae.fraction_that_explains(100.0, 20.0, single(LUBES, 0), single(LUBES, 1))


def test_equal_oils_explain_nothing() -> None:
    oil = single(LUBES, 0)
    explained = formulae.fraction_that_explains(oil.kinematic_viscosity_at(40.0), 40.0, oil, oil)
    assert np.isnan([explained.wright, explained.double_log]).all()


def test_fractions_are_one_together() -> None:
    with pytest.raises(OutOfRangeError, match=r"sum of the fractions 0\.9 .* 1 together"):
        formulae.blend_lines([0.4, 0.3, 0.2], LUBES)
    with pytest.raises(OutOfRangeError, match=r"fraction 1\.1 .* none to all of it"):
        formulae.blend_lines([1.1, -0.1], API_11A45)


def test_a_blend_is_asked_where_all_components_were_measured() -> None:
    lines = formulae.fit_viscosity_temperature([[20.0, 100.0], [40.0, 80.0]], [[80.0, 5.23], [480.0, 55.0]])
    blend = formulae.blend_lines([0.5, 0.5], lines)
    assert (blend.wright.lowest_C, blend.wright.highest_C) == (40.0, 80.0)
    with pytest.raises(OutOfRangeError, match="ask for extrapolation"):
        blend.wright.kinematic_viscosity_at(100.0)


def test_each_component_needs_its_fraction() -> None:
    with pytest.raises(ValueError, match="2 fractions for 3 components"):
        formulae.blend_lines([0.5, 0.5], LUBES)
    with pytest.raises(ValueError, match="3 fractions for 2 components"):
        formulae.blend_lines([0.5, 0.25, 0.25], API_11A45)
