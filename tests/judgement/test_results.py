"""Results of a run and what follows from them, number by number: repeats put together, medians, roundings, slopes.

The oils are invented; every expected value is worked out beside its test.
"""

from __future__ import annotations

import math

import pytest

from labcalc import formulae
from labcalc.judgement import Consequence, Judgement
from labcalc.judgement.uncertainty.results import Result, Results, reported_value
from tests.judgement.conftest import GOOD, LAB, Judge

ALL_THREE = (
    "Run,Sample,Date,Instrument,Temperature (°C),Kinematic viscosity (mm²/s),Density (kg/m³),"
    "Dynamic viscosity (mPa·s)\n"
)


def rows(*values: str) -> str:
    """Rows of run S1, ten minutes apart, each from its temperature on."""
    return "".join(f"S1,S-1,2026-03-02 08:{n}0,VD,{one}\n" for n, one in enumerate(values))


def named(judgement: Judgement, name: str) -> Consequence:
    (found,) = (one for one in judgement.consequences if one.name == name)
    return found


def result(found: Results, quantity: str, temperature_C: float) -> Result:
    one = found.of(quantity, temperature_C)
    assert one is not None
    return one


# --- Which determinations are one result ---


def test_temperatures_that_agree_to_a_tenth_are_one_result(judged: Judge) -> None:
    """40.02 and 39.96 are 40.0, 40.06 is 40.1: (46.10 + 46.20) / 2 = 46.15, and 46.00 on its own."""
    found = judged(rows("40.02,46.10,858.0", "39.96,46.20,858.2", "40.06,46.00,858.4")).results
    assert [(one.quantity, one.temperature_C, len(one.repeats)) for one in found.viscosities] == [
        ("kinematic viscosity", 40.0, 2),
        ("kinematic viscosity", 40.1, 1),
    ]
    assert result(found, "kinematic viscosity", 40.0).value == pytest.approx(46.15, rel=1e-14)
    assert result(found, "density", 40.0).value == pytest.approx(858.1, rel=1e-14)
    assert [one.temperature_C for one in found.densities] == [40.0, 40.1]
    assert found.of("kinematic viscosity", 40.04) is result(found, "kinematic viscosity", 40.0)
    assert found.of("kinematic viscosity", 40.06) is result(found, "kinematic viscosity", 40.1)
    assert found.of("kinematic viscosity", 40.2) is None
    assert found.of("viscosity index", 40.0) is None


def test_results_stand_by_temperature_then_by_quantity(judged: Judge) -> None:
    found = judged(rows("100,6.870,819.9", "40,46.12,858.1")).results
    assert [(one.temperature_C, one.quantity) for one in found] == [
        (temperature, quantity)
        for temperature in (40.0, 100.0)
        for quantity in ("kinematic viscosity", "dynamic viscosity", "density")
    ]


def test_an_empty_cell_is_no_repeat(judged: Judge) -> None:
    found = judged(rows("40,46.10,858.0", "40,46.20,", "100,,820.0")).results
    assert result(found, "kinematic viscosity", 40.0).repeats == (46.10, 46.20)
    assert result(found, "density", 40.0).repeats == (858.0,)
    assert found.of("kinematic viscosity", 100.0) is None


def test_what_was_calculated_in_one_row_follows(judged: Judge) -> None:
    found = judged(rows("40,46.12,858.1,39.58", "40,46.12,858.1,"), header=ALL_THREE).results
    assert result(found, "dynamic viscosity", 40.0).follows
    assert not result(found, "kinematic viscosity", 40.0).follows
    assert not result(judged(rows("40,46.12,858.1,39.58"), header=ALL_THREE).results, "dynamic viscosity", 40.0).follows


# --- The median of four ---

FOUR = (46.12, 46.80, 46.30, 46.32)
"""Range 0.68 mm²/s, critical range of four 1.311 · 0.0074 · 46.385 = 0.450; median (46.30 + 46.32) / 2."""


def test_a_dynamic_viscosity_that_follows_goes_with_the_median(judged: Judge) -> None:
    found = judged(rows(*(f"40,{one},858.1" for one in FOUR))).results
    dynamic = result(found, "dynamic viscosity", 40.0)
    assert (dynamic.rule, dynamic.value) == ("median", pytest.approx(46.31 * 0.8581, rel=1e-14))
    assert result(found, "density", 40.0).value == pytest.approx(858.1, rel=1e-14)


