"""Outlier tests: printed limits, published sets, false alarms, and what dropping one of three does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray
from scipy import stats

from labcalc.statistics import (
    OutlierTest,
    cochran_limit,
    cochran_test,
    extreme_deviates,
    grubbs_limit,
    grubbs_pair_limit,
    grubbs_test,
    tietjen_moore_test,
)
from labcalc.statistics.precision.outliers import ExtremeDeviates, grubbs_pair_test, mandel_h_limit, mandel_k_limit
from tests.statistics.data import columns, rows
from tests.statistics.grubbs_pairs import largest_deviate_distribution, pair_limit

LIMITS = {
    "cochran_C": lambda p, n, a: cochran_limit(p, n, a),
    "grubbs_single_two_sided": lambda p, _, a: grubbs_limit(p, a),
    "grubbs_single_one_sided": lambda p, _, a: grubbs_limit(p, 2 * a),
    "mandel_h": lambda p, _, a: mandel_h_limit(p, a),
    "mandel_k": lambda p, n, a: mandel_k_limit(n - 1, p * (n - 1), a),
}


@pytest.mark.parametrize("statistic", LIMITS)
def test_every_critical_value(statistic: str) -> None:
    """Against values computed from quantiles of F and Student's t, four decimals; p 3 to 40, n 2 to 6."""
    table = [row for row in rows("critical_values.csv") if row["statistic"] == statistic]
    p, n, share, value = np.array(
        [[float(row[key] or "nan") for key in ("p_or_n", "n", "alpha", "value")] for row in table]
    ).T
    assert len(table) >= 42
    assert LIMITS[statistic](p, n, share) == pytest.approx(value, abs=5.1e-5)


@pytest.mark.parametrize(
    ("found", "printed", "decimals"),
    [
        (cochran_limit(8, 3, [0.05, 0.01]), [0.516, 0.615], 3),
        (cochran_limit(10, 2, [0.05]), [0.602], 3),
        (grubbs_limit(8, [0.05, 0.01]), [2.126, 2.274], 3),
        (grubbs_limit(8, [0.1]), [2.032], 3),
        (mandel_h_limit(8, [0.005]), [2.15], 2),
        (mandel_k_limit(2, 16, [0.005]), [2.06], 2),
    ],
)
def test_limits_as_printed(found: NDArray[np.float64], printed: list[float], decimals: int) -> None:
    """ISO 5725-2, ASTM E691 and the NIST e-Handbook (memory): one in the last digit is allowed."""
    assert found == pytest.approx(printed, abs=1.01 * 10.0**-decimals)


def test_limits_against_scipy() -> None:
    """scipy.stats: C, G, h and k through quantiles of F and t (before scipy 1.17 good to 1e-11), where no table is."""
    p, n, a = 37, 7, 0.02
    f = stats.f.isf(a / p, n - 1, (p - 1) * (n - 1))
    assert cochran_limit(p, n, a) == pytest.approx(1.0 / (1.0 + (p - 1) / f), rel=1e-12)
    t = stats.t.isf(a / (2 * p), p - 2)
    assert grubbs_limit(p, a) == pytest.approx((p - 1) / math.sqrt(p) * math.sqrt(t**2 / (p - 2 + t**2)), rel=1e-10)
    t = stats.t.isf(a / 2, p - 2)
    assert mandel_h_limit(p, a) == pytest.approx((p - 1) * t / math.sqrt(p * (t**2 + p - 2)), rel=1e-10)
    f = stats.f.isf(a, 3, 40)
    assert mandel_k_limit(3, 43, a) == pytest.approx(math.sqrt(43 * f / (3 * f + 40)), rel=1e-12)


def test_limits_of_a_pair_as_printed() -> None:
    """Grubbs 1950 and ASTM E178 (memory), computed here by an integral: one in the last digit, where it was rounded."""
    values, share, printed = columns("grubbs_pair_printed.csv", "values", "significance_one_sided", "printed")
    found = [grubbs_pair_limit(int(n), 2 * a) for n, a in zip(values, share, strict=True)]
    assert found == pytest.approx(printed, abs=1.0e-4)
    assert np.mean(np.abs(np.array(found) - printed) <= 5.5e-5) > 0.9


