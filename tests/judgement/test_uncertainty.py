"""The uncertainty of a run's results: by hand, by the covariance matrix, and by Monte Carlo (GUM and its supplement 1).

The runs are invented. Expected values are computed here from the equations of the GUM, not by the code under test.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import stdtrit

from labcalc import formulae
from labcalc.errors import ExtrapolationWarning
from labcalc.judgement import Check, Consequence, Judgement, Result, by_component, viscosity_curve
from labcalc.judgement.uncertainty.results import CONFIDENCE, MODEL, Effect
from labcalc.judgement.uncertainty.sources import DEFAULT_LINE_SLOPE
from labcalc.statistics import (
    InputQuantity,
)
from tests.judgement.conftest import GOOD, LAB, REFERENCE, Judge
from tests.statistics.monte_carlo import MonteCarloResult, monte_carlo, validated
from tests.statistics.propagation import propagated_covariance

STATED = "expanded_uncertainty_percent = 0.5\nexpanded_uncertainty_density_kg_m3 = 0.3\n"
SETTINGS = """
[uncertainty]
temperature_K = 0.02
adjustment_percent = 0.1
adjustment_density_kg_m3 = 0.05
resolution_percent = 0.01
resolution_density_kg_m3 = 0.1
"""
BUDGET = LAB.replace(STATED, "") + SETTINGS

FIRST, SECOND = GOOD.splitlines(keepends=True)

Array = NDArray[np.float64]


def unknown_parts(effects: Sequence[Effect]) -> list[str]:
    """The components of unknown size, each with its reason."""
    return [f"{e.component} ({e.source.source})" for e in effects if math.isnan(e.source.standard_uncertainty)]


def result(judgement: Judgement, quantity: str, temperature_C: float) -> Result:
    (found,) = (r for r in judgement.results if (r.quantity, r.temperature_C) == (quantity, temperature_C))
    return found


def following(judgement: Judgement, name: str) -> Consequence:
    (found,) = (c for c in judgement.consequences if c.name == name)
    return found


def line_check_of(judgement: Judgement) -> Check:
    (found,) = (c for c in judgement.checks if c.name == "Viscosity-temperature line")
    return found


# --- One result, by hand ---


def test_viscosity_by_hand(judged: Judge) -> None:
    """JCGM 100:2008, equations 10 and G.2b; r of formulated oils at 40 °C is 0.0074 x (D445 as shipped, memory)."""
    found = result(judged(lab=BUDGET), "kinematic viscosity", 40.0)
    line = formulae.fit_viscosity_temperature([40.0, 100.0], [46.12, 6.87])
    around = line.kinematic_viscosity_at([40.0, 40.01])
    parts = {
        "reference oil": 46.12 / 50.0 * 0.10 / 2.0,
        "temperature": 0.02 * (around[0] - around[1]) / 0.01,
        "repeatability": 0.0074 * 46.12 / 2.77,
        "resolution": 0.01 / math.sqrt(12.0),
        "adjustment": 0.001 * 46.12,
    }
    assert by_component(found.effects) == pytest.approx(parts, rel=1e-3)
    u = math.sqrt(sum(part**2 for part in parts.values()))
    degrees = u**4 / (parts["repeatability"] ** 4 / 30.0)
    k = float(stdtrit(math.floor(degrees), 0.975))
    assert found.budget.effective_degrees_of_freedom == pytest.approx(degrees, rel=1e-3)
    assert found.budget.coverage_factor == pytest.approx(k, rel=1e-4)
    assert found.expanded_uncertainty == pytest.approx(k * u, rel=1e-3)


def test_density_by_hand(judged: Judge) -> None:
    """r of ISO 12185 is 0.2 kg/m³ (memory); the run's own slope: (858.1 - 819.9) / 60 kg/m³/K."""
    found = result(judged(lab=BUDGET), "density", 40.0)
    parts = {
        "reference oil": 0.05,
        "temperature": 0.02 * (858.1 - 819.9) / 60.0,
        "repeatability": 0.2 / 2.77,
        "resolution": 0.1 / math.sqrt(12.0),
        "adjustment": 0.05,
    }
    assert by_component(found.effects) == pytest.approx(parts, rel=1e-9)


def test_repeats_and_steps_shrink_with_the_number_of_determinations_and_nothing_else_does(judged: Judge) -> None:
    once = by_component(result(judged(lab=BUDGET), "density", 40.0).effects)
    again = FIRST.replace("08:00", "08:20")
    twice = by_component(result(judged(GOOD + again, lab=BUDGET), "density", 40.0).effects)
    shrunk = {name for name in once if twice[name] < once[name] * (1.0 - 1e-9)}
    assert shrunk == {"repeatability", "resolution"}
    assert twice["repeatability"] == pytest.approx(once["repeatability"] / math.sqrt(2.0))


