"""Decision rules and risks. JCGM 106:2012 worked examples (memory), integration, simulation, ASTM E29 (memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats

from labcalc.statistics import (
    DECISION_RULES,
    conformity_probability,
    decide_conformity,
    global_risks,
    rounded,
)
from labcalc.statistics.decisions.conformity import acceptance_interval
from labcalc.statistics.rounding import complies

NAN = math.nan
U = 0.25


@pytest.mark.parametrize(
    ("value", "u", "lowest", "highest", "printed"),
    [
        (-5.47, 0.05, NAN, -5.40, 0.92),  # breakdown voltage of a diode, V
        (509.7, 8.6, 490.0, NAN, 0.99),  # bursting strength of a container, kPa
        (13.6, 1.8, 12.5, 16.3, 0.66),  # kinematic viscosity at 100 °C of an engine oil of grade 40, mm²/s
    ],
)
def test_worked_examples_of_jcgm_106(value: float, u: float, lowest: float, highest: float, printed: float) -> None:
    """JCGM 106:2012, examples of clause 7 (memory)."""
    assert float(conformity_probability(value, u, lowest, highest).inside.round(2)) == printed


def test_the_process_of_jcgm_106_conforms_in_nine_of_ten() -> None:
    """JCGM 106:2012, 9.5 (memory): resistors 1500 Ω ± 0.2 Ω, made with 0.12 Ω: nine of ten conform."""
    assert float(conformity_probability(1500.0, 0.12, 1499.8, 1500.2).inside.round(1)) == 0.9


def test_a_result_at_the_edge_of_a_guard_band_of_u_is_wrong_in_23_of_1000() -> None:
    """Derivation: Φ(-2); w = U with k = 2."""
    _, high = acceptance_interval(NAN, 10.0, 0.2)
    assert conformity_probability(high, 0.1, NAN, 10.0).outside == pytest.approx(stats.norm.sf(2.0), rel=1e-12)


def test_few_degrees_of_freedom_make_the_tails_longer() -> None:
    found = conformity_probability(10.0, 0.1, NAN, 10.2, degrees_of_freedom=[5, np.inf])
    assert found.above == pytest.approx([stats.t.sf(2.0, 5), stats.norm.sf(2.0)], rel=1e-10)
    assert found.below.tolist() == [0.0, 0.0]


def test_probabilities_of_arrays() -> None:
    found = conformity_probability([[9.0], [10.0]], 0.5, [NAN, 9.5], 10.5)
    assert found.inside.shape == found.below.shape == found.above.shape == (2, 2)
    assert found.inside + found.outside == pytest.approx(np.ones((2, 2)))


def test_an_unknown_uncertainty_gives_no_probability() -> None:
    assert math.isnan(conformity_probability(10.0, NAN, NAN, 11.0).outside)
    with pytest.raises(ValueError, match="standard uncertainty 0: more than 0 was expected"):
        conformity_probability(10.0, [0.1, 0.0], NAN, 11.0)


CASES = [
    (1500.0, 0.12, 0.04, 1499.8, 1500.2, 0.0),
    (1500.0, 0.12, 0.04, 1499.8, 1500.2, 0.08),
    (1500.05, 0.12, 0.04, 1499.8, 1500.2, -0.08),
    (46.0, 0.42, 0.2, NAN, 46.5, 0.1),
    (46.0, 0.42, 0.2, 45.0, NAN, 0.1),
    (46.5, 0.42, 0.2, NAN, 46.5, 0.0),
]


@pytest.mark.parametrize("case", CASES)
def test_global_risks_by_integration(case: tuple[float, ...]) -> None:
    """JCGM 106:2012, 9.5 (memory of the definitions), integrated over the true value by quadrature."""
    mean, u0, u, lowest, highest, guard = case
    low, high = (-np.inf if math.isnan(lowest) else lowest), (np.inf if math.isnan(highest) else highest)

    def accepted(eta: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(stats.norm.cdf((high - guard - eta) / u) - stats.norm.cdf((low + guard - eta) / u))

    def share(start: float, end: float, wrong: bool) -> float:
        start, end = max(start, mean - 9 * u0), min(end, mean + 9 * u0)
        if start >= end:
            return 0.0
        eta = np.linspace(start, end, 40001)
        chance = 1.0 - accepted(eta) if wrong else accepted(eta)
        return float(integrate.simpson(stats.norm.pdf(eta, mean, u0) * chance, x=eta))

    found = global_risks(*case)
    assert found.consumer == pytest.approx(share(-np.inf, low, False) + share(high, np.inf, False), abs=1e-9)
    assert found.producer == pytest.approx(share(low, high, True), abs=1e-9)


def test_global_risks_by_simulation() -> None:
    mean, u0, u, lowest, highest, guard = CASES[1]
    generator = np.random.default_rng(106)
    true = generator.normal(mean, u0, 200_000)
    found = true + generator.normal(0.0, u, true.size)
    low, high = acceptance_interval(lowest, highest, guard)
    conforms, accepted = (lowest <= true) & (true <= highest), (low <= found) & (found <= high)
    risks = global_risks(*CASES[1])
    assert risks.consumer == pytest.approx(np.mean(~conforms & accepted), abs=3 * math.sqrt(5e-4 / true.size))
    assert risks.producer == pytest.approx(np.mean(conforms & ~accepted), abs=3 * math.sqrt(0.25 / true.size))


def test_a_wider_guard_band_trades_one_risk_for_the_other() -> None:
    found = global_risks(1500.0, 0.12, 0.04, 1499.8, 1500.2, np.linspace(-0.1, 0.3, 41))
    assert (np.diff(found.consumer) <= 1e-15).all()
    assert (np.diff(found.producer) >= -1e-15).all()
    assert (found.consumer[-1], found.producer[-1].round(6)) == (0.0, found.producer[30].round(6))


@pytest.mark.parametrize(
    ("rule", "states"),
    [
        # of 50.30, 50.36, 50.60, 50.64, 50.66, 50.84 and 50.86, limit 50.6, w = 0.25
        ("rounding, second look", "met doubtful doubtful doubtful not_met not_met not_met"),
        ("rounding", "met met met met not_met not_met not_met"),
        ("simple acceptance", "met met met not_met not_met not_met not_met"),
        ("guarded acceptance", "met not_met not_met not_met not_met not_met not_met"),
        ("guarded rejection", "met met met met met met not_met"),
        ("guarded both ways", "met doubtful doubtful doubtful doubtful doubtful not_met"),
        ("supplier, 0.59 R", "met doubtful doubtful not_met not_met not_met not_met"),
        ("recipient, 0.59 R", "met met met doubtful doubtful doubtful not_met"),
    ],
)
def test_every_rule_on_both_sides_of_every_edge(rule: str, states: str) -> None:
    """Worked out by hand from the definitions."""
    values = (50.30, 50.36, 50.60, 50.64, 50.66, 50.84, 50.86)
    found = [decide_conformity(value, 41.4, 50.6, DECISION_RULES[rule], U, 1) for value in values]
    assert found == [word.replace("_", " ") for word in states.split()]


def test_every_rule_is_its_own_mirror_image() -> None:
    for rule in DECISION_RULES.values():
        for value in np.arange(50.0, 51.2, 0.03):
            above = decide_conformity(float(value), NAN, 50.6, rule, U, 1)
            assert above == decide_conformity(-float(value), -50.6, NAN, rule, U, 1)


def test_no_rule_is_left_out_and_the_first_is_the_default() -> None:
    assert next(iter(DECISION_RULES)) == "rounding, second look"
    assert all(name == rule.name and rule.reject <= rule.accept for name, rule in DECISION_RULES.items())


def test_exactly_at_an_edge_is_inside() -> None:
    """Where binary arithmetic says otherwise: 0.3 - 0.2 is a little less than 0.1."""
    assert 0.3 - 0.2 < 0.1
    assert decide_conformity(0.1, NAN, 0.3, DECISION_RULES["guarded acceptance"], 0.2, 1) == "met"


def test_a_rule_with_a_band_needs_its_width() -> None:
    assert decide_conformity(1.0, 0.0, 2.0, DECISION_RULES["simple acceptance"], NAN, 1) == "met"
    with pytest.raises(ValueError, match="guard band nan: the rule 'guarded acceptance' needs a finite one"):
        decide_conformity(1.0, 0.0, 2.0, DECISION_RULES["guarded acceptance"], NAN, 1)


@pytest.mark.parametrize(("value", "decimals", "printed"), [(2.675, 2, "2.68"), (2.665, 2, "2.66"), (50.65, 1, "50.6")])
def test_rounding_half_to_even_and_its_decision(value: float, decimals: int, printed: str) -> None:
    """ASTM E29, rounding method (memory); binary arithmetic takes 2.675 to be less."""
    assert str(rounded(value, decimals)) == printed
    highest = float(printed)
    assert complies(value, None, highest, decimals) is True
    assert complies(value, None, highest, decimals, method="absolute") is (value <= highest)


def test_below_and_above_by_scipy() -> None:
    """scipy.stats.t: 2 u below the lower limit's distance, 3 u above; degrees of freedom of each."""
    found = conformity_probability(10.0, 0.1, 9.8, 10.3, degrees_of_freedom=4)
    assert (found.below, found.above) == (pytest.approx(stats.t.sf(2.0, 4)), pytest.approx(stats.t.sf(3.0, 4)))
    assert found.inside == pytest.approx(1.0 - stats.t.sf(2.0, 4) - stats.t.sf(3.0, 4))
    for unknown in (
        conformity_probability(NAN, 0.1, NAN, NAN),
        conformity_probability(10.0, 0.1, NAN, NAN, degrees_of_freedom=NAN),
    ):
        assert np.isnan([unknown.below, unknown.above, unknown.inside]).all()


