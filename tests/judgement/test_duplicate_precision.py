"""What sets of repeats say together, by hand: pooled scatter, limits, orders, levels, adjusted p-values, words.

ISO 12185 as shipped (memory): r = 0.2, R = 0.5 kg/m³. Quantiles and tests by scipy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from labcalc.judgement import DuplicateReport
from labcalc.judgement.duplicates.level import LevelStudy
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.precision import DuplicateSummary
from labcalc.lab import DuplicateChoices, Precision, PrecisionFunction
from tests.judgement.test_duplicates import LABORATORY, pairs, report, result

DETERMINABILITY, REPEATABILITY, INTERMEDIATE = CONDITIONS

FACTOR = stats.norm.ppf(0.975) * math.sqrt(2.0)
"""From the standard deviation of single results to the limit of the difference of two: 2.772."""

Rows = Sequence[dict[str, Any]]


def summary(found: DuplicateReport, quantity: str = "density", condition: str = REPEATABILITY) -> DuplicateSummary:
    (one,) = (s for s in found.summaries if (s.quantity, s.condition) == (quantity, condition))
    return one


def alternating(*differences: float, level: float = 858.0) -> list[dict[str, Any]]:
    """Pairs of densities about one level, first less second as given."""
    return pairs([(level + d, level) for d in differences])


# --- Scatter ---


def test_pairs_by_hand() -> None:
    """s² = Σd²/2n = (0.01 + 0.04 + 0.01 + 0.04) / 8; the interval by chi-square with 4 degrees of freedom."""
    one = summary(report(alternating(0.1, -0.2, -0.1, 0.2))).precision
    assert (one.deviation, one.degrees_of_freedom, one.number) == (pytest.approx(math.sqrt(0.0125)), 4, 4)
    ends = [math.sqrt(4.0 * 0.0125 / stats.chi2.ppf(p, 4)) for p in (0.975, 0.025)]
    assert one.interval == pytest.approx(ends)
    assert one.limit == pytest.approx(FACTOR * math.sqrt(0.0125))


def test_an_order_takes_its_mean_out() -> None:
    """d = -0.2, -0.3, -0.2, -0.3: t = 0.25 / (0.0577 / 2) = 8.66; s = s_d / √2 with 3 degrees of freedom."""
    one = summary(report(alternating(-0.2, -0.3, -0.2, -0.3)))
    assert one.order is not None
    assert one.order.mean == pytest.approx(-0.25)
    assert one.order.p_value == pytest.approx(stats.ttest_1samp([-0.2, -0.3, -0.2, -0.3], 0.0).pvalue)
    assert (one.contrast, one.is_about_the_mean) == ("first minus second", True)
    assert one.precision.deviation == pytest.approx(np.std([-0.2, -0.3, -0.2, -0.3], ddof=1) / math.sqrt(2.0))
    assert one.precision.degrees_of_freedom == 3


def test_one_pair_has_no_order() -> None:
    one = summary(report(alternating(0.1)))
    assert (one.order, one.contrast, one.is_about_the_mean, one.is_biased) == (None, "", False, False)
    assert math.isnan(one.order_p)
    assert one.precision.deviation == pytest.approx(0.1 / math.sqrt(2.0))


def test_pairs_and_sets_of_three_are_pooled() -> None:
    """(0.1² / 2 + variance of 0, 0.1, 0.2 times 2) / 3 = (0.005 + 0.02) / 3."""
    rows = alternating(0.1)
    rows += [result("S-9", f"05 0{8 + n}:00", density_kg_m3=858.0 + 0.1 * n) for n in range(3)]
    one = summary(report(rows))
    assert (one.precision.form, one.precision.degrees_of_freedom, one.order) == ("pooled sets", 3, None)
    assert one.precision.deviation == pytest.approx(math.sqrt(0.025 / 3.0))


# --- Against the limit ---


def test_the_limit_of_several_levels_is_the_root_of_the_mean_square() -> None:
    """Own r = 0.001 (ρ - 800): 0.058 at 858 and 0.032 at 832."""
    own = Precision("formulated oils", "density", math.nan, PrecisionFunction(1e-3, -800.0), "Own study")
    laboratory = replace(LABORATORY, precision=(own,))
    rows = [*pairs([(858.0, 858.0)]), *[row | {"sample": "S-2", "run": "2"} for row in pairs([(832.0, 832.0)])]]
    one = summary(report(rows, laboratory))
    assert one.limit_in_force == pytest.approx(math.sqrt((0.058**2 + 0.032**2) / 2.0))
    rows += [row | {"sample": "S-3", "run": "3"} for row in pairs([(790.0, 790.0)])]
    assert summary(report(rows, laboratory)).limit_in_force == pytest.approx(one.limit_in_force), "790 has no limit"


def test_what_is_found_without_the_sets_beyond() -> None:
    """|d| = 0.1, 0.1, 0.2, 0.3 against 0.2: the last is beyond. s² = 0.15 / 8, without it 0.06 / 6 = 0.01."""
    found = report(alternating(0.1, -0.1, 0.2, -0.3))
    one = summary(found)
    assert one.beyond == ("S-4",)
    assert one.precision.deviation == pytest.approx(math.sqrt(0.15 / 8.0))
    assert one.without_beyond is not None
    assert one.without_beyond.deviation == pytest.approx(0.1)
    # the share of pairs beyond r by a normal difference of standard deviation √2 s
    assert one.expected_beyond == pytest.approx(4 * 2.0 * stats.norm.sf(0.2 / (math.sqrt(2.0) * 0.1)))
    assert one.compared == "2.77 s 0.38 kg/m³ against r 0.20 with S-4, 0.28 without"
    assert one.sentence.endswith("against r = 0.20 kg/m³: worse than published; without S-4 it would be 0.28 kg/m³")
    assert [(each.sample, each.limit) for each in found.beyond] == [("S-4", pytest.approx(0.2))]


def test_where_all_or_none_are_beyond_nothing_is_left_out() -> None:
    none, every = summary(report(alternating(0.1, -0.1))), summary(report(alternating(0.3, -0.3)))
    assert (none.beyond, none.without_beyond) == ((), None)
    assert (every.beyond, every.without_beyond) == (("S-1", "S-2"), None)
    assert none.expected_beyond == pytest.approx(
        2 * 2.0 * stats.norm.sf(0.2 / (math.sqrt(2.0) * none.precision.deviation))
    )
    assert none.compared == "2.77 s 0.20 kg/m³ against r 0.20"
    assert every.compared == "2.77 s 0.59 kg/m³ against r 0.20 with S-1, S-2"


def test_a_sample_beyond_twice_is_named_once() -> None:
    rows = [result(at=f"{day:02} 0{8 + n}:00", density_kg_m3=858.0 + 0.3 * n) for day in (2, 3) for n in range(2)]
    laboratory = replace(LABORATORY, duplicates=DuplicateChoices(repeatability_window_h=2.0))
    found = summary(report(rows, laboratory))
    assert (found.precision.number, found.beyond) == (2, ("S-1",))


def test_30_degrees_of_freedom_are_enough_for_a_statement() -> None:
    for number, enough in ((29, False), (30, True)):
        rows = pairs([(858.0 + 0.1 * (-1) ** n, 858.0) for n in range(number)])
        assert summary(report(rows)).is_enough_for_a_statement is enough


def test_p_values_are_adjusted_for_being_read_together() -> None:
    """Holm (1979): of two, the smaller times 2, the larger times 1 and no smaller than that; by scipy's chi-square."""
    good, bad = alternating(0.1, -0.1, 0.1, -0.1), alternating(0.25, -0.25, 0.25, -0.25)
    rows = [*good, *[row | {"temperature_C": 100.0, "kinematic_viscosity_mm2_s": np.nan} for row in bad]]
    rows = [row | {"kinematic_viscosity_mm2_s": np.nan} for row in rows]
    found = {one.temperature_C: one for one in report(rows).summaries}
    single = {
        temperature: stats.chi2.sf(4 * (d**2 / 2.0) * (FACTOR / 0.2) ** 2, 4)
        for temperature, d in ((40.0, 0.1), (100.0, 0.25))
    }
    assert found[100.0].worse_p == pytest.approx(2.0 * single[100.0])
    assert found[40.0].worse_p == pytest.approx(max(single[40.0], 2.0 * single[100.0]))
    assert (found[40.0].is_worse, found[100.0].is_worse) == (False, True)
    assert found[40.0].verdict == "as published"
    assert found[100.0].verdict == "worse than published"