def test_one_that_was_measured_stays_its_own_mean(judged: Judge) -> None:
    export = rows(*(f"40,{one},858.1,{one * 0.8581:.4f}" for one in FOUR))
    found = judged(export, header=ALL_THREE).results
    assert result(found, "kinematic viscosity", 40.0).rule == "median"
    dynamic = result(found, "dynamic viscosity", 40.0)
    assert (dynamic.rule, dynamic.value) == ("mean", pytest.approx(sum(FOUR) / 4.0 * 0.8581, abs=1e-4))


def test_where_the_kinematic_one_follows_its_median_leads_all_the_same(judged: Judge) -> None:
    export = rows(*(f"40,,858.1,{one * 0.8581:.5f}" for one in FOUR))
    found = judged(export, header=ALL_THREE).results
    assert result(found, "kinematic viscosity", 40.0).follows
    dynamic = result(found, "dynamic viscosity", 40.0)
    assert (dynamic.rule, dynamic.value) == ("median", pytest.approx(46.31 * 0.8581, rel=1e-6))


def test_a_mean_leaves_the_dynamic_viscosity_its_own(judged: Judge) -> None:
    """The mean of products isn't the product of means: (46.10 · 858.0 + 46.30 · 858.2) / 2 ≠ 46.20 · 858.1."""
    found = judged(rows("40,46.10,858.0", "40,46.30,858.2")).results
    dynamic = result(found, "dynamic viscosity", 40.0)
    assert dynamic.value == pytest.approx((46.10 * 0.8580 + 46.30 * 0.8582) / 2.0, rel=1e-14)
    assert dynamic.value != pytest.approx(46.20 * 0.8581, rel=1e-10)


# --- As reported ---


@pytest.mark.parametrize(
    ("quantity", "value", "written"),
    [
        ("kinematic viscosity", 46.125, "46.12"),
        ("kinematic viscosity", 46.135, "46.14"),
        ("dynamic viscosity", 6.8704, "6.870"),
        ("kinematic viscosity", 12345.0, "12340"),
        ("density", 858.25, "858.2"),
        ("density", 858.35, "858.4"),
        ("viscosity index", 95.5, "96"),
        ("viscosity index", 96.5, "96"),
        ("viscosity index", 96.4999999999, "96"),
        ("viscosity index", 97.4999999999, "98"),
        ("viscosity index", 97.499999, "97"),
        ("kinematic viscosity", math.nan, "–"),
        ("density", math.inf, "–"),
    ],
)
def test_values_are_rounded_as_the_methods_say(quantity: str, value: float, written: str) -> None:
    """Half to even (ASTM E29); an index a billionth off a half is the half, by the dust of its calculation."""
    assert reported_value(quantity, value) == written


# --- What follows ---


def test_a_viscosity_between_is_that_of_the_line_and_one_beyond_says_so(judged: Judge) -> None:
    """Exactly through both points: W = lg lg (ν + 0.7) is linear in lg T (ASTM D341-20)."""
    lab = LAB.replace("temperatures_C = [60, 0]", "temperatures_C = [40, 39.9, 100.1, 60]")
    judgement = judged(lab=lab)
    cold, hot = (math.log10(math.log10(nu + 0.7)) for nu in (46.12, 6.870))
    share = (math.log10(333.15) - math.log10(313.15)) / (math.log10(373.15) - math.log10(313.15))
    expected = 10.0**10.0 ** (cold + share * (hot - cold)) - 0.7
    between = named(judgement, "Kinematic viscosity at 60 °C")
    assert between.value == pytest.approx(expected, rel=1e-5)
    assert (between.reported, between.unit, between.note) == (f"{expected:.2f}", "mm²/s", "")
    for name in ("39.9", "100.1"):
        beyond = named(judgement, f"Kinematic viscosity at {name} °C")
        assert beyond.note == "extrapolated: measured from 40 °C to 100 °C only"
    assert not [one for one in judgement.consequences if one.name == "Kinematic viscosity at 40 °C"], "measured"


def test_the_density_nearest_to_15_is_taken(judged: Judge) -> None:
    """At 11 °C and at 19 °C the distance is the same: the first stands; 18 °C is nearer; 10 K tell no expansion yet."""
    export = rows("11,240.0,876.4", "19,130.0,870.6")
    assert named(judged(export), "Density at 15 °C").note == "from 11 °C, commodity group lubricating oil"
    nearer = named(judged(export.replace("VD,11", "VD,9.1")), "Density at 15 °C")
    assert nearer.note == "from 19 °C, commodity group lubricating oil"
    assert nearer.value == pytest.approx(870.6 + 4.0 * 0.64, abs=0.1), "0.64 kg/m³/K (API MPMS 11.1)"
    bare = named(judged(export.replace("S-1", "X-1")), "Density at 15 °C")
    assert bare.note == "from 11 °C, commodity group lubricating oil, assumed: lab.toml knows no such product"


