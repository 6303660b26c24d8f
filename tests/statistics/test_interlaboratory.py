"""Interlaboratory studies: the examples of the standards, the order of screening, coverage of the intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from labcalc.statistics import (
    PrecisionRelation,
    cochran_limit,
    grubbs_limit,
    interlaboratory_cells,
    interlaboratory_precision,
    mandel_statistics,
    precision_relations,
    screen_cells,
)
from labcalc.statistics.precision.interlaboratory import InterlaboratoryCells
from labcalc.statistics.precision.nested_components import combination_interval
from tests.statistics.data import rows

PRECISION = {
    "A": (41.5183, 0.6061, 1.0632, 1.0632),
    "B": (79.6796, 1.0028, 1.4949, 1.5796),
    "C": (135.1429, 2.6559, 2.7483, 3.4770),
    "D": (194.7171, 2.5950, 2.6251, 3.3657),
    "E": (294.4921, 2.6931, 3.9350, 4.1923),
}
"""ASTM E691, glucose, as reported: mean, s of cell means, s_r, s_R (memory, four decimals)."""


def glucose(column: str = "value_as_reported") -> InterlaboratoryCells:
    table = rows("e691_glucose.csv")
    return interlaboratory_cells(*([row[key] for row in table] for key in ("lab", "material")), values(table, column))


def sulfur() -> InterlaboratoryCells:
    table = rows("iso5725_2_sulfur_coal.csv")
    return interlaboratory_cells(*([row[key] for row in table] for key in ("lab", "level")), values(table, "value"))


def values(table: list[dict[str, str]], column: str) -> list[float]:
    return [float(row[column]) for row in table]


def drawn_study(
    counts: Sequence[int], between: float, levels: int, seed: int
) -> tuple[NDArray[np.str_], NDArray[np.str_], NDArray[np.float64]]:
    """Return laboratories, levels and results of normal studies, one a level, with s_r = 1."""
    random = np.random.default_rng(seed)
    laboratory = np.tile(np.repeat(np.arange(len(counts)), counts), levels)
    level = np.repeat(np.arange(levels), sum(counts))
    offset = between * random.standard_normal((levels, len(counts)))
    return laboratory.astype(str), level.astype(str), offset[level, laboratory] + random.standard_normal(level.size)


def one_level(*cells: ArrayLike) -> InterlaboratoryCells:
    """Return a study of one level; laboratories are A, B, C …"""
    names = [chr(65 + place) for place, cell in enumerate(cells) for _ in np.atleast_1d(cell)]
    return interlaboratory_cells(names, ["1"] * len(names), np.concatenate([np.atleast_1d(cell) for cell in cells]))


def test_glucose_precision() -> None:
    """ASTM E691-99, glucose in serum (memory), to the printed decimals."""
    found = interlaboratory_precision(glucose())
    table = (found.mean, found.deviation_of_means, found.repeatability_deviation, found.reproducibility_deviation)
    assert found.levels == tuple(PRECISION)
    for place, printed in enumerate(zip(*PRECISION.values(), strict=True)):
        assert table[place] == pytest.approx(printed, abs=5.1e-5)
    four = [0, 1, 3, 4]
    assert 2.8 * found.repeatability_deviation[four] == pytest.approx([2.98, 4.19, 7.35, 11.02], abs=5.1e-3)
    assert 2.8 * found.reproducibility_deviation[four] == pytest.approx([2.98, 4.42, 9.42, 11.74], abs=5.1e-3)
    assert found.negative_between.tolist() == [True, False, False, False, False]
    assert found.notes[0].startswith("level A: the variance between laboratories came out negative and was set to 0")


def test_glucose_corrected() -> None:
    """One result of laboratory 4, material C, as 138.30: the corrected precision (memory; the value is inferred)."""
    found = interlaboratory_precision(glucose("value_corrected"))
    table = (found.mean, found.deviation_of_means, found.repeatability_deviation, found.reproducibility_deviation)
    assert np.array(table)[:, 2] == pytest.approx([134.7263, 1.7397, 1.5434, 2.1482], abs=5.1e-5)


def test_glucose_consistency() -> None:
    """h of material A and of three laboratories of B as NIST printed them (seen), limits 2.15 and 2.06 (memory)."""
    found = mandel_statistics(glucose())
    printed = [-0.3877, -0.1292, -0.1127, -0.1017, -0.0907, 0.8277, -1.7516, 1.7461]
    assert found.h[:, 0] == pytest.approx(printed, abs=5.1e-5)
    assert found.h[:3, 1] == pytest.approx([-1.3592, -0.4450, 0.2231], abs=5.1e-5)
    assert found.h_limits == pytest.approx([2.15] * 5, abs=5e-3)
    assert found.k_limits == pytest.approx(np.full((8, 5), 2.06), abs=5e-3)
    assert not found.beyond_h.any()
    assert np.argwhere(found.beyond_k).tolist() == [[1, 4], [3, 2]]


def test_sulfur() -> None:
    """ISO 5725-2, example 1 (memory): m, s_r and s_R to three decimals; unequal numbers of results."""
    found = interlaboratory_precision(sulfur())
    assert found.mean == pytest.approx([0.690, 1.252, 1.667, 3.250], abs=5.1e-4)
    assert found.repeatability_deviation == pytest.approx([0.015, 0.029, 0.017, 0.026], abs=5.1e-4)
    assert found.reproducibility_deviation == pytest.approx([0.026, 0.061, 0.035, 0.058], abs=5.1e-4)
    assert found.results.tolist() == [27, 26, 27, 27]
    assert found.laboratories.tolist() == [8, 8, 8, 8]


def test_sulfur_screened() -> None:
    """Cochran's C .350 .289 .580 .310 (memory), level 3 a straggler; two highest of level 2 .107 (computed): kept."""
    found = screen_cells(sulfur())
    assert found.kept.all()
    flags = {flag.level: flag for flag in found.flags}
    assert flags["3"].laboratories == ("5",)
    assert (flags["3"].test, flags["3"].standing, flags["3"].left_out) == ("Cochran", "straggler", False)
    assert flags["3"].statistic == pytest.approx(0.580, abs=5e-4)
    assert flags["2"].laboratories == ("6", "3")
    assert (flags["2"].test, flags["2"].standing) == ("Grubbs, two highest", "straggler")
    assert flags["2"].statistic == pytest.approx(0.107, abs=5e-4)
    assert len(found.flags) == 2