def test_dynamic_viscosity_goes_through_the_other_two(judged: Judge) -> None:
    """η = ν·ρ at one temperature: that temperature moves both, so its two parts add up before they are squared."""
    judgement = judged(lab=BUDGET)
    nu, eta, rho = (result(judgement, q, 40.0) for q in ("kinematic viscosity", "dynamic viscosity", "density"))
    temperature = [next(e.contribution for e in r.effects if e.component == "temperature") for r in (nu, rho)]
    expected = 1e-3 * abs(temperature[0] * rho.value + temperature[1] * nu.value)
    assert by_component(eta.effects)["temperature"] == pytest.approx(expected, rel=1e-6)


def test_one_temperature_takes_the_slope_of_a_mineral_oil(judged: Judge) -> None:
    """Against the run's own line, to the 15 % that the default states."""
    own, alone = (
        by_component(result(judged(export, lab=BUDGET), "kinematic viscosity", 40.0).effects)["temperature"]
        for export in (GOOD, FIRST)
    )
    assert alone != own
    assert alone == pytest.approx(own, rel=0.15)


@pytest.mark.parametrize("pair", [(20.42, 4.128), (46.12, 6.842), (96.9, 11.02), (107.0, 14.42), (2.93, 1.27)])
def test_the_default_slope_is_right_to_15_percent(pair: tuple[float, float]) -> None:
    """Base oils, a hydraulic oil, an engine oil and a gas oil of the usual indices (invented)."""
    line = formulae.fit_viscosity_temperature([40.0, 100.0], list(pair))
    assert float(line.slope) == pytest.approx(DEFAULT_LINE_SLOPE, rel=0.15)


# --- What is stated, what is not known ---


def test_what_the_laboratory_states_comes_first(judged: Judge) -> None:
    found = result(judged(lab=LAB + SETTINGS), "kinematic viscosity", 40.0)
    assert found.expanded_uncertainty == pytest.approx(0.005 * 46.12, rel=1e-6)
    assert found.budget.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert (
        found.effects[0].source.source == "stated by the laboratory (lab.toml, [report] expanded_uncertainty_percent)"
    )


@pytest.mark.parametrize(
    ("lab", "why"),
    [
        (BUDGET.replace("temperature_K = 0.02\n", ""), "temperature (lab.toml gives no [uncertainty] temperature_K)"),
        (
            BUDGET.replace("adjustment_percent = 0.1\n", ""),
            "adjustment (lab.toml gives no [uncertainty] adjustment_percent)",
        ),
        (
            BUDGET.replace('precision_class = "formulated oils"\n', ""),
            "repeatability (lab.toml gives this product no precision_class)",
        ),
        (
            BUDGET.replace("valid_to = 2026-03-31", "valid_to = 2026-03-01"),
            "reference oil (no certificate was valid on the day for RO-1)",
        ),
        (
            BUDGET.replace('"formulated oils"', '"jet fuels"'),
            "repeatability (no precision statement for kinematic viscosity of jet fuels at 40 °C)",
        ),
    ],
)
def test_what_is_not_known_leaves_nan_with_its_reason(judged: Judge, lab: str, why: str) -> None:
    assert lab != BUDGET
    judgement = judged(lab=lab)
    found = result(judgement, "kinematic viscosity", 40.0)
    assert math.isnan(found.expanded_uncertainty)
    assert "; ".join(unknown_parts(found.effects)) == why
    assert math.isnan(following(judgement, "Viscosity index").expanded_uncertainty)
    assert math.isfinite(following(judgement, "Viscosity index").value)


def test_an_instrument_without_reference_results_has_no_certificate_in_use(judged: Judge) -> None:
    found = result(judged(lab=BUDGET, record=REFERENCE.replace("VD", "elsewhere")), "density", 40.0)
    assert "reference oil (the record holds no reference-oil result of this instrument in 30 days)" in unknown_parts(
        found.effects
    )


def test_a_value_that_was_not_printed_takes_the_step_of_lab_toml(judged: Judge) -> None:
    """ν is calculated from a printed η here; without the setting its step isn't known."""
    header = "Run,Sample,Date,Instrument,Temperature (°C),Dynamic viscosity (mPa·s),Density (kg/m³)\n"
    export = "S1,S-1,2026-03-02 08:00,VD,40,39.576,858.1\n"
    stated = judged(export, lab=BUDGET, header=header)
    nu = result(stated, "kinematic viscosity", 40.0)
    assert nu.follows
    assert by_component(nu.effects)["resolution"] == pytest.approx(1e-4 * nu.value / math.sqrt(12.0))
    bare = judged(export, lab=BUDGET.replace("resolution_percent = 0.01\n", ""), header=header)
    assert "lab.toml gives no [uncertainty] resolution_percent" in "; ".join(
        unknown_parts(result(bare, "kinematic viscosity", 40.0).effects)
    )