def test_without_a_limit_a_new_pair_is_told() -> None:
    """t(0.975, 2) √2 s with s² = (0.01 + 0.01) / 4."""
    rows = [row | {"sample": f"X-{n // 2}"} for n, row in enumerate(alternating(0.1, -0.1))]
    one = summary(report(rows))
    s, t = math.sqrt(0.02 / 4.0), stats.t.ppf(0.975, 2)
    low, high = (FACTOR * s * math.sqrt(2 / stats.chi2.ppf(p, 2)) for p in (0.975, 0.025))
    assert (one.verdict, one.comparison, one.is_worse) == ("no limit", None, False)
    assert math.isnan(one.expected_beyond)
    assert one.sentence == (
        f"2.77 s = {FACTOR * s:.2f} kg/m³ ({low:.2f} to {high:.1f}); no precision statement for density of Special at "
        f"40 °C: by these alone a new pair may lie {t * math.sqrt(2.0) * s:.2f} kg/m³ apart"
    )


def test_a_statement_without_this_limit_is_named() -> None:
    own = Precision("Special", "density", math.nan, PrecisionFunction(0.2, 0.0, 0.0), "Own study", lowest=900.0)
    laboratory = replace(LABORATORY, precision=(replace(own, precision_class="Special"),))
    rows = [result("X-1"), result("X-1", "02 09:00"), result("X-1", "05 09:00")]
    found = report(rows, laboratory)
    assert summary(found).why_not == "Own study states its precision for 900 kg/m³ and above only"
    assert summary(found, condition=INTERMEDIATE).why_not == "Own study states no R"
    assert summary(found, condition=INTERMEDIATE).letter == "R"