@pytest.mark.parametrize("rho", [0.05, 0.6, 0.95])
def test_the_bivariate_normal_distribution_against_scipy(rho: float) -> None:
    """scipy.stats.multivariate_normal in every quadrant, on the axes and at the origin."""
    from labcalc.statistics.decisions.conformity import _both_below

    ends = np.array([-1.7, -0.4, 0.0, 0.8, 2.1])
    h, k = (one.ravel() for one in np.meshgrid(ends, ends))
    theirs = stats.multivariate_normal([0.0, 0.0], [[1.0, rho], [rho, 1.0]]).cdf(np.column_stack([h, k]))
    assert _both_below(h, k, np.full(h.size, rho)) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: global_risks(1.0, 0.0, 1.0, 0.0, 2.0), "process deviation 0: more than 0"),
        (lambda: global_risks(1.0, 1.0, 0.0, 0.0, 2.0), "uncertainty 0: more than 0"),
        (lambda: decide_conformity(1.0, 0.0, 2.0, DECISION_RULES["guarded both ways"], math.inf, 1), "guard band inf"),
    ],
)
def test_refusals(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


def test_bands_of_the_rules() -> None:
    """ILAC-G8 and JCGM 106 (memory): w is a multiple of U; ISO 4259 (memory): of R for supplier and recipient."""
    assert {name for name, rule in DECISION_RULES.items() if rule.band == "R"} == {
        *("supplier, 0.59 R", "recipient, 0.59 R"),
    }
    assert [name for name, rule in DECISION_RULES.items() if rule.rounded_first] == [
        "rounding, second look",
        "rounding",
    ]
    low, high = acceptance_interval([1.0, NAN], [2.0, 3.0], 0.25)
    assert low[0] == 1.25
    assert np.isnan(low[1])
    assert high.tolist() == [1.75, 2.75]