@pytest.mark.parametrize(
    ("other", "step"),
    [
        ("S1,S-1,2026-03-02 08:00,VD,40,46.12,858.1\n", 0.01),
        ("S1,S-1,2026-03-02 08:00,VD,40,46.00,858.1\n", 1.0),
        ("S0,S-0,2026-03-02 07:00,VD,40,46.12,858.1\n", 0.01),
        ("S0,S-0,2026-03-02 07:00,VD,40,4.612,858.1\n", 1.0),
    ],
    ids=["as large", "zeros too", "the run before", "smaller: may have more decimals"],
)
def test_a_figure_that_ends_in_zeros_takes_the_step_of_a_figure_as_large(
    judged: Judge, other: str, step: float
) -> None:
    found = result(judged(other + SECOND.replace("6.870", "11.00"), lab=BUDGET), "kinematic viscosity", 100.0)
    assert by_component(found.effects)["resolution"] == pytest.approx(step / math.sqrt(12.0))


def test_a_laboratorys_own_range_of_precision_holds(judged: Judge) -> None:
    own = (
        '[[precision]]\nclass = "formulated oils"\nquantity = "kinematic viscosity"\n'
        'repeatability = { factor = 0.004 }\nhighest = 20\nsource = "own study"\n'
    )
    judgement = judged(lab=BUDGET + own)
    cold, hot = (result(judgement, "kinematic viscosity", t) for t in (40.0, 100.0))
    assert by_component(hot.effects)["repeatability"] == pytest.approx(0.004 * 6.87 / 2.77)
    assert "repeatability (own study states its precision for up to 20 mm²/s only)" in unknown_parts(cold.effects)


# --- What follows ---


def covariance_of(results: Sequence[Result]) -> Array:
    """JCGM 100:2008, F.1.2.3: results that share inputs, equation F.2."""
    names = sorted({effect.source.name for r in results for effect in r.effects})
    parts = np.zeros((len(results), len(names)))
    for row, one in enumerate(results):
        for effect in one.effects:
            parts[row, names.index(effect.source.name)] += effect.contribution
    return np.asarray(parts @ parts.T)


def test_the_two_viscosities_of_a_run_are_correlated_by_certificate_and_adjustment(judged: Judge) -> None:
    pair = [result(judged(lab=BUDGET), "kinematic viscosity", t) for t in (40.0, 100.0)]
    covariance = covariance_of(pair)
    # 0.1 % of certificate and 0.1 % of adjustment are common, everything else is not
    common = 46.12 * 6.87 * (0.001**2 + 0.001**2)
    assert covariance[0, 1] == pytest.approx(common, rel=1e-6)


@pytest.mark.parametrize(
    ("name", "function"),
    [
        ("Viscosity index", lambda a, b: float(formulae.viscosity_index(a, b))),
        (
            "Kinematic viscosity at 60 °C",
            lambda a, b: float(formulae.fit_viscosity_temperature([40.0, 100.0], [a, b]).kinematic_viscosity_at(60.0)),
        ),
    ],
)
def test_what_follows_agrees_with_the_covariance_matrix(
    judged: Judge, name: str, function: Callable[..., float]
) -> None:
    """JCGM 100:2008, equation 16, from the correlation coefficient of the two results: another way to the same u."""
    judgement = judged(lab=BUDGET)
    pair = [result(judgement, "kinematic viscosity", t) for t in (40.0, 100.0)]
    covariance = covariance_of(pair)
    u = np.sqrt(np.diag(covariance))
    expected = propagated_covariance(function, [r.value for r in pair], list(u), covariance / np.outer(u, u))
    found = following(judgement, name)
    assert found.budget is not None
    of_results = math.sqrt(found.budget.standard_uncertainty**2 - by_component(found.effects).get(MODEL, 0.0) ** 2)
    assert of_results == pytest.approx(math.sqrt(expected[0, 0]), rel=1e-5)
    apart = propagated_covariance(function, [r.value for r in pair], list(u))
    assert of_results != pytest.approx(math.sqrt(apart[0, 0]), rel=0.01)