def test_a_precision_better_than_stated_says_so() -> None:
    one = summary(report(alternating(*[0.01, -0.01] * 6)))
    assert one.verdict == "better than published"
    assert not one.is_worse


# --- Two instruments ---


def instruments(*differences: float, turned: bool = True, **more: Any) -> list[dict[str, Any]]:
    """A less B of one sample after the other, in turn which comes first."""
    return [
        result(f"S-{n}", f"{2 + n:02} 08:{turn}0", instrument=name, density_kg_m3=858.0 + (d if name == "A" else 0.0))
        | (more if name == "B" else {})
        for n, d in enumerate(differences)
        for turn, name in enumerate("AB" if n % 2 or not turned else "BA")
    ]


def test_the_difference_of_two_instruments_is_that_of_their_names() -> None:
    """A minus B = 0.1, 0.3, 0.2, whichever came first; t by scipy; the scatter Σd²/2n = 0.14 / 6 holds it all."""
    one = summary(report(instruments(0.1, 0.3, 0.2)), condition=INTERMEDIATE)
    assert (one.changed, one.contrast, one.letter) == (("equipment",), "A minus B", "R")
    assert one.order is not None
    assert (one.order.mean, one.order.number) == (pytest.approx(0.2), 3)
    assert one.order.p_value == pytest.approx(stats.ttest_1samp([0.1, 0.3, 0.2], 0.0).pvalue)
    assert one.precision.deviation == pytest.approx(math.sqrt(0.14 / 6.0))
    assert one.limit_in_force == pytest.approx(0.5)
    assert one.verdict == "within R"


def test_beyond_R_where_the_scatter_is_larger() -> None:
    found = report(instruments(1.0, 1.2, -0.9, 1.1, turned=False))
    assert summary(found, condition=INTERMEDIATE).verdict == "beyond R"
    assert found.rank == 2


@pytest.mark.parametrize("rows", [instruments(0.1), instruments(0.1, 0.3, operator="Rui")[:2]])
def test_one_pair_of_instruments_compares_nothing(rows: Rows) -> None:
    one = summary(report(rows), condition=INTERMEDIATE)
    assert (one.contrast, one.order) == ("", None)


def test_three_instruments_or_operators_alone_are_not_compared() -> None:
    three = instruments(0.1, 0.3, 0.2)
    three[-1] |= {"instrument": "C"}
    assert summary(report(three), condition=INTERMEDIATE).contrast == ""
    people = [row | {"instrument": "A", "operator": row["instrument"]} for row in instruments(0.1, 0.3, 0.2)]
    assert summary(report(people), condition=INTERMEDIATE).contrast == ""


