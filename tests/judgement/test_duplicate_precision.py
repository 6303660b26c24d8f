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

from labcalc.judgement import NOT_ENOUGH, DuplicateReport
from labcalc.judgement.duplicates.pairing import CONDITIONS
from labcalc.judgement.duplicates.precision import DuplicateSummary
from labcalc.lab import Precision, PrecisionFunction
from tests.judgement.test_duplicates import LABORATORY, pairs, report, result

DETERMINABILITY, REPEATABILITY, INTERMEDIATE = CONDITIONS

FACTOR = stats.norm.ppf(0.975) * math.sqrt(2.0)
"""From the standard deviation of single results to the limit of the difference of two: 2.772."""

Rows = Sequence[dict[str, Any]]


def summary(found: DuplicateReport, quantity: str = "density", condition: str = REPEATABILITY) -> DuplicateSummary:
    (one,) = (s for s in found.summaries if (s.quantity, s.condition) == (quantity, condition))
    return one


def alternating(*differences: float, level: float = 858.0) -> list[dict[str, Any]]:
    """Pairs of densities, first less second as given, about levels so little apart that nothing looks rounded."""
    return pairs([(level + 1e-5 * n + d, level + 1e-5 * n) for n, d in enumerate(differences)])


# --- Scatter ---


def test_pairs_by_hand() -> None:
    """s² = Σd²/2n = (0.01 + 0.04 + 0.01 + 0.04) / 8; the interval by chi-square with 4 degrees of freedom."""
    one = summary(report(alternating(0.1, -0.2, -0.1, 0.2))).precision
    assert (one.deviation, one.degrees_of_freedom, one.number) == (pytest.approx(math.sqrt(0.0125)), 4, 4)
    ends = [math.sqrt(4.0 * 0.0125 / stats.chi2.ppf(p, 4)) for p in (0.975, 0.025)]
    assert one.interval == pytest.approx(ends)
    assert one.limit == pytest.approx(FACTOR * math.sqrt(0.0125))


def test_an_order_stays_in_the_scatter() -> None:
    """d = -0.2, -0.3, -0.2, -0.3: s² = Σd²/2n = 0.26 / 8. All four are beyond r = 0.2, as one of 160 000 by chance."""
    one = summary(report(alternating(-0.2001, -0.3, -0.2001, -0.3)))
    assert one.precision.deviation == pytest.approx(math.sqrt(0.26 / 8.0), rel=1e-3)
    assert (one.verdict, one.p_worse) == ("worse than published", pytest.approx(stats.binom.sf(3, 4, 0.05), abs=6e-4))


def test_pairs_and_sets_of_three_are_pooled() -> None:
    """(0.1² / 2 + variance of 0, 0.1, 0.2 times 2) / 3 = (0.005 + 0.02) / 3."""
    rows = alternating(0.1)
    rows += [result("S-9", f"05 0{8 + n}:00", density_kg_m3=858.0 + 0.1 * n) for n in range(3)]
    one = summary(report(rows))
    assert one.precision.degrees_of_freedom == 3
    assert one.precision.deviation == pytest.approx(math.sqrt(0.025 / 3.0))


# --- Against the limit ---


def test_the_limit_of_several_levels_is_the_root_of_the_mean_square() -> None:
    """Own r = 0.001 (ρ - 800): 0.058 at 858 and 0.032 at 832."""
    own = Precision("formulated oils", "density", math.nan, PrecisionFunction(1e-3, -800.0), "Own study")
    laboratory = replace(LABORATORY, precision=(own,))
    rows = [*pairs([(858.0, 858.0001)]), *[row | {"sample": "S-2", "run": "2"} for row in pairs([(832.0, 832.0)])]]
    one = summary(report(rows, laboratory))
    assert one.limit_in_force == pytest.approx(math.sqrt((0.058**2 + 0.032**2) / 2.0), rel=1e-5)
    rows += [row | {"sample": "S-3", "run": "3"} for row in pairs([(790.0, 790.0)])]
    assert summary(report(rows, laboratory)).limit_in_force == pytest.approx(one.limit_in_force), "790 has no limit"


def test_few_beyond_are_told_and_never_called_as_published() -> None:
    """|d| = 0.1, 0.1, 0.2, 0.3 against 0.2: by scipy, one of four beyond is a chance of 18.5 %."""
    found = report(alternating(0.1, -0.1, 0.2, -0.3))
    one = summary(found)
    assert (one.beyond, one.expected_beyond) == (("S-4",), pytest.approx(0.2))
    assert one.precision.deviation == pytest.approx(math.sqrt(0.15 / 8.0))
    assert one.p_worse == pytest.approx(stats.binom.sf(0, 4, 0.05))
    assert (one.verdict, one.is_worse) == ("1 of 4 beyond r", False)
    assert one.compared == "2.77 s 0.38 kg/m³ against r 0.20 kg/m³"
    assert [(each.sample, each.limit) for each in found.beyond] == [("S-4", pytest.approx(0.2))]
    better = summary(report(alternating(*[0.01, -0.01] * 20, 0.21)))
    assert better.verdict == "better than published, 1 of 41 beyond r"


@pytest.mark.parametrize(("number", "size", "verdict"), [(3, 0.3, "3 of 3 beyond r"), (4, 0.3, "worse than published")])
def test_of_three_sets_nothing_is_said_of_the_method(number: int, size: float, verdict: str) -> None:
    assert summary(report(alternating(*[size, -size, size, size][:number]))).verdict == verdict