@pytest.mark.parametrize("number", [4, 9, 60])
def test_a_pair_of_normal_values_is_odd_as_often_as_stated(number: int) -> None:
    """Simulated, 40 000 series: Monte Carlo error 0.11 % of 5 %, 0.05 % of 1 %."""
    drawn = np.sort(np.random.default_rng(number).standard_normal((40_000, number)), axis=1)
    ratios = [
        np.var(part, axis=1) * (number - 2) / (np.var(drawn, axis=1) * number) for part in (drawn[:, 2:], drawn[:, :-2])
    ]
    for share, error in ((0.05, 0.0011), (0.01, 0.0005)):
        beyond = [np.mean(ratio < grubbs_pair_limit(number, share)) for ratio in ratios]
        assert sum(beyond) == pytest.approx(share, abs=3.5 * error)


@pytest.mark.parametrize("number", [4, 5, 12, 61, 200])
def test_the_table_of_pairs_against_its_integral(number: int) -> None:
    for share in (0.1, 0.05, 0.025, 0.01, 0.005):
        assert grubbs_pair_limit(number, 2 * share) == pytest.approx(pair_limit(number, share), abs=1e-5)


def test_the_distribution_behind_a_pair_holds_the_single_value() -> None:
    """Where the bound of one value is exact (far tail), the integral for pairs passes through it: 1e-4 relative."""
    angle = np.linspace(0.0, np.pi / 2.0, 20_001)
    chance = largest_deviate_distribution(8, angle)
    limit = float(grubbs_limit(8, 0.02))
    sine = limit * math.sqrt(8) / 7
    assert 1.0 - np.interp(math.asin(sine), angle, chance) == pytest.approx(0.01, rel=1e-4)


def test_uranium() -> None:
    """Tietjen & Moore, e-Handbook 1.3.5.17.1 (memory): G 2.4687, beyond the one-sided 5 % limit of 2.032."""
    (values,) = columns("grubbs_massspec.csv", "value")
    found = grubbs_test(values, "highest")
    assert found.statistic == pytest.approx(2.4687, abs=1.01e-4)
    assert grubbs_limit(found.number, 0.1) == pytest.approx(2.032, abs=5e-4)
    assert (found.places, found.standing, found.test) == ((7,), "outlier", "Grubbs, highest")


def test_rosner() -> None:
    """Rosner 1983, e-Handbook 1.3.5.17.3 (memory, digits cut rather than rounded): three values odd at 5 %."""
    (values,) = columns("rosner_54.csv", "value")
    found = extreme_deviates(values, 10)
    printed = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    limits = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert found.statistics == pytest.approx(printed, abs=1.01e-3)
    assert found.limits_5_percent == pytest.approx(limits, abs=1.01e-3)
    assert (found.stragglers_and_outliers, found.outliers) == (3, 0)
    assert [values[place] for place in found.places[:3]] == [6.01, 5.42, 5.34]


VENUS = [-1.40, -0.44, -0.30, -0.24, -0.22, -0.13, -0.05, 0.06, 0.10, 0.18, 0.20, 0.39, 0.48, 0.63, 1.01]


def test_venus() -> None:
    """Tietjen & Moore 1972, Lieutenant Herndon's residuals, by e-Handbook 1.3.5.17.2 (seen; the values from memory):
    E 0.292, limit 0.317 by 10 000 sets, whose own error is some 0.003."""
    found = tietjen_moore_test(VENUS, 2)
    assert found.statistic == pytest.approx(0.292, abs=5e-4)
    assert found.limit_5_percent == pytest.approx(0.317, abs=0.004)
    assert ([VENUS[place] for place in found.places], found.standing) == ([-1.40, 1.01], "straggler")


@pytest.mark.parametrize("number", [5, 8, 30])
def test_one_value_by_tietjen_and_moore_is_grubbs(number: int) -> None:
    """E of one value is 1 − n G²/(n − 1)²: its simulated limits beside those that are exact."""
    limits = 1.0 - number * grubbs_limit(number, [0.05, 0.01]) ** 2 / (number - 1.0) ** 2
    values = np.random.default_rng(number).standard_normal(number)
    found, grubbs = tietjen_moore_test(values, 1), grubbs_test(values)
    assert (found.limit_5_percent, found.limit_1_percent) == pytest.approx(limits, abs=0.008)
    assert found.statistic == pytest.approx(1.0 - number * grubbs.statistic**2 / (number - 1.0) ** 2)
    assert found.places == grubbs.places