def test_both_standards_are_one_analysis_with_equal_numbers() -> None:
    """ASTM E691: s_R = max(s_r, √(s_x² + s_r² (n − 1)/n)), written out; and scipy's mean squares (f_oneway)."""
    laboratory, level, result = drawn_study([4] * 6, 1.0, 30, seed=1)
    found = interlaboratory_precision(interlaboratory_cells(laboratory, level, result))
    cells = result.reshape(30, 6, 4)
    s_r, s_x = np.sqrt(cells.var(axis=2, ddof=1).mean(axis=1)), cells.mean(axis=2).std(axis=1, ddof=1)
    expected = np.maximum(s_r, np.sqrt(s_x**2 + s_r**2 * 3 / 4))
    assert found.reproducibility_deviation == pytest.approx(expected, rel=1e-13)
    f = [stats.f_oneway(*one).statistic for one in cells]
    assert 4 * found.deviation_of_means**2 / found.repeatability_deviation**2 == pytest.approx(f, rel=1e-11)


def test_unequal_numbers_as_the_standard_has_them() -> None:
    """ISO 5725-2: s_r², n̿, s_d² and s_L² written out for one level with 2, 3, 1 and 4 results."""
    cells = [[10.0, 10.2], [10.5, 10.4, 10.9], [9.8], [10.1, 10.0, 10.3, 10.2]]
    n, means = np.array([2, 3, 1, 4]), np.array([np.mean(cell) for cell in cells])
    s_r2 = sum(float(np.sum((np.array(cell) - np.mean(cell)) ** 2)) for cell in cells) / 6
    weighted = np.sum(n * means) / 10
    s_d2 = np.sum(n * (means - weighted) ** 2) / 3
    s_l2 = (s_d2 - s_r2) / ((10 - 30 / 10) / 3)
    found = interlaboratory_precision(one_level(*cells))
    assert found.repeatability_deviation == pytest.approx([math.sqrt(s_r2)], rel=1e-12)
    assert found.between_laboratory_deviation == pytest.approx([math.sqrt(s_l2)], rel=1e-12)
    assert found.reproducibility_deviation == pytest.approx([math.sqrt(s_l2 + s_r2)], rel=1e-12)
    assert found.mean == pytest.approx([weighted])