@pytest.mark.parametrize(("number", "verdict"), [(7, NOT_ENOUGH), (9, "as published")])
def test_as_published_wants_an_interval_that_ends_below_twice_the_limit(number: int, verdict: str) -> None:
    """s just as published: √(n / χ²(0.025, n)) is 2.04 for 7 pairs, 1.83 for 9, by scipy."""
    d = math.sqrt(2.0) * 0.2 / FACTOR
    one = summary(report(alternating(*[d * (-1) ** n for n in range(number)])))
    assert one.comparison is not None
    assert one.comparison.ratio_interval[1] == pytest.approx(math.sqrt(number / stats.chi2.ppf(0.025, number)))
    assert one.verdict == verdict


def test_heavy_tails_are_told_with_the_middle_of_the_pairs() -> None:
    """Algorithm A of ISO 13528 on ±d, 20 pairs of ±0.05 with one of 5: s* from the 20, pulled in at 1.5 s*."""
    quiet, loud = [0.05, -0.05] * 10, [0.05, -0.05] * 10 + [5.0]
    assert math.isnan(summary(report(alternating(*quiet))).robust_limit)
    assert summary(report(alternating(*loud))).robust_limit == pytest.approx(0.05 * 1.96 * 1.134, rel=0.1)
    assert math.isnan(summary(report(alternating(*loud[-11:]))).robust_limit), "eleven pairs tell nothing of tails"


def test_p_values_are_adjusted_for_being_read_together() -> None:
    """Holm (1979): of two, the smaller times 2, the larger times 1 and no smaller than that; by scipy."""
    good, bad = alternating(0.1, -0.1, 0.1, -0.1), alternating(0.25, -0.25, 0.25, -0.25)
    rows = [*good, *[row | {"temperature_C": 100.0, "kinematic_viscosity_mm2_s": np.nan} for row in bad]]
    rows = [row | {"kinematic_viscosity_mm2_s": np.nan} for row in rows]
    found = {one.temperature_C: one for one in report(rows).summaries}
    single = {
        temperature: max(stats.chi2.sf(4 * (d**2 / 2.0) * (FACTOR / 0.2) ** 2, 4), stats.binom.sf(beyond - 1, 4, 0.05))
        for temperature, d, beyond in ((40.0, 0.1, 0), (100.0, 0.25, 4))
    }
    assert found[100.0].worse_p == pytest.approx(2.0 * single[100.0])
    assert found[40.0].worse_p == pytest.approx(1.0)
    assert (found[40.0].is_worse, found[100.0].is_worse) == (False, True)
    assert found[40.0].verdict == NOT_ENOUGH
    assert found[100.0].verdict == "worse than published"


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
    """A minus B = 0.1 to 0.3, whichever came first; t by scipy; the scatter Σd²/2n holds it all."""
    d = [0.1, 0.3, 0.2, 0.3, 0.2]
    found = report(instruments(*d))
    one = summary(found, condition=INTERMEDIATE)
    assert (one.changed, one.letter, one.limit_in_force) == (("equipment",), "R", pytest.approx(0.5))
    assert one.precision.deviation == pytest.approx(math.sqrt(0.27 / 10.0))
    (bias,) = found.biased
    reach = stats.t.ppf(0.975, 4) * np.std(d, ddof=1) / math.sqrt(5)
    assert bias.finding == f"A minus B +0.22 kg/m³ (+{0.22 - reach:.2f} to +{0.22 + reach:.2f}) from 5 pairs"
    assert bias.what_to_do.startswith("Compare both instruments' reference oils")


def test_beyond_R_where_the_scatter_is_larger() -> None:
    found = report(instruments(1.0, 1.2, -0.9, 1.1, turned=False))
    assert summary(found, condition=INTERMEDIATE).verdict == "beyond R"
    assert found.rank == 2


def test_who_is_compared_with_whom() -> None:
    assert report(instruments(0.1, 0.11, 0.1, 0.11)).biased == (), "five pairs are needed"
    people = [row | {"instrument": "A", "operator": row["instrument"]} for row in instruments(*[0.1, 0.11] * 4)]
    assert report(people).biased == (), "operators alone are compared by their scatter"


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


# --- What differs on the whole ---


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


# --- What to measure next ---


def test_what_to_do_with_two_that_do_not_agree() -> None:
    """Two more: four within 1.311 r (ISO 5725-6, table 1)."""
    (beyond,) = report(alternating(0.3)).beyond
    assert beyond.what_to_do == ("Measure 2 more: report the mean of four within 0.262 kg/m³, else their median.")
    assert (beyond.spread, beyond.apart) == (pytest.approx(0.3), "0.300 kg/m³ apart (limit 0.200)")
    assert (beyond.name, beyond.values) == ("S-1, density at 40 °C", (858.3, 858.0))


def test_what_to_do_after_a_change() -> None:
    (beyond,) = report(instruments(0.6)).beyond
    assert beyond.what_to_do.endswith("one that goes came with the change of equipment.")


def test_sets_beyond_stand_in_the_order_of_time_and_the_report_counts_them() -> None:
    found = report(list(reversed(alternating(0.3, 0.1, -0.3))))
    assert [one.sample for one in found.beyond] == ["S-1", "S-3"]
    assert found.reason == "measure S-1, S-3 again; 2 of 6 sets of repeats beyond their limit"