# --- Density at 15 °C: by the oil's own expansion, beside the table's answer ---


def by_hand(near: float, far: float, to_C: float = 15.0) -> float:
    """ρ at 40 °C and 100 °C to another temperature, API MPMS 11.1-2004 par. 11.1.6.1: bisection for the expansion.

    CTL = exp(-α D (1 + 0.8 α (D + δ))), D in °F from 60.0068749 °F, δ = 0.01374979547 °F; °F by ITS-90 for IPTS-68,
    0.01 °F apart at 100 °C, which is no 0.01 kg/m³ here.
    """
    D = {t: 1.8 * t + 32.0 - 60.0068749 for t in (40.0, 100.0, to_C)}

    def log_CTL(alpha: float, t: float) -> float:
        return -alpha * D[t] * (1.0 + 0.8 * alpha * (D[t] + 0.01374979547))

    low, high = 230e-6, 930e-6
    for _ in range(60):
        middle = 0.5 * (low + high)
        too_little = log_CTL(middle, 40.0) - log_CTL(middle, 100.0) < math.log(near / far)
        low, high = (middle, high) if too_little else (low, middle)
    return near * math.exp(log_CTL(low, to_C) - log_CTL(low, 40.0))


def pair(near: str, far: str) -> str:
    return GOOD.replace("858.1", near).replace("819.9", far)


def test_two_densities_tell_their_own_density_at_15(judged: Judge) -> None:
    """848.0 at 40 °C and 810.2 at 100 °C: own 863.514, table 863.778 from 40 °C (computed elsewhere from the standard).

    In the report it is 863.5 ± 1.5: 0.3 · √(1.417² + 0.417²) of the densities, 1.96 · 3.5e-4 · 25 · 85 of the equation.
    """
    found = named(judged(pair("848.0", "810.2")), "Density at 15 °C")
    assert found.value == pytest.approx(863.514, abs=6e-4)
    assert by_hand(848.0, 810.2) == pytest.approx(863.514, abs=0.005)
    assert found.expanded_uncertainty == pytest.approx(math.hypot(0.3 * math.hypot(1.417, 0.417), 1.458), rel=0.01)
    assert found.standard == formulae.edition_of("density_by_own_expansion")
    assert found.note == "by its own expansion, 40 °C to 100 °C"


def test_a_report_never_says_less_than_its_own_two_densities(judged: Judge) -> None:
    """852.8 at 40 °C and 811.4 at 100 °C: 869.8 by their own expansion, where the table says 868.6 from 40 °C."""
    assert by_hand(852.8, 811.4) == pytest.approx(869.8, abs=0.05)
    found = named(judged(pair("852.8", "811.4")), "Density at 15 °C")
    assert (found.reported, found.unit) == ("869.8", "kg/m³")
    assert abs(868.6 - found.value) < found.expanded_uncertainty


def test_an_oil_that_the_table_does_not_have_goes_by_its_own_expansion(judged: Judge) -> None:
    """An oil that falls by 0.75 kg/m³/K is none that the table for lubricants has: the density slope says so."""
    judgement = judged(pair("858.1", "813.1"))
    found = named(judgement, "Density at 15 °C")
    assert found.value == pytest.approx(by_hand(858.1, 813.1), abs=0.01)
    assert next(one for one in judgement.checks if one.name == "Density slope").state == "doubtful"
    assert named(judgement, "API gravity").note == "by its own expansion, 40 °C to 100 °C"


def test_a_density_measured_at_15_is_the_density_at_15(judged: Judge) -> None:
    found = named(judged(rows("15,180.0,874.0", "40,46.12,858.1")), "Density at 15 °C")
    assert found.value == pytest.approx(874.0, abs=1e-9)
    assert found.expanded_uncertainty == pytest.approx(0.3, rel=1e-6)


def test_two_densities_of_no_liquid_leave_the_table(judged: Judge) -> None:
    """0.05 kg/m³/K is 33e-6/°F, far below the 230e-6/°F from which the standard holds."""
    found = named(judged(pair("858.1", "855.1")), "Density at 15 °C")
    assert found.value == pytest.approx(float(formulae.density_at(858.1, 40.0, 15.0)))
    assert "commodity group lubricating oil; not by its own expansion: thermal expansion" in found.note


