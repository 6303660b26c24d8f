"""U of a viscosity that was read off the line holds the truth of liquids that are no line; and a class makes it less.

The liquids are known from elsewhere: CoolProp 8, Perry's Handbook (in chemicals), oils that follow Vogel's equation.
"""

from __future__ import annotations

import math
import warnings
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from labcalc.judgement.record.repeats import Agreement
from labcalc.judgement.run.derived_results import viscosities_at
from labcalc.judgement.run.results import viscosity_curve
from labcalc.judgement.uncertainty.results import MODEL, Consequence, Effect, Result, Results, by_component
from labcalc.statistics import InputQuantity
from tests.real_liquids import GRID_C
from tests.test_formulae_line_curvature import KINDS, hydrocarbons

NOISE_PERCENT = 0.3
MINERAL = "mineral oil or fuel"
AGREEMENT = cast("Agreement", SimpleNamespace(statement=None))


def viscosity_at(found: Results, temperature: float, liquid: str | None = None) -> Consequence:
    return viscosities_at(found, [temperature], liquid)[0]


def results(temperatures_C: tuple[float, ...], viscosities: NDArray[np.float64]) -> Results:
    """Results of independent noise, as a run would give them."""
    return Results(
        Result("kinematic viscosity", t, nu, (nu,), follows=False, agreement=AGREEMENT, effects=(noise_of(t, nu),))
        for t, nu in zip(temperatures_C, viscosities.tolist(), strict=True)
    )


def noise_of(temperature_C: float, viscosity: float) -> Effect:
    source = InputQuantity(f"repeatability, {temperature_C}", 0.0, 0.01 * NOISE_PERCENT * viscosity)
    return Effect("repeatability", source, 1.0)


def held(nu: NDArray[np.float64], measured: tuple[float, ...], noise: NDArray[np.float64], liquid: str | None) -> float:
    """Return the share of other temperatures, -20 °C to 150 °C, where U holds the true viscosity of one liquid."""
    found = results(measured, nu[np.isin(GRID_C, measured)] * np.exp(0.01 * NOISE_PERCENT * noise))
    others = [(t, true) for t, true in zip(GRID_C, nu, strict=True) if t not in measured and t % 20.0 == 0.0]
    derived = [(viscosity_at(found, float(t), liquid), true) for t, true in others if np.isfinite(true)]
    return float(np.mean([abs(one.value - true) <= one.expanded_uncertainty for one, true in derived]))


@pytest.mark.parametrize("liquid", [None, MINERAL], ids=str)
@pytest.mark.parametrize("measured", [(40.0, 100.0), (20.0, 40.0, 100.0)], ids=str)
@pytest.mark.parametrize("kind", KINDS)
def test_u_holds_liquids_that_are_no_line(kind: str, measured: tuple[float, ...], liquid: str | None) -> None:
    """93 % and more; a mineral oil or fuel is tried with hydrocarbons and with oils of Vogel."""
    rng, shares = np.random.default_rng(5), []
    liquids = KINDS[kind]()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas about the way chemicals reads its tables
        wanted = hydrocarbons() if liquid and kind != "Vogel" else set(liquids)
    for nu in [nu for name, nu in liquids.items() if name in wanted][:90]:
        if np.isfinite(nu[np.isin(GRID_C, measured)]).all():
            shares.append(held(nu, measured, rng.standard_normal(len(measured)), liquid))
    assert len(shares) >= 8
    assert np.mean(shares) >= 0.93


def test_u_grows_outside_the_measured_range_and_less_so_for_a_mineral_oil() -> None:
    """46.12 and 6.870 mm²/s at 40 °C and 100 °C, 0.3 % sure: U of what follows, in % of it."""
    found = results((40.0, 100.0), np.array([46.12, 6.870]))
    at = (0.0, 20.0, 30.0, 60.0, 110.0, 130.0, 150.0)
    any_oil, mineral = (
        [one.expanded_uncertainty / one.value for one in (viscosity_at(found, t, liquid) for t in at)]
        for liquid in (None, MINERAL)
    )
    assert any_oil[:3] == sorted(any_oil[:3], reverse=True)
    assert any_oil[4:] == sorted(any_oil[4:])
    assert all(less < more for less, more in zip(mineral, any_oil, strict=True))
    assert viscosity_at(found, 20.0).expanded_uncertainty > 10.0 * 0.0059 * 130.0


def test_derivation_the_component_by_hand() -> None:
    """2.2 · |b − b̂| of ln ln Z, over d ln ln Z / d ln ν; U reaches the end of the interval above the line."""
    found = viscosity_at(results((40.0, 100.0), np.array([46.12, 6.870])), 60.0)
    cold, hot, T = 313.15, 373.15, 333.15
    share = math.log(T / cold) / math.log(hot / cold)
    b = [0.25 * (330.0 / one) ** 2 for one in (cold, hot, T)]
    bow = abs(b[2] - b[0] - share * (b[1] - b[0]))
    Z = found.value + 0.7
    relative = math.exp(1.959964 * 2.2 * bow * math.log(Z) * Z / found.value) - 1.0
    assert 1.959964 * by_component(found.effects)[MODEL] / found.value == pytest.approx(relative, rel=1e-3)


def test_the_band_of_the_chart_is_that_of_the_report() -> None:
    """Nothing but the results' own U at the measured temperatures; beyond them both say the same interval."""
    found = results((40.0, 100.0), np.array([46.12, 6.870]))
    curve = viscosity_curve(found, (20.0,))
    assert curve is not None
    relative = dict(zip(curve.temperature_C.tolist(), (curve.half_width / curve.value).tolist(), strict=True))
    assert [math.expm1(relative[at]) for at in (40.0, 100.0)] == pytest.approx([1.959964 * 0.003] * 2, rel=1e-5)
    of_report = viscosity_at(found, 0.0)
    assert curve.temperature_C[0] == 0.0
    assert math.expm1(relative[0.0]) == pytest.approx(of_report.expanded_uncertainty / of_report.value, rel=1e-9)
