"""Carry-over: constructed series of known share, the definition by hand, and intervals by simulation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import ArrayLike, NDArray

from labcalc.statistics import (
    CarriedShare,
    high_low_carry_over,
    high_low_steps,
    shares_over_time,
    within_materials,
)
from labcalc.statistics.precision.carry_over import HIGH_LOW_ORDER

LEVELS = {"L": 10.0, "H": 100.0}

NOISY = (
    *(10.041, 9.949, 10.008, 99.629, 99.990, 10.356, 99.601, 99.994, 10.343, 10.068, 10.005),
    *(9.993, 99.634, 99.985, 10.339, 99.634, 100.008, 10.355, 99.661, 99.995, 10.360),
)
"""The high-low order with k = 0.004 and noise of 0.02, made once: HL - LL 0.346 and 3 SD(LL) 0.128 by hand."""


def series(k: float, order: str = HIGH_LOW_ORDER, levels: dict[str, float] | None = None) -> NDArray[np.float64]:
    """The definition itself, step by step: a cell holds k of what it held before."""
    known = levels or LEVELS
    held, found = known[order[0]], []
    for step in order:
        held = (1.0 - k) * known[step] + k * held
        found.append(held)
    return np.array(found)


@dataclass(frozen=True)
class Regression:
    share: CarriedShare
    levels: dict[str, float]
    deviation: float


def regress_on_previous(
    results: ArrayLike,
    previous: ArrayLike,
    materials: Sequence[str],
    weights: ArrayLike | None = None,
) -> Regression:
    """One instrument's results on those before them, by the rows and sums that a month's report takes.

    A level for each material: the fitted line meets y = x there, (mean y - k mean x) / (1 - k).
    """
    y, x, names = np.asarray(results, dtype=float), np.asarray(previous, dtype=float), np.asarray(materials)
    w = np.ones(y.size) if weights is None else np.asarray(weights)
    columns = np.column_stack([x, y])
    rows = within_materials(columns, names, weights=w)
    means = {str(name): np.average(columns[names == name], axis=0, weights=w[names == name]) for name in set(names)}
    apart = np.abs(x - np.array([means[name][1] for name in names]))
    sums = shares_over_time(rows[:, :1], rows[:, 1], (apart > np.max(apart) / 2.0)[:, np.newaxis])
    (share,) = sums.of_stretches([0], [y.size])[0]
    k = share.value
    levels = {name: float((mean[1] - k * mean[0]) / (1.0 - k)) for name, mean in means.items()}
    rest = float(np.nansum((rows[:, 1] - k * rows[:, 0]) ** 2))
    return Regression(share, levels, math.sqrt(rest / share.degrees_of_freedom) if share.known else math.nan)


def test_the_constructed_series_gives_its_share_and_both_levels() -> None:
    y = series(0.004)
    found = regress_on_previous(y[1:], y[:-1], list(HIGH_LOW_ORDER[1:]))
    assert found.share.value == pytest.approx(0.004, abs=1e-13)
    assert found.levels["L"] == pytest.approx(10.0, abs=1e-12)
    assert found.levels["H"] == pytest.approx(100.0, abs=1e-11)
    assert found.share.degrees_of_freedom == 20 - 2 - 1
    assert found.share.shows


def test_a_residue_mixes_in_the_logarithm_of_viscosity() -> None:
    y = series(0.005, levels={"L": math.log(10.0), "H": math.log(1000.0)})
    assert math.exp(y[5]) == pytest.approx(10.0 * 100.0**0.005, rel=1e-4), "thin after thick: +2.3 %"
    found = regress_on_previous(y[1:], y[:-1], list(HIGH_LOW_ORDER[1:]))
    assert found.share.value == pytest.approx(0.005, abs=1e-13)


def test_a_level_for_each_material_is_least_squares() -> None:
    """Against ``numpy.linalg.lstsq`` with a column for each material, weights included."""
    generator = np.random.default_rng(2)
    materials = generator.choice(["a", "b", "c", "d"], 60)
    previous, weights = generator.normal(3.0, 1.5, 60), generator.uniform(0.2, 3.0, 60)
    y = np.char.encode(materials).view("S1").astype("S1").view(np.uint8) * 0.1 + 0.03 * previous
    y = y + generator.normal(0.0, 0.02, 60)
    columns = np.column_stack([previous, *((materials == name).astype(float) for name in "abcd")])
    root = np.sqrt(weights)
    solution, (rest,), *_ = np.linalg.lstsq(columns * root[:, None], y * root, rcond=None)
    covariance = np.linalg.inv((columns * weights[:, None]).T @ columns) * rest / (60 - 5)
    found = regress_on_previous(y, previous, materials, weights=weights)
    assert found.share.value == pytest.approx(solution[0], rel=1e-9)
    assert found.share.standard_uncertainty == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    assert found.deviation == pytest.approx(math.sqrt(rest / 55), rel=1e-9)
    for name, level in zip("abcd", solution[1:], strict=True):
        assert found.levels[name] == pytest.approx(level / (1.0 - solution[0]), rel=1e-9)


@pytest.mark.parametrize("k", [0.0, 0.004])
def test_the_interval_covers_nineteen_cases_of_twenty(k: float) -> None:
    generator, clean = np.random.default_rng(11), series(k)
    materials, inside = list(HIGH_LOW_ORDER[1:]), 0
    for noise in generator.normal(0.0, 0.05, (1500, 21)):
        y = clean + noise
        low, high = regress_on_previous(y[1:], y[:-1], materials).share.interval
        inside += low <= k <= high
    assert inside / 1500 == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 1500))


def test_an_order_that_tells_nothing_says_what_is_needed() -> None:
    steady = regress_on_previous([15.0] * 5 + [118.0] * 5, [15.0] * 5 + [15.0] * 5, ["thin"] * 5 + ["thick"] * 5)
    assert steady.share.why_not == "4 results after a sample of another level; 6 are needed"
    assert math.isnan(steady.share.value)
    assert math.isnan(steady.levels["thin"])
    after_one = regress_on_previous(np.arange(8.0), [200.0] * 8, ["thin"] * 8)
    assert after_one.share.why_not == "every material ran after one and the same sample: nothing to compare it with"
    rows = within_materials(np.arange(16.0).reshape(8, 2) ** 2, list("abcdaaaa")[:8])
    assert sum(np.isfinite(rows[:, 0])) == 4
    few = shares_over_time(rows[:4, :1], rows[:4, 1], np.ones((4, 1), dtype=bool)).of_stretches([0], [4])[0][0]
    assert few.why_not == "0 results after a sample of another level; 6 are needed"


def test_the_number_needed_falls_with_the_square_of_the_width() -> None:
    y = np.array(NOISY)
    share = regress_on_previous(y[1:], y[:-1], list(HIGH_LOW_ORDER[1:])).share
    half = (share.interval[1] - share.interval[0]) / 2.0
    assert share.changes == 9
    assert share.changes_needed(half) == 9
    assert share.changes_needed(half / 2.0) == 36


def test_rows_look_back_only_and_a_stretch_is_a_regression_of_its_own() -> None:
    generator = np.random.default_rng(5)
    materials = np.array(["a", "b"] * 20)
    columns = generator.normal(size=(40, 3))
    rows = within_materials(columns, materials)
    np.testing.assert_allclose(rows[:25], within_materials(columns[:25], materials[:25]), rtol=1e-12)
    sums = shares_over_time(rows[:, :2], rows[:, 2], np.ones((40, 2), dtype=bool))
    centred = columns[:25] - np.array([columns[:25][materials[:25] == name].mean(axis=0) for name in materials[:25]])
    solution, (rest,), *_ = np.linalg.lstsq(centred[:, :2], centred[:, 2], rcond=None)
    found = sums.of_stretches([0], [25])[0]
    assert [one.value for one in found] == pytest.approx(solution.tolist(), rel=1e-9)
    assert sums.slopes()[25] == pytest.approx(solution, rel=1e-9)
    inverse = np.linalg.inv(centred[:, :2].T @ centred[:, :2])
    assert found[1].standard_uncertainty == pytest.approx(math.sqrt(inverse[1, 1] * rest / (25 - 2 - 2)), rel=1e-9)


def test_a_row_of_weight_nothing_is_not_there() -> None:
    columns, materials = np.array([[1.0], [math.nan], [2.0], [4.0]]), ["a"] * 4
    left_out = within_materials(columns, materials, weights=[1.0, 0.0, 1.0, 1.0])
    assert np.isnan(left_out[1, 0])
    assert left_out[[2, 3], 0] == pytest.approx(within_materials(columns[[0, 2, 3]], ["a"] * 3)[1:, 0])


def test_the_high_low_design_by_hand() -> None:
    """Means of the five lows after low, lows after high and highs after high; the published limit of 3 SD(LL)."""
    found = high_low_carry_over(NOISY)
    low_low, high_low = NOISY[1:3] + NOISY[9:12], [NOISY[i] for i in (5, 8, 14, 17, 20)]
    assert found.low_after_low == pytest.approx(sum(low_low) / 5.0)
    assert found.low_after_high == pytest.approx(sum(high_low) / 5.0)
    assert found.difference == pytest.approx(0.346, abs=5e-4)
    assert found.limit == pytest.approx(0.128, abs=5e-4)
    assert not found.passes
    assert found.share == pytest.approx(0.003846, abs=1.5e-6), "before the series was rounded to three decimals"
    assert high_low_carry_over(series(0.004)).share == pytest.approx(0.0039968, abs=5e-8)
    assert high_low_carry_over([*NOISY[:5], 10.01, *NOISY[6:]]).passes is False


def test_the_limit_of_the_design_is_inflated_by_what_it_looks_for() -> None:
    """Without any noise the lows after a low still scatter: the residue dies away over them."""
    found = high_low_carry_over(series(0.2))
    assert found.deviation > 1.0
    assert found.share < 0.2


def test_the_run_order_gives_five_of_each() -> None:
    steps = high_low_steps("oil 1000", "oil 10")
    used = [one.counts_as for one in steps]
    assert len(steps) == 21
    for use in ("thin after thin, the level to compare with", "thin after thick", "thick after thick, the other level"):
        assert used.count(use) == 5
    assert [one.sample for one in steps] == [{"L": "oil 10", "H": "oil 1000"}[step] for step in HIGH_LOW_ORDER]


@pytest.mark.parametrize(
    ("results", "order", "message"),
    [
        ([1.0] * 4, "LLLH", "0 results of L after H: 1 or more were expected"),
        ([1.0] * 3, "LLX", "step 'X' in the order: 'H' or 'L' was expected"),
        ([1.0] * 2, "LLH", "2 results for 3 steps: a result for each was expected"),
        ([1.0] * 8, "LLLHHLHH", "high and low both give 1: two levels were expected"),
    ],
)
def test_a_design_that_is_none_is_refused(results: list[float], order: str, message: str) -> None:
    with pytest.raises(ValueError, match=f"^{message}$"):
        high_low_carry_over(results, order=order)


def test_a_stretch_in_the_middle_against_statsmodels() -> None:
    """statsmodels OLS through the origin on the stretch's own rows, at 95 %."""
    generator = np.random.default_rng(6)
    contrasts = generator.normal(size=(50, 2))
    results = contrasts @ [0.3, -0.1] + generator.normal(0.0, 0.2, 50)
    contrasts[21] = np.nan
    sums = shares_over_time(contrasts, results, np.arange(100).reshape(50, 2) % 3 == 0)
    rows = [row for row in range(12, 40) if row != 21]
    fit = sm.OLS(results[rows], contrasts[rows]).fit()
    found = sums.of_stretches([12], [40])[0]
    for place, one in enumerate(found):
        assert one.known
        assert (one.value, one.standard_uncertainty) == pytest.approx((fit.params[place], fit.bse[place]))
        assert one.degrees_of_freedom == fit.df_resid == 25
        assert one.interval == pytest.approx(tuple(fit.conf_int(0.05)[place]))
        assert one.p_value == pytest.approx(fit.pvalues[place], rel=1e-6)
        assert one.half_width == pytest.approx((one.interval[1] - one.interval[0]) / 2.0)
        assert one.changes == sum((2 * row + place) % 3 == 0 for row in rows)
    assert [one.shows for one in found] == [True, False]