def test_two_values_at_both_ends_hide_each_other() -> None:
    values = [10.0, 10.1, 9.9, 10.2, 9.8, 10.0, 10.1, 11.5, 8.5, 9.9]
    assert grubbs_test(values).standing == "within"
    found = tietjen_moore_test(values, 2)
    assert (sorted(found.places), found.standing) == ([7, 8], "outlier")


@pytest.mark.parametrize(("number", "odd"), [(10, 2), (14, 3)])
def test_normal_values_fail_together_as_often_as_stated(number: int, odd: int) -> None:
    """Other 4000 sets: within 4 standard errors of 5 % and of 1 %."""
    drawn = np.random.default_rng(8).standard_normal((4000, number))
    found = [tietjen_moore_test(one, odd) for one in drawn]
    for share, beyond in ((0.05, {"straggler", "outlier"}), (0.01, {"outlier"})):
        error = math.sqrt(share * (1.0 - share) / 4000)
        assert np.mean([one.standing in beyond for one in found]) == pytest.approx(share, abs=4.0 * error)


@pytest.mark.parametrize(("values", "odd"), [(VENUS, 0), (VENUS, 8), ([1.0, 2.0, 3.0], 1), ([4.0] * 9, 2)])
def test_what_cannot_be_asked_of_several_is_refused(values: list[float], odd: int) -> None:
    with pytest.raises(ValueError, match=r"expected|needs"):
        tietjen_moore_test(values, odd)


def test_the_highest_hides_behind_its_neighbour() -> None:
    """Masking: one value more, as far out as the first, and the single test sees neither; the pair test does."""
    values = [10.0, 10.1, 9.9, 10.2, 9.8, 10.0, 11.4, 11.6]
    assert grubbs_test(values).standing == "within"
    assert grubbs_pair_test(values, "highest").standing == "outlier"
    assert grubbs_pair_test(values, "lowest").standing == "within"


@pytest.mark.parametrize("number", [3, 5, 12])
def test_normal_values_are_called_odd_as_often_as_stated(number: int) -> None:
    """Simulated, 30 000 series of Grubbs' test of the further end: error 0.13 % of 5 %, 0.06 % of 1 %."""
    drawn = np.random.default_rng(number).standard_normal((30_000, number))
    centred = np.abs(drawn - drawn.mean(axis=1, keepdims=True))
    furthest = centred.max(axis=1) / drawn.std(axis=1, ddof=1)
    for share, error in ((0.05, 0.0013), (0.01, 0.0006)):
        assert np.mean(furthest > grubbs_limit(number, share)) == pytest.approx(share, abs=4 * error)


@pytest.mark.parametrize(("cells", "results"), [(3, 2), (8, 3), (20, 2)])
def test_equal_variances_are_called_odd_as_often_as_stated(cells: int, results: int) -> None:
    """Simulated, 40 000 sets: Monte Carlo error 0.11 % of 5 %, 0.05 % of 1 %; Bonferroni's bound is safe."""
    drawn = np.random.default_rng(cells).chisquare(results - 1, (40_000, cells))
    largest = drawn.max(axis=1) / drawn.sum(axis=1)
    for share, error in ((0.05, 0.0011), (0.01, 0.0005)):
        assert np.mean(largest > cochran_limit(cells, results, share)) == pytest.approx(share, abs=4 * error)


def test_dropping_the_odd_one_of_three_deceives() -> None:
    """Simulated, 200 000 sets of three normal results; the numbers of the module's warning."""
    drawn = np.sort(np.random.default_rng(3).standard_normal((200_000, 3)), axis=1)
    gaps = np.diff(drawn, axis=1)
    near, far = gaps.min(axis=1), gaps.max(axis=1)
    assert np.mean(far > 2.0 * near) == pytest.approx(0.64, abs=0.006)
    assert np.mean(far > 10.0 * near) == pytest.approx(0.16, abs=0.006)
    pair = np.where(gaps[:, 0] < gaps[:, 1], drawn[:, :2].mean(axis=1), drawn[:, 1:].mean(axis=1))
    assert np.std(pair) / np.std(drawn.mean(axis=1)) == pytest.approx(1.38, abs=0.01)
    assert np.mean(near / math.sqrt(2.0)) == pytest.approx(1.0 / 3.0, abs=0.02)


