"""Calculations at the bench: every worked example against its published value, and what a person types wrong."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from labcalc.bench import CALCULATIONS, Table
from labcalc.errors import LabcalcError
from labcalc.widgets import still_bench

PUBLISHED = Path(__file__).parents[1] / "published"

PRINTED = {
    "line": ("n-dodecane of Huber et al. 2004: within the band of the line, held below", []),
    "index": ("ASTM D2270-10(2016), 5.1.4", ["92", "92.43", "VG 68"]),
    "ISO 3448": ("ISO 3448:1992, table 1", ["Possible: VG 68."]),
    "SAE J300": ("SAE J300, table 1, public copy of January 2015", ["Possible: SAE 40 with 0W, 5W or 10W."]),
    "SAE J300 winter": ("SAE J300, table 1", ["Possible: SAE 0W; SAE 5W; SAE 10W."]),
    "SAE J306": ("SAE J306, table 1, public copy of February 2019", ["Possible: SAE 90."]),
    "SAE J306 winter": ("SAE J306, table 1", ["Possible: SAE 75W; SAE 80W; SAE 85W."]),
    "ISO 8217": (
        "ISO 8217:2012, tables 1 and 2; at 40 °C it is thicker still",
        ["Possible: RMK 380; RMK 500; RMK 700."],
    ),
    "diesel fuel": (
        "EN 14214, table 1; ASTM D6751",
        ["Possible: EN 14214, fatty acid methyl ester; ASTM D6751, fatty"],
    ),
    "jet fuel": (
        "Defence Standard 91-091, by product sheets",
        ["Possible: Jet A, Jet A-1; Jet A, Jet A-1 with synthetic"],
    ),
    "insulating and white oil": ("IEC 60296, one maker's table", ["Possible: IEC 60296, transformer oil;"]),
    "density": ("API MPMS 11.1-2004, 11.1.7.2, example 1: 667.718347529613 and 0.982192367319", ["667.718", "0.98219"]),
    "expansion": ("API MPMS 11.1-2004, 11.1.6.1, example 7: 0.000732185 1/°F", ["732.19"]),
    "recipe": (
        "API Technical Data Book, 11A4.5, its steps in two codings of their own",
        ["15.086", "11.842", "8.4636"],
    ),
    "reach": ("the same: 0.452965 for 20.0 mm²/s at 86 °F", ["45.30"]),
    "scales": ("API Technical Data Book, 11A1.4", ["141.7"]),
    "flow": ("manual of a suspended-level capillary, ISO 3105:1994", ["1.797"]),
    "constant": ("manual of a small capillary, ISO 3105:1994: 0.0100", ["0.010000"]),
    "tube": ("water at 20 °C: Tanaka 2001; dry air: ASTM D4052", ["998.207", "1.205"]),
    "carry_over": ("made with a share of 0.4 %; HL - LL and 3 SD(LL) by hand", ["0.384 %", "0.346", "0.128"]),
}
"""What stands in the results of each example, and where it is printed."""


def shown(key: str, **typed: str) -> str:
    """All results as text, with the example where nothing else is typed."""
    one = CALCULATIONS[key]
    results = one.run({**one.example, **typed})
    return "\n".join(
        each.copied if isinstance(each, Table) else each for each in results if not hasattr(each, "series")
    )


def table(key: str, caption: str, **typed: str) -> Table:
    one = CALCULATIONS[key]
    results = one.run({**one.example, **typed})
    return next(each for each in results if isinstance(each, Table) and each.caption.startswith(caption))


@pytest.mark.parametrize("key", CALCULATIONS)
def test_the_worked_example_comes_to_its_published_value(key: str) -> None:
    text = shown(key)
    for value in PRINTED[key][1]:
        assert re.search(rf"(^|\s){re.escape(value)}", text, re.MULTILINE), value


@pytest.mark.parametrize("key", CALCULATIONS)
def test_each_says_equation_source_range_and_example(key: str) -> None:
    one = CALCULATIONS[key]
    assert one.equation
    assert one.source
    assert one.range
    assert one.printed
    known = {name for field in one.fields for name in (field.key, *field.symbols())}
    assert known >= set(one.example)
    assert one.run({})


def test_what_was_left_out_of_the_curve_lies_in_the_bands() -> None:
    """n-dodecane by CoolProp 8.0.0 (Huber et al. 2004): 1.98620, 1.11163 and 0.89138 mm²/s at 20, 60 and 80 °C."""
    rows = {row[0]: [float(cell) for cell in row[1:]] for row in table("line", "Viscosity").rows}
    for at, nu in (("20", 1.98620), ("60", 1.11163), ("80", 0.89138)):
        _, low, high, vogel, vogel_low, vogel_high, *_ = rows[at]
        assert low <= nu <= high
        assert vogel_low <= nu <= vogel_high
        assert vogel == pytest.approx(nu, rel=0.004)
    found, reach = (float(cell) for cell in table("line", "Temperature", **{"for": "1.98620"}).rows[0][1:])
    assert abs(found - 20.0) < reach


def test_a_crude_from_its_own_cuts() -> None:
    """Assay in adios-db, record EX00026: seven cuts from 0.4 mm²/s to 2 million; both methods come within 6 %."""
    with (PUBLISHED / "curves" / "assay_of_a_crude.csv").open(encoding="utf-8", newline="") as file:
        crude, *cuts = csv.DictReader(file)
    oils = "\n".join(f"{cut['volume_percent']} {cut['kv_40']} {cut['kv_50']}" for cut in cuts)
    rows = table("recipe", "Viscosity", oils=oils, t1="104", t2="122", at="").rows
    for row, measured in zip(rows, (crude["kv_40"], crude["kv_50"]), strict=True):
        assert [float(cell) for cell in row[1:3]] == pytest.approx([float(measured)] * 2, rel=0.06)


def test_mass_and_volume_there_and_back() -> None:
    """By hand: 60 parts of 800 kg/m³ and 40 of 900 by volume are 57.14 % and 42.86 % by mass, 840 kg/m³ together."""
    oils = "{} 14.22 4.85 800\n{} 163.4 24.98 900"
    by_volume = shown("recipe", oils=oils.format(60, 40))
    assert "57.14\n" in by_volume
    assert "Density of the blend: 840.000 kg/m³" in by_volume
    by_mass = table("recipe", "Volume", oils=oils.format("57.142857", "42.857143"), by="by mass")
    assert [row[1] for row in by_mass.rows] == ["60.00", "40.00"]
    share = table("reach", "Share", oils="14.22 4.85 800\n163.4 24.98 900", unsure="2").rows[0]
    assert table("reach", "Share").columns == ("Method", "Added oil by volume, %"), "neither U nor densities are typed"
    _, volume, lowest, highest, mass = share
    assert float(lowest) < float(volume) < float(highest)
    f = 0.01 * float(volume)
    assert float(mass) == pytest.approx(100.0 * 800.0 * f / (800.0 * f + 900.0 * (1.0 - f)), abs=0.01)


def test_units_that_were_chosen_change_nothing_but_the_numbers() -> None:
    """104 °F and 313.15 K are 40 °C; 0.8500 g/cm³ is 850 kg/m³: 865.7778 at 15 °C by API MPMS 11.1."""
    for t, unit in (("40", "°C"), ("104", "°F"), ("313,15", "K")):
        for rho, of_rho, expected in (("850", "kg/m³", "865.778"), ("0.85", "g/cm³", "0.865778")):
            typed = {"density": rho, "density unit": of_rho, "from": t, "from unit": unit, "from_kPa": "", "to": "15"}
            text = shown("density", commodity="lubricating oil", **typed)
            assert f"\t{expected}\t" in text


def test_a_scale_that_has_no_such_value_says_why() -> None:
    text = shown("scales", value="3", at="100", **{"at unit": "°C"})
    assert "°E, Engler\t–\tkinematic viscosity 3 mm²/s is outside its range" in text
    assert "ASTM D2161 gives Saybolt Furol viscosity at 122 °F and 210 °F" in text


@pytest.mark.parametrize(
    ("key", "typed", "told"),
    [
        ("index", {"kv_40": "abc"}, "Viscosity at 40 °C: 'abc': a number is expected"),
        ("index", {"kv_40": "nan"}, "Viscosity at 40 °C: 'nan': a number is expected"),
        ("index", {"kv_100": "1.9"}, "Viscosity at 100 °C: 1.9 mm²/s: 2 to 20\u202f000\u202f000 mm²/s is expected"),
        ("index", {"kv_40": "8"}, "kinematic viscosity at 40 °C 8 mm²/s is outside its range (more than 8.86 mm²/s)"),
        ("density", {"to": "400", "to unit": "°F"}, "Wanted at: 400 °F: -58 to 302 °F is expected"),
        ("density", {"to unit": "°R"}, "to unit: '°R': one of °C, °F, K is expected"),
        (
            "density",
            {"commodity": "wine"},
            "Commodity group: 'wine': one of lubricating oil, refined product, crude oil",
        ),
        ("line", {"points": "40 46\n100"}, "a line each, line 2: '100': temperature, viscosity are expected"),
        ("line", {"points": "40 46\n100 x"}, "line 2, viscosity: 'x': a number is expected"),
        ("line", {"at": "150"}, "ask for extrapolation"),
        ("recipe", {"oils": "60 14 5\n30 160 25"}, "Oils: shares of 90 % together: 100 % is expected"),
        ("recipe", {"by": "by mass"}, "shares by mass need the density of each oil"),
        (
            "expansion",
            {"densities": "40 810\n100 848", "densities 2 unit": "kg/m³"},
            "doesn't fall with temperature; are the two exchanged?",
        ),
        ("reach", {"oils": "14 5"}, "Oils: 1 lines: two, the added oil and the base, are expected"),
        ("flow", {"E": "100"}, "factor, correction and dimensions exclude one another"),
        ("flow", {"shortest": ""}, "flow time 180 s is outside its range (200 s or more)"),
        ("carry_over", {"results": "1 " * 22}, "22 results for 21 steps: a result for each was expected"),
    ],
)
def test_what_is_typed_wrong_is_told_in_one_line(key: str, typed: dict[str, str], told: str) -> None:
    with pytest.raises(LabcalcError) as refusal:
        CALCULATIONS[key].run({**CALCULATIONS[key].example, **typed})
    assert told in str(refusal.value).replace("\u2212", "-")
    assert "\n" not in str(refusal.value)


def test_the_line_lies_in_its_band_where_points_lie_off_it() -> None:
    """Points of no line: line and band come from one fit, and the band is said not to hold."""
    points = "20 120.5\n40 46\n60 21.9\n100 6.8"
    found = table("line", "Viscosity, mm²/s, with bands of 95 %", points=points, noise="0.35", at="80", **{"for": ""})
    for row in found.rows:
        of_line, low, high = (float(cell) for cell in row[1:4])
        assert low < of_line < high
    text = shown("line", points=points, noise="0.35", at="80", **{"for": ""})
    assert "further from the line than that uncertainty explains: its band doesn't hold here (p < 0.0001)" in text


def test_a_residual_fuel_is_judged_by_its_ignition_index_too() -> None:
    """985 − 81 − 141 lg lg 375.85 = 846.1 by hand; RMG 380 asks for 870 at most. What fits stands first."""
    text = shown("ISO 8217", kv_50="375", density_15="985")
    assert "CCAI by density and viscosity: 846." in text
    assert [one.split("\t")[1] for one in text.splitlines() if "\t" in one][1:9] == ["fits"] * 6 + ["Fits", "no"]
    assert "CCAI 846: fits, 870 or less" in text
    with pytest.raises(LabcalcError, match=r"Density at 15 °C: 0.985 kg/m³: 470 to 1210 kg/m³ is expected"):
        shown("ISO 8217", kv_50="375", density_15="0.985")


def test_a_temperature_that_is_asked_for_is_told_once() -> None:
    """API MPMS 11.1, coded anew by hand for crude oil: 32.0 °API at 75 °F are 870.483 kg/m³ at 60 °F, 30.89 °API."""
    words = {"density unit": "°API", "from": "75", "from unit": "°F", "from_kPa": "", "to": "60", "to unit": "°F"}
    rows = table("density", "Density", density="32.0", commodity="crude oil", table="", **words).rows
    assert [row[0] for row in rows] == ["59", "68", "60"]
    assert rows[-1][2] == "30.8935"


def test_a_field_that_there_is_none_of_is_refused() -> None:
    with pytest.raises(LabcalcError, match=r"reach, 'uncertainty': one of oils, oils unit, .*, unsure"):
        list(still_bench("Blend", {"reach": {"oils": "32 5.4\n100 11", "uncertainty": "1"}}, example=False))


def test_what_was_typed_has_no_uncertainty_of_its_scale() -> None:
    """By hand: 7.31 · 2 − 6.31 / 2 = 11.465 mm²/s; °E 2 is as typed, what comes of it is as unsure as the equation."""
    rows = {row[0]: row[1:] for row in table("scales", "The same", value="2", scale="°E, Engler", at="50").rows}
    assert rows["°E, Engler"] == ("2.000", "as typed")
    assert float(rows["mm²/s"][0]) == pytest.approx(11.465, abs=0.006)
    assert rows["mm²/s"][1] == "7 % or more"


def test_small_words_of_units() -> None:
    assert "104 °F: ASTM D2161 gives Saybolt Furol viscosity at" in shown(
        "scales", value="46", at="40", **{"at unit": "°C"}
    )
    same = table("density", "Density", density="865", **{"from": "15", "from_kPa": "", "to": "40", "table": ""})
    assert same.rows[0][-1] == "0"


def test_an_extrapolation_is_asked_for_and_told() -> None:
    text = shown("line", at="150", beyond="extrapolate")
    assert "Note: 150 °C is outside the measured 0 °C to 100 °C" in text


def test_the_runs_stand_in_their_order_before_any_result() -> None:
    """SMILE guideline Equ59-01: 21 runs, five of each that counts."""
    rows = table("carry_over", "The runs", results="").rows
    assert [row[1][4:] for row in rows] == [{"L": "thin oil", "H": "thick oil"}[one] for one in "LLLHHLHHLLLLHHLHHLHHL"]
    assert "Results still to be typed: 21." in shown("carry_over", results="")


def test_the_uncertainty_of_a_share_is_its_scatter() -> None:
    """Simulation: 1000 cells that keep 0.4 % of what was in them, with noise of 0.02; E of s is 0.94 σ for five."""
    rng, found = np.random.default_rng(3), []
    for _ in range(1000):
        held, results = 10.0, []
        for step in "LLLHHLHHLLLLHHLHHLHHL":
            held = 0.996 * {"L": 10.0, "H": 100.0}[step] + 0.004 * held
            results.append(held + 0.02 * rng.standard_normal())
        told = table("carry_over", "Share", results=" ".join(f"{one:.5f}" for one in results)).rows[0]
        found.append([float(cell.removesuffix(" %").replace("\u2212", "-")) for cell in told[:2]])
    shares, stated = np.array(found).T
    assert np.mean(shares) == pytest.approx(0.4, abs=0.002)
    assert np.sqrt(np.mean(stated**2)) == pytest.approx(np.std(shares), rel=0.3)


def test_the_interval_of_a_temperature_holds_it() -> None:
    """Simulation: 400 times three results with 0.5 % of noise of an oil on the line; its bend is allowed for on top."""
    W = np.log10(np.log10(np.array([73.30, 8.86]) + 0.7))
    slope = (W[0] - W[1]) / np.log10(373.15 / 313.15)
    rng, inside = np.random.default_rng(4), 0
    for _ in range(400):
        lines = []
        for t in (20.0, 40.0, 100.0):
            nu = 10.0**10.0 ** (W[0] - slope * np.log10((t + 273.15) / 313.15)) - 0.7
            lines.append(f"{t} {nu * (1.0 + 0.005 * rng.standard_normal()):.6f}")
        found, reach = map(
            float, table("line", "Temp", points="\n".join(lines), **{"for": "73.30", "at": ""}).rows[0][1:]
        )
        inside += abs(found - 40.0) <= reach
    assert inside >= 0.93 * 400