def test_one_density_has_the_uncertainty_of_the_tables_expansion(judged: Judge) -> None:
    """4 % (table_expansion.toml) of the 15.8 kg/m³ down to 15 °C are 0.63; 1.96 times, beside U = 0.3: 1.27."""
    found = named(judged(GOOD.splitlines(keepends=True)[0]), "Density at 15 °C")
    assert found.value - 858.1 == pytest.approx(15.8, abs=0.05)
    assert found.expanded_uncertainty == pytest.approx(math.hypot(0.3, 1.959964 * 0.04 * 15.8), rel=0.01)


def test_gravities_come_from_the_density_at_60_fahrenheit(judged: Judge) -> None:
    """Relative density ρ60 / 999.016 kg/m³, API gravity 141.5 / d - 131.5 (API MPMS 11.1; water, memory)."""
    judgement = judged()
    at_60 = float(formulae.density_by_own_expansion(858.1, 40.0, 819.9, 100.0, 140.0 / 9.0).density)
    relative, gravity = named(judgement, "Relative density 60/60 °F"), named(judgement, "API gravity")
    assert relative.value == pytest.approx(at_60 / 999.016, rel=1e-6)
    assert gravity.value == pytest.approx(141.5 / (at_60 / 999.016) - 131.5, rel=1e-5)
    assert (relative.reported, gravity.reported) == (f"{relative.value:.4f}", f"{gravity.value:.1f}")
    assert named(judgement, "Density at 15 °C").reported == f"{named(judgement, 'Density at 15 °C').value:.1f}"


def test_saybolt_seconds_have_a_decimal_below_200(judged: Judge) -> None:
    """100 °F is 37.78 °C; ASTM D2161 there: 4.632 ν (1 + 0.000061 (t - 100)) s, above 75 mm²/s and nearly so below."""
    below, above = (
        named(judged(GOOD.replace("46.12", cold)), "Saybolt Universal viscosity at 100 °F") for cold in ("39.1", "39.2")
    )
    assert 199.0 < below.value < 200.0 < above.value < 201.0
    assert (below.reported, above.reported) == (f"{below.value:.1f}", f"{above.value:.0f}")
    assert below.note == "from the viscosity-temperature line at 37.78 °C"


def test_what_lacks_its_inputs_says_which(judged: Judge) -> None:
    def notes(export: str) -> dict[str, str]:
        return {one.name: one.note for one in judged(export).consequences if math.isnan(one.value)}

    cold = notes(rows("40,46.12,858.1"))
    assert cold["Viscosity index"] == "needs the kinematic viscosities at 40 °C and 100 °C"
    assert cold["Kinematic viscosity at 60 °C"] == "needs two measured temperatures"
    assert cold["Saybolt Universal viscosity at 100 °F"] == "needs two measured temperatures"
    assert cold["Viscosity-gravity constant (100 °C)"] == "needs the kinematic viscosity at 100 °C and a density"
    assert cold["Relative molecular mass"] == "needs the kinematic viscosities at 40 °C and 100 °C and a density"
    assert "Viscosity-gravity constant (40 °C)" not in cold
    hot = notes(rows("100,6.870,819.9"))
    assert hot["Viscosity grade"] == "needs the kinematic viscosity at 40 °C"
    bare = notes(rows("40,46.12,", "100,6.870,"))
    assert bare["Density at 15 °C"] == bare["API gravity"] == "needs a measured density"
    assert bare["Viscosity-gravity constant (40 °C)"] == "needs the kinematic viscosity at 40 °C and a density"
    assert bare["Relative molecular mass"] == cold["Relative molecular mass"]
    assert "Viscosity index" not in bare


def test_what_follows_from_a_refusal_repeats_its_reason(judged: Judge) -> None:
    """A density that no table holds: the gravity can't be known either, and says why."""
    judgement = judged(GOOD.replace("858.1", "1250.0").replace("819.9", "1240.0"))
    at_15, gravity = named(judgement, "Density at 15 °C"), named(judgement, "API gravity")
    assert (at_15.reported, at_15.unit) == ("–", "kg/m³")
    assert gravity.note == named(judgement, "Relative density 60/60 °F").note
    assert named(judgement, "Viscosity-gravity constant (40 °C)").note == at_15.note
    assert math.isnan(named(judgement, "Relative molecular mass").value)