def test_what_is_not_known_needs_no_number() -> None:
    sums = shares_over_time(np.ones((6, 1)), np.arange(6.0), np.ones((6, 1), dtype=bool))
    (five,), (six,) = sums.of_stretches([1], [6])[0], sums.of_stretches([0], [6])[0]
    assert (five.known, six.known) == (False, True)
    assert (five.degrees_of_freedom, five.changes) == (4, 5)
    assert five.why_not.startswith("5 results after a sample of another level; 6")
    assert math.isnan(five.changes_needed(0.1))
    assert math.isnan(five.standard_uncertainty + five.p_value + five.half_width)
    assert six.value == pytest.approx(2.5)
    assert six.changes_needed(100.0 * six.half_width) == 1
    assert six.changes_needed(six.half_width / 1.01) == 7
    one = shares_over_time(np.ones((1, 1)), np.ones(1), np.ones((1, 1), dtype=bool)).of_stretches([0], [1])[0][0]
    assert one.why_not.startswith("1 result after a sample")
    assert one.degrees_of_freedom == 0
    exact = shares_over_time(np.ones((16, 1)), np.ones(16), np.ones((16, 1), dtype=bool)).of_stretches([0], [16])[0][0]
    assert (exact.value, exact.p_value, exact.interval) == (1.0, 0.0, (1.0, 1.0))