@pytest.mark.parametrize("between", [0.0, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("counts", [(3,) * 8, (2,) * 5, (4, 3, 3, 3, 5, 3, 3, 3), (2, 2, 2, 2, 6, 6, 4, 3)])
def test_intervals_hold_the_truth(counts: tuple[int, ...], between: float) -> None:
    """Simulated, 1500 studies (error 0.56 %): s_r 95 %, s_R 94 to 96.5 %; Satterthwaite's falls to 92 %."""
    found = interlaboratory_precision(interlaboratory_cells(*drawn_study(counts, between, 1500, seed=len(counts))))
    low, high = found.repeatability_interval
    assert np.mean((low <= 1.0) & (high >= 1.0)) == pytest.approx(0.95, abs=0.018)
    low, high = found.reproducibility_interval
    assert np.mean((low <= math.hypot(1.0, between)) & (high >= math.hypot(1.0, between))) == pytest.approx(
        0.95, abs=0.022
    )
    assert np.mean((low <= found.reproducibility_deviation) & (high >= found.reproducibility_deviation)) > 0.998


@pytest.mark.parametrize("counts", [(3,) * 8, (2, 2, 2, 2, 6, 6, 4, 3)])
def test_why_the_usual_interval_is_not_given(counts: tuple[int, ...]) -> None:
    """Simulated, 4000 studies (error 0.4 %): Satterthwaite's interval of s_R is too short where laboratories differ."""
    found = interlaboratory_precision(interlaboratory_cells(*drawn_study(counts, 3.0, 4000, seed=21)))
    degrees, spread = found.reproducibility_degrees_of_freedom, found.reproducibility_deviation
    low, high = (spread * np.sqrt(degrees / stats.chi2.ppf(share, degrees)) for share in (0.975, 0.025))
    assert 0.90 < np.mean((low <= math.sqrt(10.0)) & (high >= math.sqrt(10.0))) < 0.942


def test_variances_are_unbiased() -> None:
    """Simulated, 3000 studies with unequal numbers: mean s_r² 1 and s_L² 0.25 (as it comes, before it is set to 0)."""
    found = interlaboratory_precision(interlaboratory_cells(*drawn_study((2, 2, 3, 4, 6, 2, 3, 5), 0.5, 3000, seed=4)))
    assert np.mean(found.repeatability_deviation**2) == pytest.approx(1.0, abs=0.02)
    assert np.mean(found.between_laboratory_deviation**2) == pytest.approx(0.25, abs=0.04)
    assert np.mean(found.negative_between) > 0.02


def test_good_studies_are_flagged_as_seldom_as_stated() -> None:
    """Simulated, 1200 levels: Cochran 5 %, Grubbs 5 % and then pairs; outliers by Cochran 1 % (error 0.3 %)."""
    found = screen_cells(interlaboratory_cells(*drawn_study((3,) * 8, 0.7, 1200, seed=6)))
    cochran = [flag for flag in found.flags if flag.test == "Cochran"]
    single = {flag.level for flag in found.flags if flag.test in ("Grubbs, highest", "Grubbs, lowest")}
    assert len({flag.level for flag in cochran}) / 1200 == pytest.approx(0.05, abs=0.025)
    assert len({flag.level for flag in cochran if flag.left_out}) / 1200 == pytest.approx(0.01, abs=0.011)
    assert len(single) / 1200 == pytest.approx(0.05, abs=0.025)
    assert np.mean(~found.kept) < 0.01


GOOD = [[10.0, 10.1], [10.1, 10.0], [10.2, 10.1], [9.9, 10.0], [10.0, 10.2], [9.9, 9.8], [10.1, 10.2], [10.0, 9.9]]


def test_cochran_comes_first_and_again() -> None:
    """A wild cell hides a second one: both go, the larger first, and Grubbs sees the means of what is left."""
    study = one_level(*GOOD, [8.0, 12.0], [9.0, 11.2])
    found = screen_cells(study)
    assert [(flag.laboratories, flag.test, flag.left_out) for flag in found.flags] == [
        (("I",), "Cochran", True),
        (("J",), "Cochran", True),
    ]
    assert found.cells.counts.ravel().tolist() == [2] * 8 + [0, 0]
    assert np.isnan(found.cells.means[-1, 0])
    assert interlaboratory_precision(found.cells).laboratories.tolist() == [8]
    assert study.counts.ravel().tolist() == [2] * 10


def test_an_outlier_stays_if_told() -> None:
    study = one_level(*GOOD, [8.0, 12.0])
    found = screen_cells(study, keep={("I", "1")})
    assert found.kept.all()
    assert [(flag.standing, flag.left_out) for flag in found.flags] == [("outlier", False)]
    assert str(found.flags[0]) == ("laboratory I, level 1: outlier by Cochran, 0.993 above 0.754 (1 %), kept")


def test_the_other_end_is_asked_without_the_outlier() -> None:
    """High and low outliers, one after the other; pairs aren't asked about then."""
    found = screen_cells(one_level(*GOOD, [15.0, 15.1], [7.0, 7.1]))
    assert [(flag.laboratories, flag.test) for flag in found.flags] == [
        (("I",), "Grubbs, highest"),
        (("J",), "Grubbs, lowest"),
    ]
    assert all(flag.left_out for flag in found.flags)


def test_a_pair_that_hides_itself_is_found() -> None:
    found = screen_cells(one_level(*GOOD, [12.0, 12.1], [12.1, 12.2]))
    assert [(flag.laboratories, flag.test, flag.left_out) for flag in found.flags] == [
        (("J", "I"), "Grubbs, two highest", True)
    ]
    assert " and " in str(found.flags[0])
    assert "below" in str(found.flags[0])
    kept = screen_cells(one_level(*GOOD, [12.0, 12.1], [12.1, 12.2]), keep=[("I", "1")])
    assert kept.kept.all()


def test_two_groups_lose_one_pair_only() -> None:
    """Four means in two groups: each pair is odd to the other, but the study isn't emptied."""
    found = screen_cells(one_level([1.0, 1.1], [1.001, 1.101], [9.0, 9.1], [9.0001, 9.1001]))
    assert len(found.flags) <= 1
    assert found.kept.sum() >= 2


def test_cells_may_be_few_or_flat() -> None:
    found = screen_cells(one_level([1.0, 1.0], [1.0, 1.0], [1.0], [1.0]))
    assert found.flags == ()
    assert screen_cells(one_level([1.0], [2.0], [90.0])).flags != ()


def test_screening_is_per_level_and_leaves_shift_and_scale_alone() -> None:
    study = sulfur()
    table = rows("iso5725_2_sulfur_coal.csv")
    moved = interlaboratory_cells(
        [row["lab"] for row in table], [row["level"] for row in table], 1000.0 * np.array(values(table, "value")) + 5.0
    )
    for one, other in zip(screen_cells(study).flags, screen_cells(moved).flags, strict=True):
        assert (one.laboratories, one.level, one.test) == (other.laboratories, other.level, other.test)
        assert other.statistic == pytest.approx(one.statistic, rel=1e-9)
    first, second = interlaboratory_precision(study), interlaboratory_precision(moved)
    assert second.reproducibility_interval == pytest.approx(1000.0 * first.reproducibility_interval, rel=1e-9)
    assert second.reproducibility_degrees_of_freedom == pytest.approx(first.reproducibility_degrees_of_freedom)


def test_order_of_the_lines_doesn_t_matter() -> None:
    table = rows("e691_glucose.csv")
    order = np.random.default_rng(1).permutation(len(table))
    mixed = [table[place] for place in order]
    found = interlaboratory_cells(
        [r["lab"] for r in mixed], [r["material"] for r in mixed], values(mixed, "value_corrected")
    )
    one, other = glucose("value_corrected"), found
    rows_, columns_ = (
        [other.laboratories.index(lab) for lab in one.laboratories],
        [other.levels.index(m) for m in one.levels],
    )
    assert other.means[np.ix_(rows_, columns_)] == pytest.approx(one.means, rel=1e-14)
    assert other.deviations[np.ix_(rows_, columns_)] == pytest.approx(one.deviations, rel=1e-9)


def test_large_numbers_with_small_differences() -> None:
    """As in NIST's NumAcc4: ten million and tenths; eight digits are left of the standard deviations."""
    laboratory, level, result = drawn_study((3,) * 6, 1.0, 4, seed=9)
    found = interlaboratory_precision(interlaboratory_cells(laboratory, level, 0.1 * result))
    moved = interlaboratory_precision(interlaboratory_cells(laboratory, level, 0.1 * result + 1e7))
    assert moved.repeatability_deviation == pytest.approx(found.repeatability_deviation, rel=1e-7)
    assert moved.reproducibility_deviation == pytest.approx(found.reproducibility_deviation, rel=1e-7)


def test_h_and_k_of_unequal_numbers() -> None:
    """h² adds up to p − 1, k² with its degrees of freedom to those of the pool, whatever the numbers of results."""
    study = sulfur()
    found = mandel_statistics(study, 0.05)
    assert np.sum(found.h**2, axis=0) == pytest.approx([7.0] * 4)
    assert np.sum((study.counts - 1) * found.k**2, axis=0) == pytest.approx(np.sum(study.counts - 1, axis=0))
    assert len(np.unique(found.k_limits[:, 0].round(6))) == 3
    assert study.usual_count.tolist() == [3, 3, 3, 3]


def test_k_is_beyond_its_limit_as_often_as_stated() -> None:
    """Simulated, 2000 levels with 2 to 6 results a cell: 1 % of each cell's k and h (error 0.1 %)."""
    study = interlaboratory_cells(*drawn_study((2, 3, 6, 2, 4), 0.0, 2000, seed=12))
    found = mandel_statistics(study, 0.01)
    assert np.mean(found.beyond_k, axis=1) == pytest.approx([0.01] * 5, abs=0.008)
    equal = mandel_statistics(interlaboratory_cells(*drawn_study((2,) * 6, 1.0, 2000, seed=13)), 0.01)
    assert np.mean(equal.beyond_h) == pytest.approx(0.01, abs=0.004)


def test_relation_to_the_level_as_printed() -> None:
    """ISO 5725-2, example of fitting (memory): s = 0.019 m; s = 0.032 + 0.0154 m; s = 0.031 m^0.77."""
    level, deviation = [3.94, 8.28, 14.18, 15.59, 20.41], [0.092, 0.179, 0.127, 0.337, 0.393]
    fits = {fit.form: fit for fit in precision_relations(level, deviation, [14] * 5)}
    assert fits["proportional"].slope == pytest.approx(0.019, abs=5e-4)
    assert (fits["linear"].intercept, fits["linear"].slope) == pytest.approx((0.032, 0.0154), abs=5e-4)
    assert fits["linear"].slope == pytest.approx(0.0154, abs=5e-5)
    assert (fits["power"].intercept, fits["power"].slope) == pytest.approx((0.031, 0.77), abs=5e-3)
    assert fits["power"].intercept == pytest.approx(0.031, abs=5e-4)
    assert fits["linear"].deviation_at([3.94, 20.41]) == pytest.approx([0.0927, 0.3458], abs=1e-3)


@pytest.mark.parametrize(
    ("form", "intercept", "slope"),
    [("constant", 0.3, 0.0), ("proportional", 0.0, 0.02), ("linear", 0.5, 0.02), ("power", 0.05, 0.6)],
)
def test_the_form_behind_the_results_is_found(form: str, intercept: float, slope: float) -> None:
    """Simulated, 200 studies of 8 levels from 1 to 1000 with 60 degrees of freedom: right in most, never far off."""
    level = np.geomspace(1.0, 1000.0, 8)
    truth = intercept * level**slope if form == "power" else intercept + slope * level
    drawn = truth * np.sqrt(np.random.default_rng(5).chisquare(60, (200, 8)) / 60)
    found = [precision_relations(level, one, [60] * 8)[0] for one in drawn]
    assert np.mean([one.form == form for one in found]) > 0.7
    right = [of_form(form, precision_relations(level, one, [60] * 8)) for one in drawn]
    assert np.mean([one.deviation_at(level) for one in right], axis=0) == pytest.approx(truth, rel=0.02)
    assert np.mean([one.p_value < 0.05 for one in right]) == pytest.approx(0.06, abs=0.06)


def of_form(form: str, relations: tuple[PrecisionRelation, ...]) -> PrecisionRelation:
    (found,) = (one for one in relations if one.form == form)
    return found


def test_a_relation_on_the_curve_is_exact() -> None:
    level = np.array([2.0, 5.0, 20.0, 90.0])
    line = of_form("linear", precision_relations(level, 0.1 + 0.03 * level, [10] * 4))
    assert (line.intercept, line.slope) == pytest.approx((0.1, 0.03), rel=1e-9)
    power = of_form("power", precision_relations(level, 0.1 * level**0.6, [10] * 4))
    assert (power.intercept, power.slope) == pytest.approx((0.1, 0.6), rel=1e-12)
    assert power.deviance == pytest.approx(0.0, abs=1e-20)
    assert precision_relations(level, 0.1 * level**0.6, [10] * 4)[0].form == "power"


def test_a_line_below_zero_is_set_aside() -> None:
    fits = precision_relations([1.0, 2.0, 100.0, 101.0], [0.5, 0.001, 5.0, 15.0], [5] * 4)
    assert all(math.isfinite(fit.deviance) for fit in fits[:-1])
    line = next(fit for fit in fits if fit.form == "linear")
    assert math.isinf(line.deviance) == math.isnan(line.slope)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="2 laboratories, 1 levels and results of shape"):
        interlaboratory_cells(["A", "B"], ["1"], [1.0, 2.0])
    with pytest.raises(ValueError, match="result 2, laboratory B, level 1, is nan: a number was expected"):
        interlaboratory_cells(["A", "B"], ["1", "1"], [1.0, math.nan])
    with pytest.raises(ValueError, match="level 1: 3 laboratories and 0 repeats"):
        interlaboratory_precision(one_level([1.0], [2.0], [3.0]))
    with pytest.raises(ValueError, match="level 1: 1 laboratories and 1 repeats"):
        interlaboratory_precision(one_level([1.0, 2.0]))
    with pytest.raises(ValueError, match="keep holds laboratory 'Z', level '1', which the study doesn't have"):
        screen_cells(one_level(*GOOD), keep=[("Z", "1")])
    with pytest.raises(ValueError, match=r"deviation \[0.1, 0.0, 0.2\]: 3 values above 0 were expected"):
        precision_relations([1.0, 2.0, 3.0], [0.1, 0.0, 0.2], [5, 5, 5])


# --- By hand, field by field ---


def test_cells_by_hand() -> None:
    """Means and deviations of cells in the order in which they come; a cell of one has no deviation, none no mean."""
    found = interlaboratory_cells(
        ["B", "A", "B", "A", "B", "A"], ["2", "2", "2", "1", "2", "2"], [1.0, 5.0, 2.0, 9.0, 6.0, 8.0]
    )
    assert (found.laboratories, found.levels) == (("B", "A"), ("2", "1"))
    assert found.counts.tolist() == [[3, 0], [2, 1]]
    assert found.means[0, 0] == pytest.approx(3.0)
    assert found.deviations[:, 0] == pytest.approx([math.sqrt(7.0), math.sqrt(4.5)])
    assert np.isnan(found.means[0, 1])
    assert np.isnan(found.deviations[:, 1]).all()
    assert found.usual_count.tolist() == [3, 3], "of two equally frequent numbers the larger"
    assert one_level([1.0], [2.0]).usual_count.tolist() == [1]
    left = found.only(np.array([[True, True], [False, True]]))
    assert left.counts.tolist() == [[3, 0], [0, 1]]
    assert np.isnan([left.means[1, 0], left.deviations[1, 0]]).all()
    for call in (lambda: interlaboratory_cells([], [], []), lambda: interlaboratory_cells(["A"], ["1"], [[1.0]])):
        with pytest.raises(ValueError, match="three lists of one length were expected"):
            call()


def test_h_and_k_by_hand() -> None:
    """Means 10, 12, 14: h -1, 0, 1; variances 2, 8 and none: k of √(2/5), √(8/5); two laboratories have no h limit."""
    found = mandel_statistics(one_level([9.0, 11.0], [10.0, 14.0], [14.0]), 0.01)
    assert found.h[:, 0] == pytest.approx([-1.0, 0.0, 1.0])
    assert found.k[:2, 0] == pytest.approx([math.sqrt(0.4), math.sqrt(1.6)])
    assert np.isnan([found.k[2, 0], found.k_limits[2, 0]]).all()
    t, f = stats.t.isf(0.005, 1), stats.f.isf(0.01, 1, 1)
    assert found.h_limits == pytest.approx([2.0 * t / math.sqrt(3.0 * (t**2 + 1.0))])
    assert found.k_limits[:2, 0] == pytest.approx([math.sqrt(2.0 * f / (f + 1.0))] * 2)
    assert (found.laboratories, found.levels, found.significance) == (("A", "B", "C"), ("1",), 0.01)
    assert np.isnan(mandel_statistics(one_level([9.0, 11.0], [10.0, 14.0])).h_limits).all()
    alone = mandel_statistics(one_level([9.0, 11.0], [10.0], [11.0]))
    assert np.isnan(alone.k_limits).all(), "the only cell with repeats is compared with nothing"


def test_precision_of_a_level_by_hand() -> None:
    """ISO 5725-2 for means 10, 12, 14 of two each, s_r² 2: s_L² = 4 - 1, s_R² = 5; intervals by scipy's chi-square."""
    found = interlaboratory_precision(one_level([9.0, 11.0], [11.0, 13.0], [13.0, 15.0]))
    assert (found.levels, found.mean) == (("1",), [12.0])
    assert (found.laboratories.tolist(), found.results.tolist()) == ([3], [6])
    assert found.deviation_of_means == pytest.approx([2.0])
    assert found.repeatability_deviation == pytest.approx([math.sqrt(2.0)])
    assert found.between_laboratory_deviation == pytest.approx([math.sqrt(3.0)])
    assert found.reproducibility_deviation == pytest.approx([math.sqrt(5.0)])
    assert found.repeatability_degrees_of_freedom.tolist() == [3.0]
    # s_R² = 4 + 2/2 of 2 and 3 degrees of freedom (Satterthwaite)
    assert found.reproducibility_degrees_of_freedom == pytest.approx([25.0 / (16.0 / 2.0 + 1.0 / 3.0)])
    assert found.repeatability_interval[:, 0] == pytest.approx(
        [math.sqrt(6.0 / stats.chi2.ppf(p, 3)) for p in (0.975, 0.025)]
    )
    low, high = combination_interval([1.0, 1.0], [4.0, 1.0], [2.0, 3.0])
    assert found.reproducibility_interval[:, 0] == pytest.approx([math.sqrt(low), math.sqrt(high)])
    assert (found.notes, found.negative_between.tolist()) == ((), [False])


def test_notes_name_the_levels() -> None:
    names, results = ["A", "A", "B", "B"] * 2, [1.0, 3.0, 1.0, 3.0] * 2
    both = interlaboratory_precision(interlaboratory_cells(names, ["x"] * 4 + ["y"] * 4, results))
    assert both.notes[0].startswith("levels x, y: the variance between laboratories")
    assert both.negative_between.tolist() == [True, True]
    assert both.between_laboratory_deviation.tolist() == [0.0, 0.0]


def test_a_relation_says_how_well_it_fits() -> None:
    """Deviance Σ ν (q - 1 - ln q), q = s²/σ² (gamma), by hand for a constant 2 of 1, 2, 3; scipy's chi-square."""
    level, deviation, degrees = [1.0, 2.0, 4.0], [1.0, 2.0, 3.0], [5.0, 6.0, 7.0]
    fits = {fit.form: fit for fit in precision_relations(level, deviation, degrees)}
    q = np.array([0.25, 1.0, 2.25])
    deviance = np.sum(np.array(degrees) * (q - 1.0 - np.log(q)))
    constant = fits["constant"]
    assert (constant.intercept, constant.slope) == (2.0, 0.0)
    assert (constant.deviance, constant.degrees_of_freedom) == (pytest.approx(deviance), 2)
    assert constant.p_value == pytest.approx(stats.chi2.sf(deviance, 2))
    assert (fits["proportional"].intercept, fits["proportional"].slope) == (
        0.0,
        pytest.approx((1.0 + 1.0 + 0.75) / 3.0),
    )
    parameters = {"constant": 1, "proportional": 1, "linear": 2, "power": 2}
    assert {form: len(level) - fit.degrees_of_freedom for form, fit in fits.items()} == parameters
    assert [fit.degrees_of_freedom for fit in (fits["linear"], fits["power"])] == [1, 1]
    assert [fit.penalised_deviance - fit.deviance for fit in fits.values()] == pytest.approx(
        [2.0 * parameters[form] for form in fits]
    )
    ordered = [fit.penalised_deviance for fit in precision_relations(level, deviation, degrees)]
    assert ordered == sorted(ordered)
    slope, intercept = np.polyfit(np.log(level), np.log(deviation), 1)
    assert (fits["power"].intercept, fits["power"].slope) == pytest.approx((math.exp(intercept), slope))
    with pytest.raises(ValueError, match="3 values above 0 were expected"):
        precision_relations(level, deviation, [5.0, 6.0, 7.0, 8.0])


def test_a_line_that_falls_below_zero_has_no_deviance() -> None:
    fits = {fit.form: fit for fit in precision_relations([1.0, 2.0, 3.0, 100.0], [0.5, 0.001, 5.0, 15.0], [5] * 4)}
    line = fits["linear"]
    assert (line.deviance, line.p_value, line.degrees_of_freedom) == (math.inf, 0.0, 2)


def test_limits_of_a_flag_are_those_of_its_test() -> None:
    """The 5 % and 1 % limits by Cochran and Grubbs; a straggler is told with 5 %, an outlier with 1 %."""
    (straggler,) = screen_cells(one_level(*GOOD, [9.7, 10.2])).flags
    assert (straggler.standing, straggler.left_out, straggler.level) == ("straggler", False, "1")
    assert (straggler.limit_5_percent, straggler.limit_1_percent) == pytest.approx(
        tuple(cochran_limit(9, 2, [0.05, 0.01]))
    )
    assert str(straggler).endswith("(5 %), kept")
    out = screen_cells(one_level(*GOOD, [9.0, 9.1])).flags[0]
    assert (out.test, out.limit_1_percent) == ("Grubbs, lowest", pytest.approx(float(grubbs_limit(9, 0.01))))
    assert str(out).endswith("(1 %), left out")
    for keep in ([("A", "9")], [("Z", "1")]):
        with pytest.raises(ValueError, match="which the study doesn't have"):
            screen_cells(one_level(*GOOD), keep=keep)