def test_at_the_very_end_of_a_range_the_value_stands_without_its_uncertainty(judged: Judge) -> None:
    """ASTM D2270, 5.1.1: from 2 mm²/s at 100 °C on; a derivative there would look beyond."""
    judgement = judged(GOOD.replace("46.12", "7.500").replace("6.870", "2.000"), lab=BUDGET)
    found = following(judgement, "Viscosity index")
    assert found.value == pytest.approx(float(formulae.viscosity_index(7.5, 2.0)))
    assert math.isnan(found.expanded_uncertainty)
    assert "outside its range" in found.effects[0].source.source


def test_a_reference_run_without_a_day_has_no_certificate(judged: Judge) -> None:
    header = "Run,Sample,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³)\n"
    judgement = judged("R9,RO-1,VD,40,50.40,850.00\n", lab=BUDGET, header=header, run="R9")
    basis = unknown_parts(result(judgement, "density", 40.0).effects)
    assert "reference oil (no certificate was valid on the day for RO-1)" in basis


def sources(results: Sequence[Result]) -> list[InputQuantity]:
    return list({effect.source.name: effect.source for r in results for effect in r.effects}.values())


def drawn(one: Result, inputs: Sequence[InputQuantity], errors: Sequence[Array]) -> Array:
    """Return a result with its errors, each by its own law: factors for what is relative, an exponential for heat."""
    by_name = dict(zip([i.name for i in inputs], errors, strict=True))
    value = np.full_like(errors[0], one.value)
    for effect in one.effects:
        change = effect.sensitivity * by_name[effect.source.name] / one.value
        relative = one.quantity != "density"
        value = value * (np.exp(change) if relative and effect.component == "temperature" else 1.0 + change)
    return value


def at_60(a: Array, b: Array) -> Array:
    line = formulae.fit_viscosity_temperature([40.0, 100.0], np.stack([a, b], axis=-1))
    return np.asarray(line.kinematic_viscosity_at(np.full(a.shape, 60.0)))


MODELS: dict[str, tuple[tuple[str, float], ...]] = {
    "Kinematic viscosity at 40 °C": (("kinematic viscosity", 40.0),),
    "Density at 40 °C": (("density", 40.0),),
    "Viscosity index": (("kinematic viscosity", 40.0), ("kinematic viscosity", 100.0)),
    "Kinematic viscosity at 60 °C": (("kinematic viscosity", 40.0), ("kinematic viscosity", 100.0)),
    "API gravity": (("density", 40.0), ("density", 100.0)),
}
FUNCTIONS: dict[str, Callable[..., Array]] = {
    "Viscosity index": lambda a, b: np.asarray(formulae.viscosity_index(a, b)),
    "Kinematic viscosity at 60 °C": lambda a, b, bend: at_60(a, b) * (1.0 + BEND_AT_60 * bend),
    "API gravity": lambda a, b, expansion: np.asarray(
        formulae.api_gravity(
            formulae.density_by_own_expansion(a, 40.0, b, 100.0, AT_60F).density + EQUATION_AT_60F * expansion
        )
    ),
}
AT_60F = 140.0 / 9.0
EQUATION_AT_60F = 3.5e-4 * (40.0 - AT_60F) * (100.0 - AT_60F)
"""Standard uncertainty of the equation of the expansion, [kg/m³]."""
BEND_AT_60 = (
    math.exp(1.959964e-2 * float(formulae.line_model_uncertainty(60.0, [40.0, 100.0], [46.12, 6.87]))) - 1.0
) / 1.959964
"""Standard uncertainty of the line at 60 °C, relative, so that U reaches the end of the interval above it, [-]."""


KNOWN_WELL = """
[[precision]]
class = "formulated oils"
quantity = "kinematic viscosity"
repeatability = { factor = 0.0074 }
source = "own study, long"
[[precision]]
class = "formulated oils"
quantity = "density"
repeatability = { factor = 0.2, exponent = 0 }
source = "own study, long"
"""


def both_ways(judgement: Judgement, name: str, trials: int) -> tuple[Result | Consequence, MonteCarloResult]:
    inputs = [result(judgement, *place) for place in MODELS[name]]
    origins, function = sources(inputs), FUNCTIONS.get(name, lambda x: x)
    found = inputs[0] if name not in FUNCTIONS else following(judgement, name)
    granted = [effect.source for effect in found.effects if effect.component == MODEL]

    def model(*errors: Array) -> Array:
        return function(*(drawn(one, origins, errors[: len(origins)]) for one in inputs), *errors[len(origins) :])

    return found, monte_carlo(model, [*origins, *granted], confidence=CONFIDENCE, trials=trials)