def test_two_shares_that_can_t_be_told_apart() -> None:
    """Equal contrasts: neither has a number; a contrast of nothing leaves the other its own."""
    x = np.random.default_rng(3).normal(size=(20, 1))
    y, changed = 0.2 * x[:, 0], np.ones((20, 2), dtype=bool)
    alike = shares_over_time(np.hstack([x, x]), y, changed).of_stretches([0], [20])[0]
    assert [one.known for one in alike] == [False, False]
    beside = shares_over_time(np.hstack([x, 0.0 * x]), y, changed).of_stretches([0], [20])[0]
    assert beside[0].value == pytest.approx(0.2)
    assert beside[0].degrees_of_freedom == 19
    assert beside[1].why_not.startswith("every material ran after one and the same sample")


def test_one_degree_of_freedom_is_enough() -> None:
    """Six shares from six rows leave nothing to tell their scatter by, from seven rows one degree."""
    generator = np.random.default_rng(9)
    x, y, changed = generator.normal(size=(7, 6)), generator.normal(size=7), np.ones((7, 6), dtype=bool)
    sums = shares_over_time(x, y, changed)
    assert sums.of_stretches([0], [6])[0][0].why_not.endswith("but no material that was measured often enough")
    fit = sm.OLS(y, x).fit()
    found = sums.of_stretches([0], [7])[0][2]
    assert (found.degrees_of_freedom, found.known) == (1, True)
    assert (found.value, found.standard_uncertainty) == pytest.approx((fit.params[2], fit.bse[2]))


