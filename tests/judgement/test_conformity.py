"""Specification checks of a run by every decision rule. The laboratory is invented; limits and risks by hand and scipy.

U is stated: 0.5 % of 50.xx = 0.25 mm²/s, u = 0.126. D445 as shipped (memory), formulated oils at 40 °C: R = 0.0122 x.
"""

from __future__ import annotations

import pytest
from scipy import stats

from labcalc.judgement import Check, Judgement
from tests.judgement.conftest import GOOD, LAB, Judge

OF_LIMIT = "highest = 50.6, decimals = 1"


def viscosity(judgement: Judgement) -> Check:
    return next(one for one in judgement.checks if one.name == "Specification: kinematic viscosity at 40 °C")


def index(judgement: Judgement) -> Check:
    return next(one for one in judgement.checks if one.name == "Specification: viscosity index")


def with_rule(rule: str, guard_band: float = 1.0) -> str:
    return LAB + f'\n[conformity]\ndecision_rule = "{rule}"\nguard_band = {guard_band}\n'


def export(value: str) -> str:
    return GOOD.replace("46.12", value)


def test_the_risk_is_a_number(judged: Judge) -> None:
    """Φ((50.5 - 50.6)/u), u = 0.005 · 50.5 / 1.96, computed elsewhere; the limit at 41.4 is out of reach."""
    found = viscosity(judged(export("50.50")))
    outside = 100 * stats.norm.sf(0.1 / (0.005 / 1.959964 * 50.5))
    assert found.state == "doubtful"
    assert outside == pytest.approx(21.9, abs=0.05)
    assert found.finding == (
        "50.5 mm²/s (U = 0.25); limits 41.4 to 50.6 mm²/s; inside by 0.10 mm²/s, less than the guard band, "
        "0.25 mm²/s; probability that the true value is outside: 22 %"
    )
    assert found.basis == (
        "House specification 46; decision rule 'rounding, second look', of the laboratory: value rounded to the "
        "limit's decimals (ASTM E29-22, rounding method); within a limit by less than the guard band: second look; "
        "guard band 1 U"
    )


def test_far_inside_the_risk_is_not_told_finer_than_it_deserves(judged: Judge) -> None:
    assert viscosity(judged()).finding == (
        "46.1 mm²/s (U = 0.23); limits 41.4 to 50.6 mm²/s; probability that the true value is outside: < 0.01 %"
    )


@pytest.mark.parametrize(
    ("rule", "value", "state", "verdict"),
    [
        ("rounding", "50.60", "met", "releasable"),
        ("rounding", "50.66", "not met", "not releasable"),
        ("simple acceptance", "50.60", "met", "releasable"),
        ("simple acceptance", "50.64", "not met", "not releasable"),
        ("guarded acceptance", "50.30", "met", "releasable"),
        ("guarded acceptance", "50.40", "not met", "not releasable"),
        ("guarded rejection", "50.80", "met", "releasable"),
        ("guarded rejection", "50.90", "not met", "not releasable"),
        ("guarded both ways", "50.80", "doubtful", "needs a second look"),
        ("supplier, 0.59 R", "50.20", "met", "releasable"),
        ("supplier, 0.59 R", "50.30", "doubtful", "needs a second look"),
        ("supplier, 0.59 R", "50.62", "not met", "not releasable"),
        ("recipient, 0.59 R", "50.60", "met", "releasable"),
        ("recipient, 0.59 R", "50.90", "doubtful", "needs a second look"),
        ("recipient, 0.59 R", "51.00", "not met", "not releasable"),
    ],
)
def test_the_state_is_what_the_rule_decides(judged: Judge, rule: str, value: str, state: str, verdict: str) -> None:
    """Edges: U = 0.25; 0.5934 · 0.0122 · 50.6 = 0.366 mm²/s. The typical density and the index stay as they are."""
    lab = with_rule(rule).replace('{ quantity = "viscosity index", lowest = 90, decimals = 0 },', "")
    judgement = judged(export(value), lab=lab)
    assert (viscosity(judgement).state, judgement.verdict) == (state, verdict)
    assert f"decision rule '{rule}', of the laboratory" in viscosity(judgement).basis


def test_the_guard_band_is_a_multiple_of_u(judged: Judge) -> None:
    wide = viscosity(judged(export("50.30"), lab=with_rule("guarded acceptance", 1.5)))
    assert wide.state == "not met"
    assert "inside by 0.30 mm²/s, less than the guard band, 0.38 mm²/s" in wide.finding
    assert wide.basis.endswith("guard band 1.5 U")