def test_summaries_stand_in_the_order_of_the_report() -> None:
    rows = [
        *alternating(0.1),
        *[row | {"sample": "X-1", "run": "X"} for row in alternating(0.1)],
        *[row | {"temperature_C": 100.0} for row in alternating(0.1)],
        result("S-7", "08 08:00"),
        result("S-7", "08 09:00", operator="Rui"),
        result("S-8", "08 08:00"),
        result("S-8", "08 09:00", instrument="B"),
    ]
    found = [
        (one.condition, one.changed, one.quantity, one.precision_class, one.temperature_C)
        for one in report(rows).summaries
    ]
    special, oils = "Special", "formulated oils"
    assert found == [
        (REPEATABILITY, (), "kinematic viscosity", special, 40.0),
        (REPEATABILITY, (), "kinematic viscosity", oils, 40.0),
        (REPEATABILITY, (), "kinematic viscosity", oils, 100.0),
        (REPEATABILITY, (), "density", special, 40.0),
        (REPEATABILITY, (), "density", oils, 40.0),
        (REPEATABILITY, (), "density", oils, 100.0),
        (INTERMEDIATE, ("equipment",), "kinematic viscosity", oils, 40.0),
        (INTERMEDIATE, ("equipment",), "density", oils, 40.0),
        (INTERMEDIATE, ("operator",), "kinematic viscosity", oils, 40.0),
        (INTERMEDIATE, ("operator",), "density", oils, 40.0),
    ]


# --- The level ---


def study(rows: Rows, quantity: str = "density") -> LevelStudy:
    (one,) = (s for s in report(rows).levels if s.quantity == quantity)
    return one


def test_levels_want_five_pairs() -> None:
    assert report(alternating(*[0.1, -0.1] * 2)).levels == ()
    found = report(alternating(0.1, -0.1, 0.1, -0.1, 0.1)).levels
    assert [(one.quantity, one.unit, one.shown_unit) for one in found] == [
        ("kinematic viscosity", "mm²/s", "%"),
        ("density", "kg/m³", "kg/m³"),
    ]


def test_a_level_is_the_mean_of_its_pair() -> None:
    one = study(pairs([(850.0, 850.2), (860.0, 860.1), (870.0, 870.3), (880.0, 879.9), (890.4, 890.0)]))
    assert (one.lowest, one.highest) == pytest.approx((850.1, 890.2))
    assert one.why_no_power_law == "5 pairs, and 30 are needed"
    assert one.dependence.rank_correlation == pytest.approx(
        stats.spearmanr([0.2, 0.1, 0.3, 0.1, 0.4], [850.1, 860.05, 870.15, 879.95, 890.2]).statistic, abs=0.06
    )
    assert one.agreement.number == 5


