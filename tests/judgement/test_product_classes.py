"""What a run report calculates for each class of product, and what it is held to.

ISO 8217 annex: CCAI of 991 kg/m³ and 380 mm²/s at 50 °C is 852 (memory, as bunker suppliers compute it). SAE J300: a
SAE 40 has 12.5 to below 16.3 mm²/s at 100 °C (seen).
"""

from __future__ import annotations

import math

import pytest

from labcalc import figures
from labcalc.judgement import Judgement
from tests.judgement.conftest import LAB, REFERENCE, Judge

FUEL = "S1,S-1,2026-03-02 08:00,VD,50,380.0,967.0\nS1,S-1,2026-03-02 08:10,VD,100,35.0,934.0\n"

ENGINE = "S1,S-1,2026-03-02 08:00,VD,40,107.1,851.3\nS1,S-1,2026-03-02 08:10,VD,100,14.42,814.9\n"

GAS = "S1,S-1,2026-03-02 08:00,VD,15,5.21,834.9\nS1,S-1,2026-03-02 08:10,VD,40,2.931,817.3\n"

LIMITS = LAB[LAB.index("limit = [") : LAB.index("[report]")]


def of_class(name: str, more: str = "", report: str = "") -> str:
    """Return the laboratory with a product of a class, without its own limits."""
    lab = LAB.replace('precision_class = "formulated oils"', f'class = "{name}"\n{more}').replace(LIMITS, "")
    return lab + report


def calculated(judgement: Judgement) -> dict[str, str]:
    return {one.name: one.reported for one in judgement.consequences}


def test_an_engine_oil_has_an_sae_grade_and_no_viscosity_grade(judged: Judge) -> None:
    found = judged(ENGINE, lab=of_class("engine oil"))
    told = calculated(found)
    assert told["SAE grade"] == "SAE 40"
    assert {"Viscosity index", "Density at 15 °C"} <= set(told)
    assert not {"Viscosity grade", "Relative molecular mass", "API gravity"} & set(told)
    (grade,) = (one for one in found.consequences if one.name == "SAE grade")
    assert grade.standard == "SAE J300_202104"
    assert grade.note.endswith("not known: high-shear viscosity at 150 °C")
    thin = judged(ENGINE.replace("14.42", "12.49"), lab=of_class("engine oil"))
    assert calculated(thin)["SAE grade"] == "SAE 30"


def test_what_cannot_be_told_apart_is_told_together(judged: Judge) -> None:
    found = judged(ENGINE.replace("107.1", "41.0").replace("14.42", "7.00"), lab=of_class("engine oil"))
    assert calculated(found)["SAE grade"] == "SAE 12 or 16 or 20"
    none = judged(ENGINE.replace("107.1", "11.0").replace("14.42", "3.00"), lab=of_class("engine oil"))
    assert calculated(none)["SAE grade"] == "none of SAE J300"
    lacking = judged(ENGINE.splitlines()[0] + "\n", lab=of_class("gear oil"))
    (grade,) = (one for one in lacking.consequences if one.name == "SAE grade")
    assert (grade.reported, grade.note) == ("–", "needs the kinematic viscosity at 100 °C")


def test_a_residual_fuel_has_ccai_and_category(judged: Judge) -> None:
    found = judged(FUEL, lab=of_class("residual marine fuel"))
    told = calculated(found)
    assert told["ISO 8217 category"] == "RMG 380"
    density = float(told["Density at 15 °C"])
    assert float(told["CCAI"]) == pytest.approx(852 + density - 991.0, abs=1.0)
    assert not {"Viscosity index", "Viscosity grade", "Relative molecular mass"} & set(told)
    ccai, at_15 = (one for one in found.consequences if one.name in ("CCAI", "Density at 15 °C"))
    ccai, at_15 = (ccai, at_15) if ccai.name == "CCAI" else (at_15, ccai)
    assert ccai.note == "from the kinematic viscosity at 50 °C"
    assert ccai.expanded_uncertainty == pytest.approx(at_15.expanded_uncertainty, rel=0.1), "1 kg/m³ is 1 of CCAI"


def test_a_residual_fuel_that_was_not_measured_at_50_degrees_is_told_there(judged: Judge) -> None:
    told = calculated(
        judged(FUEL.replace("VD,50,380.0,967.0", "VD,60,210.0,960.0"), lab=of_class("residual marine fuel"))
    )
    assert "Kinematic viscosity at 50 °C" in told
    assert told["ISO 8217 category"].startswith("RM")


def test_a_distillate_has_its_categories(judged: Judge) -> None:
    assert calculated(judged(GAS, lab=of_class("distillate marine fuel")))["ISO 8217 category"] == "DMX or DMA or DMB"


def test_a_gas_oil_is_held_to_a_standard_only_where_lab_toml_asks_for_it(judged: Judge) -> None:
    bare = judged(GAS, lab=of_class("gas oil"))
    assert "gives Oil 46 no limits" in next(one.finding for one in bare.checks if one.name == "Specification")
    held = judged(GAS, lab=of_class("gas oil", 'standard = "EN 590"'))
    checks = [one for one in held.checks if one.name.startswith("Specification")]
    assert [one.state for one in checks] == ["met", "met"]
    assert "limits 2.000 to 4.500 mm²/s" in checks[0].finding
    assert all(one.basis.startswith("EN 590 before 2022, temperate climate [seen], asked for by") for one in checks)
    page = figures.show_provenance(held).html
    assert "Limits of standards</th><td>EN 590 before 2022, temperate climate [seen]</td>" in page
    heavy = judged(GAS.replace("834.9", "846.0"), lab=of_class("gas oil", 'standard = "EN 590"'))
    assert heavy.verdict == "not releasable"