def test_without_rounding_the_value_is_shown_as_far_as_it_decides(judged: Judge) -> None:
    """50.6004 is more than 50.6, and 50.6 not met would read like a mistake."""
    assert viscosity(judged(export("50.6004"), lab=with_rule("simple acceptance"))).finding.startswith("50.6004 mm²/s")
    assert viscosity(judged(export("50.60"), lab=with_rule("simple acceptance"))).finding.startswith("50.60 mm²/s")


def test_the_risk_of_the_supplier_comes_from_r(judged: Judge) -> None:
    """At 0.5934 R inside it is 5 %: R = 0.0122 · 50.24 = 0.613, 0.364 mm²/s."""
    found = viscosity(judged(export("50.2364"), lab=with_rule("supplier, 0.59 R")))
    assert "(U = 0.25, R = 0.61)" in found.finding
    assert found.finding.endswith("probability that the true value is outside (by R): 5.0 %")


def test_fills_of_one_oil_narrow_the_margin_and_determinations_dont(judged: Judge) -> None:
    """Two results: R² - r²/2 for R²; r = 0.0074 x. 0.5934 √(0.0122² - 0.0074²/2) · 50.28 = 0.329; one: 0.364."""
    twice = export("50.28") + "S1,S-1,2026-03-02 08:20,VD,40,50.22,858.1\n"
    lab = with_rule("supplier, 0.59 R")
    assert viscosity(judged(twice, lab=lab)).state == "met"
    near = viscosity(judged(twice.replace("50.28", "50.48").replace("50.22", "50.42"), lab=lab))
    assert "inside by 0.15 mm²/s, less than 0.59 R of the mean of 2 results, 0.33 mm²/s" in near.finding
    assert viscosity(judged(twice, lab=lab.replace("[report]", '[report]\nreplicates = "determinations"'))).state == (
        "doubtful"
    )


def test_where_no_r_is_in_force_the_stand_in_is_named(judged: Judge) -> None:
    found = index(judged(lab=with_rule("supplier, 0.59 R")))
    assert found.state == "met"
    assert (
        "no precision statement for viscosity index of formulated oils: the rule 'rounding' stands in for "
        "'supplier, 0.59 R'" in found.finding
    )
    assert "decision rule 'rounding', in place of 'supplier, 0.59 R'" in found.basis


def test_limits_too_tight_for_the_method_are_named(judged: Judge) -> None:
    """4 R = 4 · 0.0122 · 46.12 = 2.25 mm²/s (ISO 4259 as quoted in public notes)."""
    lab = with_rule("supplier, 0.59 R")
    tight = lab.replace("lowest = 41.4, highest = 50.6", "lowest = 45.0, highest = 47.2")
    assert "the limits leave the method no room" in viscosity(judged(lab=tight)).finding
    assert "no room" not in viscosity(judged(lab=tight.replace("47.2", "47.3"))).finding


def test_a_limit_may_state_its_own_rule(judged: Judge) -> None:
    lab = LAB.replace(OF_LIMIT, OF_LIMIT + ', decision_rule = "simple acceptance"')
    judgement = judged(export("50.55"), lab=lab)
    assert viscosity(judgement).state == "met"
    assert "decision rule 'simple acceptance', agreed for this limit" in viscosity(judgement).basis
    assert "'rounding, second look', of the laboratory" in index(judgement).basis


@pytest.mark.parametrize(("value", "state"), [("50.55", "met"), ("50.66", "not met")])
def test_without_u_the_rounding_method_stands_in_openly(judged: Judge, value: str, state: str) -> None:
    lab = with_rule("guarded acceptance").replace("expanded_uncertainty_percent = 0.5\n", "")
    found = viscosity(judged(export(value), lab=lab))
    assert found.state == state
    assert found.finding.endswith(
        "U is unknown: the rule 'rounding' stands in for 'guarded acceptance'; probability that the true value is "
        "outside: unknown, as U is"
    )
    assert "decision rule 'rounding', in place of 'guarded acceptance'" in found.basis


def test_a_rule_without_a_band_needs_no_u(judged: Judge) -> None:
    lab = with_rule("simple acceptance").replace("expanded_uncertainty_percent = 0.5\n", "")
    found = viscosity(judged(lab=lab))
    assert found.finding == (
        "46.12 mm²/s; limits 41.4 to 50.6 mm²/s; probability that the true value is outside: unknown, as U is"
    )


# --- Both sides of every edge ---