def test_coverage_without_the_odd_one_of_three() -> None:
    """Simulated: an interval that covers 95 % with all three covers 86 % from the closest two; error 0.2 %."""
    drawn = np.sort(np.random.default_rng(4).standard_normal((40_000, 3)), axis=1)
    low = (drawn[:, 1] - drawn[:, 0] < drawn[:, 2] - drawn[:, 1])[:, None]
    pair = np.where(low, drawn[:, :2], drawn[:, 1:])
    covered = []
    for kept in (drawn, pair):
        reach = stats.t.ppf(0.975, kept.shape[1] - 1) * np.std(kept, axis=1, ddof=1) / math.sqrt(kept.shape[1])
        covered.append(np.mean(np.abs(kept.mean(axis=1)) <= reach))
    assert covered[0] == pytest.approx(0.95, abs=0.005)
    assert covered[1] == pytest.approx(0.86, abs=0.01)


@given(
    st.lists(st.floats(-50.0, 50.0), min_size=5, max_size=12, unique=True).filter(lambda v: np.std(v) > 1e-3),
    st.floats(0.01, 100.0),
    st.floats(-1000.0, 1000.0),
)
def test_shift_and_scale_leave_every_statistic_alone(values: list[float], scale: float, shift: float) -> None:
    moved = scale * np.array(values) + shift
    for one, other in (
        (grubbs_test(values, "highest"), grubbs_test(moved, "highest")),
        (grubbs_pair_test(values, "lowest"), grubbs_pair_test(moved, "lowest")),
    ):
        assert other.statistic == pytest.approx(one.statistic, rel=1e-5, abs=1e-7)
    mirrored = grubbs_pair_test(-np.array(values), "highest")
    assert mirrored.statistic == pytest.approx(grubbs_pair_test(values, "lowest").statistic, rel=1e-9, abs=1e-12)


def test_large_numbers_with_small_differences() -> None:
    """As in NIST's NumAcc sets: ten million and tenths; eight digits are left."""
    values = np.array([0.1, 0.3, 0.2, 0.4, 0.2, 0.9])
    found, moved = grubbs_test(values), grubbs_test(values + 1e7)
    assert moved.statistic == pytest.approx(found.statistic, rel=1e-7)
    assert moved.places == found.places


def test_standings() -> None:
    standings = ["within", "straggler", "straggler", "outlier"]
    assert [OutlierTest("", (0,), g, 2.1, 2.3, 8).standing for g in (2.1, 2.2, 2.3, 2.31)] == standings
    assert [OutlierTest("", (0,), g, 0.11, 0.06, 8).standing for g in (0.11, 0.1, 0.06, 0.05)] == standings


def test_refusals() -> None:
    with pytest.raises(ValueError, match="2 results: Grubbs' test needs 3 or more"):
        grubbs_test([1.0, 2.0])
    with pytest.raises(ValueError, match="3 values that are all 2: a test needs values that differ"):
        grubbs_test([2.0, 2.0, 2.0])
    with pytest.raises(ValueError, match="3 values: a test of a pair is given for 4 to 200"):
        grubbs_pair_limit(3)
    with pytest.raises(ValueError, match="none below 0 and one above 0 at least were expected"):
        cochran_test([0.0, 0.0], 2)
    with pytest.raises(ValueError, match="1 results in a cell: 2 or more were expected"):
        cochran_limit(8, 1)
    with pytest.raises(ValueError, match=r"significance 5\.0: more than 0 and less than 1 was expected"):
        mandel_h_limit(8, 5)
    with pytest.raises(ValueError, match="3 steps with 4 values"):
        extreme_deviates([1.0, 2.0, 3.0, 5.0], 3)
    with pytest.raises(ValueError, match="more than those of one laboratory were expected"):
        mandel_k_limit(2, 2)