def test_a_power_law_wants_a_span_of_two() -> None:
    def why(factor: float) -> str:
        rows = pairs([(858.0, 858.0)] * 30)
        for n, row in enumerate(rows):
            row["kinematic_viscosity_mm2_s"] = (
                10.0 * (factor if n // 2 % 2 else 1.0) * (1.001 if n % 4 in (0, 3) else 1.0)
            )
        return study(rows, "kinematic viscosity").why_no_power_law

    assert why(1.9) == "the highest level is 1.9 times the lowest, and 2 times are needed"
    assert why(2.0) == ""


@pytest.mark.parametrize(
    ("power", "reading"),
    [
        (0.02, "the scatter is the same at every level"),
        (1.0, "the scatter is in proportion to the level"),
        (2.0, "neither constant nor in proportion"),
    ],
)
def test_what_the_power_says(power: float, reading: str) -> None:
    """Levels of two decades, differences of 1 % at 10 mm²/s that grow by the power: the fit finds it exactly."""
    rows = pairs([(858.0, 858.0)] * 40)
    for n, row in enumerate(rows):
        level = 2.0 * 100.0 ** (n // 2 / 39.0)
        row["kinematic_viscosity_mm2_s"] = level + 5e-4 * (level / 10.0) ** power * (1 if n % 4 in (0, 3) else -1)
    one = study(rows, "kinematic viscosity")
    assert one.power_law is not None
    assert one.power_law.exponent == pytest.approx(power, abs=1e-6)
    half = (
        stats.t.ppf(0.975, 38) * math.sqrt(2.0 / sum((math.log(100.0) * (k / 39.0 - 0.5)) ** 2 for k in range(40))) / 2
    )
    low = f"{power - half:.2f}".replace("-", "−")
    assert one.sentence.endswith(
        f"s grows as the level to the power {power:.2f} ({low} to {power + half:.2f}): {reading}"
    )


def test_levels_too_near_to_tell_say_so() -> None:
    rows = pairs([(858.0, 858.0)] * 30)
    for n, row in enumerate(rows):
        level = 10.0 if n // 2 % 2 else 22.0
        row["kinematic_viscosity_mm2_s"] = level + 0.005 * math.sqrt(level) * (1 if n % 4 in (0, 3) else -1)
    assert study(rows, "kinematic viscosity").sentence.endswith(
        "too few levels to tell a constant scatter from one in proportion"
    )


def test_temperatures_that_share_their_fills_are_one_difference() -> None:
    """d at 40 °C and at 100 °C of one run: their mean is tested, 0.15 for the first run."""
    cold = alternating(0.1, 0.2, 0.1, 0.3, 0.2)
    hot = [row | {"temperature_C": 100.0} for row in alternating(0.2, 0.2, 0.1, 0.1, 0.4)]
    one = study([*cold, *hot])
    means = np.array([0.15, 0.2, 0.1, 0.2, 0.3])
    assert (one.order.number, one.order.mean) == (5, pytest.approx(means.mean()))
    assert one.order.p_value == pytest.approx(stats.ttest_1samp(means, 0.0).pvalue)
    assert (one.agreement.number, one.agreement.mean) == (10, pytest.approx(0.19))


# --- What differs on the whole ---


def test_a_class_of_its_own_is_named_where_the_quantity_shows_nothing() -> None:
    """Oils 0.2 higher in the first of each pair, the other class 0.2 lower: together nothing, each by itself much."""
    rows = alternating(0.20, 0.21, 0.20, 0.21, 0.20, 0.21)
    rows += [
        row | {"sample": f"X-{row['sample']}", "run": f"X{row['run']}"} for row in alternating(*[-0.20, -0.22] * 3)
    ]
    found = report(rows)
    assert [one.about for one in found.biased] == ["Special, density at 40 °C", "formulated oils, density at 40 °C"]
    assert found.biased[0].finding.startswith("first minus second −0.21 kg/m³ (−0.22 to −0.20) from 6 pairs")
    assert "a lighter sample before" in found.biased[0].what_to_do
    assert "not yet at temperature, or residue of a denser one" in found.biased[1].what_to_do
    assert found.rank == 1
    whole = report(rows[:12])
    assert [one.about for one in whole.biased] == ["Density"], "named once, for the quantity"


def test_viscosity_has_causes_of_its_own() -> None:
    for sign, cause in (
        (1.0, "not yet at temperature, or residue of a thicker one"),
        (-1.0, "a thinner sample before"),
    ):
        rows = pairs([(858.0, 858.0)] * 6)
        for n, row in enumerate(rows):
            row["kinematic_viscosity_mm2_s"] = 46.0 * math.exp(sign * (1e-3 + 1e-5 * (n % 3)) * (n % 2 == 0))
        (bias,) = report(rows).biased
        assert bias.about == "Kinematic viscosity"
        assert cause in bias.what_to_do


def test_instruments_that_differ_are_named() -> None:
    (bias,) = report(instruments(0.20, 0.21, 0.20, 0.21, 0.22)).biased
    assert (bias.about, bias.finding[:23]) == ("formulated oils, density at 40 °C", "A minus B +0.21 kg/m³ (")
    assert bias.what_to_do.startswith("Compare both instruments' reference oils")


# --- What to measure next ---


def test_what_to_do_with_two_that_do_not_agree() -> None:
    """Two more: four within 1.311 r; or one more: three within 1.196 r (ISO 5725-6, table 1)."""
    (beyond,) = report(alternating(0.3)).beyond
    assert beyond.what_to_do == (
        "Measure 2 more: report the mean of four that lie within 0.262 kg/m³, else their median (or one more: the mean "
        "of three within 0.239 kg/m³, else the median)."
    )
    assert (beyond.spread, beyond.apart) == (pytest.approx(0.3), "0.300 kg/m³ apart (limit 0.200)")
    assert (beyond.name, beyond.values) == ("S-1, density at 40 °C", (858.3, 858.0))


def test_what_to_do_after_a_change() -> None:
    (beyond,) = report(instruments(0.6)).beyond
    assert beyond.what_to_do.endswith("one that goes came with the change of equipment.")


def test_sets_beyond_stand_in_the_order_of_time_and_the_report_counts_them() -> None:
    found = report(list(reversed(alternating(0.3, 0.1, -0.3))))
    assert [one.sample for one in found.beyond] == ["S-1", "S-3"]
    assert found.reason.endswith("2 of 6 sets of repeats beyond their limit")
    assert found.pairs_needed == ((0.5, 17), (0.25, 48), (0.1, 233))