@pytest.mark.parametrize(
    ("value", "decimals"),
    [
        *(("49.60", None), ("50.22", 2), ("50.30", 2), ("50.40", 1), ("50.50", 0), ("50.74", 0), ("50.76", 0)),
        *(("50.77", 1), ("50.90", 1), ("51.00", 2), ("51.30", None)),
    ],
)
def test_the_risk_has_the_decimals_that_it_deserves(judged: Judge, value: str, decimals: int | None) -> None:
    """Φ by scipy; two decimals within 1 % of either end, one within 10 %, none in the middle, a bound at the end."""
    outside = 100.0 * stats.norm.sf((50.6 - float(value)) / (0.005 / 1.959964 * float(value)))
    from_an_end = min(outside, 100.0 - outside)
    if decimals is None:
        assert from_an_end < 0.01
        expected = "< 0.01 %" if outside < 50.0 else "> 99.99 %"
    else:
        assert decimals == (2 if 0.01 < from_an_end < 1.0 else 1 if 1.0 < from_an_end < 10.0 else 0)
        expected = f"{outside:.{decimals}f} %"
    found = viscosity(judged(export(value), lab=with_rule("simple acceptance")))
    assert found.finding.endswith(f"probability that the true value is outside: {expected}")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("50.60", "; on the limit, within the guard band, 0.25 mm²/s"),
        ("50.70", "; outside by 0.10 mm²/s, less than the guard band, 0.25 mm²/s"),
        ("41.50", "; inside by 0.10 mm²/s, less than the guard band, 0.21 mm²/s"),
        ("41.30", "; outside by 0.10 mm²/s, less than the guard band, 0.21 mm²/s"),
        ("50.40", "; inside by 0.20 mm²/s, less than the guard band, 0.25 mm²/s"),
        ("50.30", ""),
        ("50.90", ""),
    ],
)
def test_how_near_the_limit_is_where_it_is_nearer_than_the_guard_band(judged: Judge, value: str, words: str) -> None:
    """U is 0.5 %: 0.252 mm²/s at 50.3, where the limit is 0.3 away; the nearer of the two limits counts."""
    said = viscosity(judged(export(value))).finding
    assert ("limits 41.4 to 50.6 mm²/s" + words + "; probability") in said


def test_the_guard_band_itself_is_far_enough(judged: Judge) -> None:
    """U = 0.5 % of 50 is 0.25 mm²/s, and 50.25 less 50 is as much: binary holds both."""
    lab = LAB.replace("highest = 50.6", "highest = 50.25")
    assert "less than the guard band" not in viscosity(judged(export("50.00"), lab=lab)).finding
    assert viscosity(judged(export("50.00"), lab=lab)).state == "met"
    near = viscosity(judged(export("50.001"), lab=lab))
    assert near.state == "doubtful"
    assert "inside by 0.25 mm²/s, less than the guard band, 0.25 mm²/s" in near.finding


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ("lowest = 41.4", "at least 41.4 mm²/s"),
        ("highest = 50.6", "at most 50.6 mm²/s"),
        ("lowest = 41.4, highest = 50.6", "limits 41.4 to 50.6 mm²/s"),
    ],
)
def test_limits_in_words(judged: Judge, limits: str, words: str) -> None:
    found = viscosity(judged(lab=LAB.replace("lowest = 41.4, highest = 50.6", limits)))
    assert f"(U = 0.23); {words}; probability" in found.finding


def test_an_index_has_no_unit(judged: Judge) -> None:
    """U of the index is carried from both viscosities; limit 90, rounded to a whole number."""
    found = index(judged()).finding
    assert found.startswith("104 (U = ")
    assert "; at least 90; probability" in found


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("50.60", "50.60"),
        ("50.604", "50.604"),
        ("50.6000004", "50.6000004"),
        ("46.12345", "46.12"),
        ("41.4004", "41.4004"),
    ],
)
def test_a_value_is_shown_until_it_differs_from_the_limit(judged: Judge, value: str, shown: str) -> None:
    found = viscosity(judged(export(value), lab=with_rule("simple acceptance")))
    assert found.finding.startswith(f"{shown} mm²/s (U")