@pytest.mark.parametrize("name", MODELS)
def test_monte_carlo_stands_by_the_first_order(judged: Judge, name: str) -> None:
    """JCGM 101:2008, clause 8.1: both ends of the interval within half a unit of u's second digit.

    The repeatability is taken as known, so that the one thing that is tried is the straight line in place of a curve.
    """
    found, simulated = both_ways(judged(lab=BUDGET + KNOWN_WELL), name, 1_000_000)
    assert found.budget is not None
    assert found.budget.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    validation = validated(found.value, found.budget, simulated)
    assert validation.passed, validation


@pytest.mark.parametrize("name", MODELS)
def test_monte_carlo_stands_by_the_effective_degrees_of_freedom(judged: Judge, name: str) -> None:
    """With 30 degrees of freedom the supplement draws from Student's distribution, the GUM has Welch-Satterthwaite.

    The two differ by some 1.5 % of U whatever the model: one digit of u (clause 8.1), not two.
    """
    found, simulated = both_ways(judged(lab=BUDGET), name, 200_000)
    assert found.budget is not None
    assert found.budget.coverage_factor > 1.959965
    validation = validated(found.value, found.budget, simulated, digits=1)
    assert validation.passed, validation


# --- Three temperatures and more ---

OIL = formulae.fit_viscosity_temperature([40.0, 100.0], [46.12, 6.870])
with warnings.catch_warnings():
    warnings.simplefilter("ignore", ExtrapolationWarning)
    AT_150 = float(OIL.kinematic_viscosity_at(150.0, extrapolate=True))


def three(factor: float = 1.0) -> str:
    return GOOD + f"S1,S-1,2026-03-02 08:20,VD,150,{AT_150 * factor:.4f},790.0\n"


def test_two_temperatures_are_no_test_of_the_line(judged: Judge) -> None:
    found = line_check_of(judged())
    assert (found.state, found.finding) == ("not checked", "needs three temperatures: two lie on any line")


@pytest.mark.parametrize(("factor", "state"), [(1.0, "met"), (1.002, "met"), (1.04, "doubtful"), (0.96, "doubtful")])
def test_a_departure_from_the_line_needs_a_second_look(judged: Judge, factor: float, state: str) -> None:
    """Noise of repeats: r / 2.77 with r of 0.74 %, 0.84 % and 0.56 % at 40, 100 and 150 °C (D445 as shipped)."""
    found = line_check_of(judged(three(factor)))
    assert found.state == state, found.finding
    assert "ASTM D445, edition 2015 to 2024" in found.basis


def test_a_line_without_precision_is_not_checked(judged: Judge) -> None:
    found = line_check_of(judged(three().replace(",150,", ",140,")))
    assert found.state == "not checked"
    assert found.finding == "no precision statement for kinematic viscosity of formulated oils at 140 °C"


def test_three_temperatures_count_with_their_weight_and_give_the_band_of_the_fit(judged: Judge) -> None:
    """Stated uncertainties are independent, so that the band is that of the weighted line, bend and all."""
    judgement = judged(three(1.003))
    inputs = [r for r in judgement.results if r.quantity == "kinematic viscosity"]
    curve = viscosity_curve(judgement.results)
    assert curve is not None
    estimate = formulae.estimate_viscosity_temperature(
        [r.temperature_C for r in inputs], [r.value for r in inputs], 0.5 / 1.959964
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        band = estimate.confidence_band(curve.temperature_C, level=CONFIDENCE, extrapolate=True)
    np.testing.assert_allclose(curve.value, band.line, rtol=1e-9)
    half = np.log(band.highest / band.lowest) / 2.0
    np.testing.assert_allclose(curve.half_width / curve.value, half, rtol=0.02)


def test_points_of_unknown_uncertainty_have_no_band(judged: Judge) -> None:
    curve = viscosity_curve(judged(three(1.003), lab=LAB.replace(STATED, "")).results)
    assert curve is not None
    assert np.isfinite(curve.value).all()
    assert np.isnan(curve.half_width).all()


# --- Molecular mass, an estimate ---


def test_the_molecular_mass_is_an_estimate_without_uncertainty(judged: Judge) -> None:
    found = following(judged(lab=BUDGET), "Relative molecular mass")
    warm, hot = formulae.viscosities_at_100F_and_210F(46.12, 6.870)
    density = formulae.density_by_own_expansion(858.1, 40.0, 819.9, 100.0, AT_60F).density
    expected = formulae.relative_molecular_mass(warm, hot, formulae.relative_density(density))
    assert found.value == pytest.approx(float(expected))
    assert math.isnan(found.expanded_uncertainty)
    assert found.note == "an estimate; the equation's own error is not known"