def test_rows_of_weights_by_hand() -> None:
    """Helmert's contrasts with weights (derivation): √(w W/(w + W)) (z - weighted mean before)."""
    found = within_materials([[2.0], [5.0], [8.0], [1.0]], ["a", "a", "b", "a"], weights=[1.0, 3.0, 1.0, 2.0])[:, 0]
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == pytest.approx(math.sqrt(3.0 / 4.0) * 3.0)
    assert found[3] == pytest.approx(math.sqrt(2.0 * 4.0 / 6.0) * (1.0 - 17.0 / 4.0))


def test_steps_of_the_design_in_words() -> None:
    steps = high_low_steps("oil 1000", "oil 10")
    assert [one.number for one in steps] == list(range(1, 22))
    assert steps[0].sentence == (
        "1. Measure oil 10, then clean as always, no more and no less: cleans the cell, not used."
    )
    assert (steps[3].sample, steps[3].counts_as) == ("oil 1000", "prepares the next, not used")
    found = high_low_carry_over([0.0, 1.0, 3.0, 9.0, 11.0, 2.0 + 3.0 * math.sqrt(2.0)], order="LLLHHL")
    assert (found.low_after_low, found.high_after_high, found.deviation) == (2.0, 11.0, pytest.approx(math.sqrt(2.0)))
    assert found.share == pytest.approx(3.0 * math.sqrt(2.0) / 9.0)
    below = high_low_carry_over([0.0, 1.0, 3.0, 9.0, 11.0, -9.0], order="LLLHHL")
    assert (below.difference, below.passes) == (-11.0, False)
    assert high_low_carry_over([0.0, 1.0, 3.0, 9.0, 11.0, -1.0], order="LLLHHL").passes


def test_a_sample_of_another_level_is_more_than_half_as_far_as_the_furthest() -> None:
    """By hand: results of 10 after 10, 100, 60, 60, 50 and 50: apart 0, 90, 50, 50, 40 and 40; beyond 45 are three."""
    found = regress_on_previous([10.0] * 6, [10.0, 100.0, 60.0, 60.0, 50.0, 50.0], ["thin"] * 6)
    assert found.share.changes == 3


def test_a_regression_names_its_numbers() -> None:
    """By hand of the definition: six thin after thick and thick after thin; the weights' pull on the level."""
    y = series(0.1, "LHLHLHLHL")
    found = regress_on_previous(y[1:], y[:-1], list("HLHLHLHL"))
    assert found.share.value == pytest.approx(0.1)
    assert found.deviation == pytest.approx(0.0, abs=1e-9)
    assert math.isnan(regress_on_previous([1.0, 2.0], [1.0, 3.0], ["a", "b"]).deviation)