def test_a_calculated_density_is_held_against_its_limit(judged: Judge) -> None:
    """Measured at 40 °C, limited at 15 °C: 25 K of 0.64 kg/m³ make 874; U by two densities that are 0.3 kg/m³ sure.

    By hand: ρ₁ + (25/60)(ρ₁ - ρ₂) gives U of 0.3 · √(1.417² + 0.417²) = 0.44; the equation 1.96 · 3.5e-4 · 25 · 85.
    """
    limit = '{ quantity = "density", temperature_C = 15, highest = 873, decimals = 0 },'
    lab = LAB.replace('{ quantity = "viscosity index", lowest = 90, decimals = 0 },', limit)
    (found,) = (one for one in judged(lab=lab).checks if one.name == "Specification: density at 15 °C")
    assert (found.state, found.finding[:29]) == ("not met", "874 kg/m³ (U = 1.5); at most ")
    (cold,) = (one for one in judged(GOOD.replace("858.1", ""), lab=lab).checks if "density at 15 °C" in one.name)
    assert cold.state == "not met", "from 100 °C then"
    alone = GOOD.replace(",858.1", ",").replace(",819.9", ",")
    (none,) = (one for one in judged(alone, lab=lab).checks if "density at 15 °C" in one.name)
    assert (none.state, none.finding) == ("doubtful", "the limit could not be held: needs a measured density")


def test_a_product_without_limits_says_so(judged: Judge) -> None:
    lab = LAB[: LAB.index("limit = [")] + LAB[LAB.index("typical = [") :]
    (found,) = (one for one in judged(lab=lab).checks if one.name == "Specification")
    assert (found.state, found.finding) == (
        "not checked",
        "nothing was held against a specification: lab.toml gives Oil 46 no limits",
    )


# --- Typical values ---


@pytest.mark.parametrize(
    ("density", "state", "words"),
    [
        ("859.5", "met", "859.5 kg/m³, is 3.0 standard deviations above the typical 858; limit 3"),
        ("859.6", "doubtful", "859.6 kg/m³, is 3.2 standard deviations above the typical 858; limit 3"),
        ("856.5", "met", "856.5 kg/m³, is 3.0 standard deviations below the typical 858; limit 3"),
        ("856.4", "doubtful", "856.4 kg/m³, is 3.2 standard deviations below the typical 858; limit 3"),
        ("858.0", "met", "858.0 kg/m³, is 0.0 standard deviations below the typical 858; limit 3"),
    ],
)
def test_a_result_may_be_three_standard_deviations_from_typical(
    judged: Judge, density: str, state: str, words: str
) -> None:
    """(859.5 - 858) / 0.5 = 3, which binary holds."""
    hot = f"{float(density) - 38.2:.1f}"  # it falls as it usually does
    export = GOOD.replace("858.1", density).replace("819.9", hot)
    (found,) = (one for one in judged(export).checks if one.name == "Typical values")
    assert (found.state, found.finding) == (state, f"density at 40 °C, {words}")


def test_what_is_not_far_by_itself_may_be_by_all_results_together(judged: Judge) -> None:
    """Three standard deviations low at 40 °C, and heavier than usual at 100 °C: no batch falls so little."""
    export = GOOD.replace("858.1", "856.5").replace("819.9", "823.0")
    (found,) = (one for one in judged(export).checks if one.name == "Typical values")
    assert found.state == "doubtful"
    assert "; with all results together noise and spread explain it with a probability of 0.07 %" in found.finding


def test_the_furthest_of_the_typical_values_is_told(judged: Judge) -> None:
    """(46.12 - 46.92) / 0.4 = -2; density (858.1 - 858) / 0.5 = 0.2."""
    more = '{ quantity = "kinematic viscosity", temperature_C = 40, mean = 46.92, standard_deviation = 0.4 },'
    (found,) = (
        one
        for one in judged(lab=LAB.replace("typical = [", "typical = [" + more)).checks
        if one.name == "Typical values"
    )
    assert found.finding == (
        "kinematic viscosity at 40 °C, 46.12 mm²/s, is 2.0 standard deviations below the typical 46.92; limit 3 "
        "(the worst of 2)"
    )


def test_typical_values_are_carried_to_where_was_measured(judged: Judge) -> None:
    """819.9 kg/m³ at 100 °C is what 858 at 40 °C falls to; 826.9 is fourteen standard deviations more."""
    hot = GOOD.splitlines(keepends=True)[1]
    words = "no typical value that was measured here; beside those that it gives, carried here, noise and"
    for density, state in (("819.9", "met"), ("826.9", "doubtful")):
        (found,) = (one for one in judged(hot.replace("819.9", density)).checks if one.name == "Typical values")
        assert found.state == state, found.finding
        assert words in found.finding


def test_without_a_typical_value_nothing_is_compared(judged: Judge) -> None:
    hot = GOOD.splitlines(keepends=True)[1]
    (found,) = (one for one in judged(hot.replace("S-1", "X-1")).checks if one.name == "Typical values")
    assert (found.state, found.finding) == (
        "not checked",
        "lab.toml gives this product no typical value that was measured here",
    )