def test_ccai_is_held_to_its_limit(judged: Judge) -> None:
    lab = of_class("residual marine fuel", 'standard = "ISO 8217, RMG 380"')
    state = {one.name: one.state for one in judged(FUEL, lab=lab).checks}
    assert state["Specification: CCAI"] == "met"
    denser = FUEL.replace("967.0", "989.0").replace("934.0", "957.0")
    state = {one.name: one.state for one in judged(denser, lab=lab).checks}
    assert state["Specification: CCAI"] == "not met"
    assert state["Specification: density at 15 °C"] == "not met"


def test_report_and_product_add_and_leave_out(judged: Judge) -> None:
    report = 'quantities = ["+molar mass", "-viscosity index"]\n'
    told = calculated(
        judged(ENGINE, lab=of_class("engine oil", 'quantities = ["+API gravity", "-molar mass"]', report))
    )
    assert "API gravity" in told
    assert not {"Viscosity index", "Relative molecular mass"} & set(told)


def test_a_limit_asks_for_what_it_needs(judged: Judge) -> None:
    limit = 'limit = [{ quantity = "viscosity index", lowest = 90, decimals = 0 }]'
    found = judged(GAS.replace("VD,15", "VD,100"), lab=of_class("gas oil", limit))
    assert "Viscosity index" in calculated(found)


def test_without_a_class_the_commodity_group_says_what_is_senseless(judged: Judge) -> None:
    known = calculated(judged())
    assert {"Viscosity grade", "Relative molecular mass", "Viscosity-gravity constant (40 °C)"} <= set(known)
    fuel = LAB.replace('precision_class = "formulated oils"', 'commodity = "refined product"').replace(LIMITS, "")
    told = calculated(judged(GAS, lab=fuel))
    assert {"Density at 15 °C", "API gravity"} <= set(told)
    assert not {"Viscosity grade", "Viscosity index", "Relative molecular mass"} & set(told)


def test_a_method_without_figures_says_so_on_the_page(judged: Judge) -> None:
    lab = of_class("engine oil") + '[[instrument]]\nname = "VD"\nmethods = ["ASTM D7042"]\n'
    found = judged(ENGINE, lab=lab)
    page = figures.show_provenance(found).html
    assert (
        "no precision of ASTM D7042, edition 2004 to 2021 is known here for kinematic viscosity of formulated" in page
    )
    assert "the method is assumed" not in page
    assert all(math.isfinite(one.value) for one in found.results)


def test_where_no_statement_is_in_force_the_instruments_own_fills_stand_in(judged: Judge) -> None:
    """Fills 0.10 % apart, each time: by the quantile of 68.27 %, s is 0.10 %/√2, and r = 2.77 s is 0.196 %.

    Two pairs of a run, viscosity and density, keep z(0.75 %)/z(2.5 %) = 1.241 r together (Bonferroni, 3 %).
    """
    lab = of_class("engine oil") + '[[instrument]]\nname = "VD"\nmethods = ["ASTM D7042"]\n'
    row = "F{0},S-{0},2026-02-{1:02d} {2:02d}:{3:02d},VD,40,{4},851.3\n"
    fills = [(n, 1 + n // 4, 9 + n % 4) for n in range(40)]
    record = REFERENCE + "".join(
        row.format(n, day, hour, minute, kv) for n, day, hour in fills for minute, kv in ((0, 107.0), (9, 107.107))
    )
    pair = ENGINE.splitlines()[0] + "\nS1,S-1,2026-03-02 08:05,VD,40,{},851.3\n"
    near, far = (judged(pair.format(kv), lab=lab, record=record) for kv in ("107.20", "107.60"))
    state = {one.name: one for one in far.checks}["Repeats: kinematic viscosity at 40 °C"]
    assert (state.state, "own record of 40 pairs of fills" in state.basis) == ("not met", True)
    assert "limit 0.261 mm²/s" in state.finding
    assert {one.name: one.state for one in near.checks}["Repeats: kinematic viscosity at 40 °C"] == "met"
    page = figures.show_provenance(near).html
    assert (
        "no precision of ASTM D7042, edition 2004 to 2021 is known here for kinematic viscosity of formulated" in page
    )


def test_fahrenheit_typed_as_celsius_is_told_by_the_class(judged: Judge) -> None:
    """ASTM D341: B = [lglg(380.7) − lglg(35.7)]/(lg 373.15 − lg 323.15) = 3.56; of 122 and 212 °F as °C 2.53."""
    typed = FUEL.replace("VD,50", "VD,122").replace("VD,100", "VD,212")
    found = {}
    for export in (FUEL, typed):
        judgement = judged(export, lab=of_class("residual marine fuel"))
        found[export] = next(one for one in judgement.checks if one.name == "Viscosity falls with temperature")
    assert (found[FUEL].state, found[typed].state) == ("met", "doubtful")
    assert "are the temperatures in °C, and not in kelvin or °F?" in found[typed].finding