def test_tests_say_what_they_found() -> None:
    """By hand: 1, 2, 3, 10 has mean 4 and s² 50/3; without two the sum is 0.5 or 24.5 of 50."""
    values = [3.0, 10.0, 1.0, 2.0]
    single, lowest = grubbs_test(values), grubbs_test(values, "lowest")
    assert (single.test, single.places, single.number) == ("Grubbs, highest", (1,), 4)
    assert single.statistic == pytest.approx(6.0 / math.sqrt(50.0 / 3.0))
    assert (single.limit_5_percent, single.limit_1_percent) == pytest.approx(tuple(grubbs_limit(4, [0.05, 0.01])))
    assert (lowest.test, lowest.places) == ("Grubbs, lowest", (2,))
    assert lowest.statistic == pytest.approx(3.0 / math.sqrt(50.0 / 3.0))
    assert grubbs_test([-one for one in values]).test == "Grubbs, lowest"
    high, low = grubbs_pair_test(values, "highest"), grubbs_pair_test(values, "lowest")
    assert (high.places, high.statistic, high.number) == ((1, 0), pytest.approx(0.01), 4)
    assert (low.places, low.statistic, low.test) == ((2, 3), pytest.approx(0.49), "Grubbs, two lowest")
    assert (high.limit_5_percent, high.limit_1_percent) == (grubbs_pair_limit(4), grubbs_pair_limit(4, 0.01))
    assert low.limit_5_percent == grubbs_pair_limit(4)
    scatter = cochran_test([1.0, 3.0, 2.0, 0.0], 3)
    assert (scatter.test, scatter.places, scatter.number) == ("Cochran", (1,), 4)
    assert scatter.statistic == pytest.approx(9.0 / 14.0)
    assert (scatter.limit_5_percent, scatter.limit_1_percent) == pytest.approx(tuple(cochran_limit(4, 3, [0.05, 0.01])))


def test_values_taken_away_step_by_step() -> None:
    values = [3.0, 10.0, 1.0, 2.0, 30.0]
    found = extreme_deviates(values, 2)
    assert (found.places, found.number) == ((4, 1), 5)
    assert found.statistics[1] == pytest.approx(6.0 / math.sqrt(50.0 / 3.0))
    assert found.limits_5_percent == pytest.approx(tuple(grubbs_limit([5, 4], 0.05)))
    assert found.limits_1_percent == pytest.approx(tuple(grubbs_limit([5, 4], 0.01)))
    odd = ExtremeDeviates((0, 1, 2, 3), (1.0, 3.0, 2.0, 1.0), (1.5, 2.0, 1.9, 1.0), (2.0, 2.5, 2.2, 2.0), 9)
    assert (odd.stragglers_and_outliers, odd.outliers) == (3, 2)


@pytest.mark.parametrize(
    "call",
    [
        lambda: extreme_deviates([1.0, 2.0, 3.0, 5.0, 4.0], 0),
        lambda: grubbs_pair_limit(201),
        lambda: grubbs_pair_limit(8, 0.0),
        lambda: grubbs_pair_limit(8, 1.0),
        lambda: grubbs_limit(2),
        lambda: grubbs_limit(8, 0.0),
        lambda: grubbs_limit(8, 1.0),
        lambda: cochran_limit(1, 2),
        lambda: mandel_h_limit(2),
        lambda: mandel_k_limit(0, 2),
        lambda: cochran_test([1.0, -1.0], 2),
        lambda: grubbs_limit(math.nan),
    ],
)
def test_limits_of_nothing_are_refused(call: object) -> None:
    with pytest.raises(ValueError, match=r"expected|given for 4 to 200"):
        call()  # type: ignore[operator]


def test_the_fewest_that_a_limit_takes() -> None:
    """Grubbs of three: √(…) = 1.155 at 5 % two-sided and 1.153 one-sided (printed, memory: one in the last digit)."""
    assert grubbs_limit(3) == pytest.approx(1.155, abs=1.01e-3)
    assert grubbs_limit(3, 0.1) == pytest.approx(1.153, abs=5e-4)
    assert extreme_deviates([1.0, 2.0, 3.0, 5.0], 2).limits_5_percent == pytest.approx([1.481, 1.155], abs=1.01e-3)
    assert cochran_limit(2, 2) == pytest.approx(0.998, abs=5e-4)
    assert 0.0 < grubbs_pair_limit(200) < 1.0
