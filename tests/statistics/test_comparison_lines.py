"""Lines between two methods, classes of correction and limits of agreement: published sets, and coverage."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from labcalc.shipped import example_file
from labcalc.statistics import agreement_limits, bias_class, deming_line, passing_bablok_line
from labcalc.statistics.precision.comparison_lines import fit_functional

Array = NDArray[np.float64]

PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_X = np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0])
YORK_Y = np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0])


def arsenate() -> Array:
    """B. D. Ripley and M. Thompson, Analyst 112 (1987) 377: x, u, y, u of 30 river waters (seen)."""
    lines = example_file("comparison").read_text("utf-8").splitlines()
    table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return np.array([[float(row[name]) for row in table[at::2]] for at in (0, 1) for name in ("result", "u")])


def test_pearson_s_points_by_deming() -> None:
    """K. Pearson, Phil. Mag. 2 (1901) 559: y = 5.784 − 0.5456 x, errors alike (memory)."""
    found = deming_line(PEARSON_X, PEARSON_Y)
    assert (found.intercept, found.slope) == pytest.approx((5.784, -0.5456), abs=5.1e-4)


def test_york_s_weights() -> None:
    """D. York, Can. J. Phys. 44 (1966) 1079; B. C. Reed, Am. J. Phys. 57 (1989) 642 (memory)."""
    found = fit_functional(PEARSON_X, PEARSON_Y, YORK_X**-0.5, YORK_Y**-0.5)
    assert found == pytest.approx((5.47991022, -0.480533407), abs=1e-8)


def test_arsenate() -> None:
    """a .106448, b .973000, mean weighted square 1.27 (seen: tests of the R package deming, quoting the paper)."""
    x, u, y, v = arsenate()
    found = fit_functional(x, y, u, v)
    assert found == pytest.approx((0.106448, 0.973000), abs=2e-5)
    classes = bias_class(x, y, u, v)
    assert classes.squares["2"] / 30.0 == pytest.approx(1.27, abs=5e-3)
    # By another route (computed elsewhere): sums of squares of all classes.
    expected = {"0": 42.888, "1a": 38.148, "1b": 42.875, "2": 38.035}
    assert classes.squares == pytest.approx(expected, abs=1e-3)
    assert (classes.name, classes.p_spread < 0.05, classes.sample_effects) == ("0", True, False)


def test_sen_s_points_by_passing_and_bablok() -> None:
    """P. K. Sen's 7 points, and six more: tests of the R package deming (seen): 6 + 4 x, b 26/7 to 35/8."""
    found = passing_bablok_line([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78])
    assert (found.intercept, found.slope) == pytest.approx((6.0, 4.0))
    assert found.slope_interval == pytest.approx((26 / 7, 35 / 8))
    found = passing_bablok_line([1, 2, 3, 4, 5, 6], [2, 1.2, 4.1, 3.5, 6.3, 3])
    assert (found.intercept, found.slope) == pytest.approx((1 / 8, 1.05))


def test_equal_decimals_are_equal() -> None:
    """Results on a grid of 0.01: slopes of exactly −1 stay on the joint, as with whole numbers."""
    random = np.random.default_rng(2)
    x = random.integers(50, 150, 25)
    y = x + random.integers(-20, 20, 25)
    whole, parts = passing_bablok_line(x, y), passing_bablok_line(x / 100.0, y / 100.0)
    assert parts.slope == pytest.approx(whole.slope, rel=1e-12)
    assert parts.slope_interval == pytest.approx(whole.slope_interval, rel=1e-12)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 3.0])
def test_deming_is_the_likeliest_line(ratio: float) -> None:
    """The true levels and the line fitted together by scipy's least squares: another route to the same minimum."""
    x, y = PEARSON_X, PEARSON_Y + PEARSON_X

    def missed(p: Array) -> Array:
        return np.concatenate([(x - p[2:]) / np.sqrt(ratio), y - p[0] - p[1] * p[2:]])

    found = deming_line(x, y, ratio=ratio)
    best = optimize.least_squares(missed, [5.0, 0.5, *x], xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    assert (found.intercept, found.slope) == pytest.approx(best[:2], rel=1e-6)


def test_weighted_deming_weighs_by_the_level() -> None:
    """No printed example at hand: at the end the line is the plain one with the weights that its own levels give."""
    random = np.random.default_rng(7)
    level = np.exp(random.uniform(0.0, 5.0, 30))
    x, y = level * (1.0 + 0.03 * random.standard_normal((2, 30)))
    found, ratio = deming_line(x, y, ratio=2.0, proportional=True), 2.0
    off = y - found.intercept - found.slope * x
    true_x = x + ratio * found.slope * off / (1.0 + ratio * found.slope**2)
    weight = 1.0 / ((true_x + ratio * (y - off / (1.0 + ratio * found.slope**2))) / (1.0 + ratio)) ** 2

    def missed(p: Array) -> float:
        return float(np.sum(weight * (y - p[0] - p[1] * x) ** 2 / (1.0 + ratio * p[1] ** 2)))

    best = optimize.minimize(missed, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14}).x
    assert (found.intercept, found.slope) == pytest.approx(best, abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("proportional", [False, True])
def test_intervals_hold_the_line(proportional: bool) -> None:
    """Simulated, 600 comparisons of 40 samples (error 0.9 %): slope and bias in the middle within 95 % ± 2.5 %."""
    random, held = np.random.default_rng(11), []
    for _ in range(600):
        level = np.exp(random.uniform(0.7, 5.3, 40)) if proportional else random.uniform(2.0, 12.0, 40)
        error = (0.03 * level if proportional else 0.3) * random.standard_normal((2, 40))
        found = deming_line(level + error[0], 0.2 + 1.05 * level + error[1], proportional=proportional)
        ends = (*found.slope_interval, 1.05), (*found.bias_at(7.0)[1:], 0.55)
        held.append([low <= true <= high for low, high, true in ends])
    assert np.mean(held, axis=0) == pytest.approx([0.95, 0.95], abs=0.028)


@pytest.mark.parametrize(("growing", "share"), [(False, 0.95), (True, 0.90)])
def test_passing_and_bablok_s_interval_holds_the_slope(growing: bool, share: float) -> None:
    """Simulated, 600 comparisons (error 0.9 %): 95 %; where errors grow over 2 to 55, 90 %, as its docstring says."""
    random, held = np.random.default_rng(12), []
    for _ in range(600):
        level = np.exp(random.uniform(0.7, 4.0, 40)) if growing else random.uniform(2.0, 12.0, 40)
        x, y = level + 0.05 * (level if growing else 6.0) * random.standard_normal((2, 40))
        low, high = passing_bablok_line(x, y).slope_interval
        held.append(low <= 1.0 <= high)
    assert np.mean(held) == pytest.approx(share, abs=0.028)


def test_a_correction_is_seldom_chosen_where_none_is_needed() -> None:
    """Simulated, 500 comparisons: 5 % without bias; a constant, a factor and both are found and told apart."""
    random = np.random.default_rng(13)
    level, u = np.linspace(2.0, 12.0, 20), np.full(20, 0.2)

    def named(a: float, b: float, number: int) -> list[str]:
        noise = 0.2 * random.standard_normal((number, 2, 20))
        return [bias_class(level + one[0], a + b * level + one[1], u, u).name for one in noise]

    assert np.mean([name != "0" for name in named(0.0, 1.0, 500)]) == pytest.approx(0.05, abs=0.03)
    for name, a, b in (("1a", 0.6, 1.0), ("1b", 0.0, 1.1), ("2", 2.0, 0.8)):
        assert np.mean([one == name for one in named(a, b, 60)]) > 0.75


def test_limits_of_agreement_of_peak_flow() -> None:
    """J. M. Bland and D. G. Altman, Lancet 327 (1986) 307, peak flow: mean −2.1, deviation 38.8 (memory)."""
    from tests.statistics.data import columns

    large, mini = columns("peak_flow_17.csv", "large_1", "mini_1")
    found = agreement_limits(large - mini)
    assert (found.mean[0], found.lower[0], found.upper[0]) == pytest.approx((-2.1, -78.1, 73.9), abs=0.3)
    assert (found.upper[0] - found.lower[0]) / 2.0 / 1.96 == pytest.approx(38.8, abs=0.05)


@pytest.mark.parametrize(("bias", "allowed"), [(0.0, 2.0), (0.5, 2.0), (1.0, 3.0)])
@pytest.mark.parametrize("number", [10, 40])
def test_the_share_beyond_holds_the_truth(bias: float, allowed: float, number: int) -> None:
    """Simulated, 800 comparisons: the interval holds in 95 % or more, and the highest share in 97.5 % or more."""
    true = stats.norm.cdf(-allowed + bias) + stats.norm.cdf(-allowed - bias)
    drawn = bias + np.random.default_rng(number).standard_normal((800, number))
    found = np.array([agreement_limits(one).share_beyond(allowed) for one in drawn])
    assert np.mean((found[:, 1] <= true) & (true <= found[:, 2])) > 0.93
    assert np.mean(true <= found[:, 2]) > 0.963


def test_refusals() -> None:
    with pytest.raises(ValueError, match="3 results: a line between two methods needs 5 or more"):
        deming_line([1, 2, 3], [1, 2, 3])
    with pytest.raises(ValueError, match="result, with errors in proportion to it: 0: more than 0 was expected"):
        deming_line([0, 1, 2, 3, 4], [1, 2, 3, 4, 5], proportional=True)
    with pytest.raises(ValueError, match="all 2: results that differ were expected"):
        passing_bablok_line([2] * 5, [1, 2, 3, 4, 5])
    with pytest.raises(ValueError, match="4 differences that are all 1: differences that vary were expected"):
        agreement_limits([1.0] * 4)


@pytest.mark.parametrize("beyond", [0, 3, 20])
def test_a_share_that_is_counted_has_the_interval_of_clopper_and_pearson(beyond: int) -> None:
    """By scipy's binomtest; 850.2 - 850.0 is more than 0.2 in binary only, and isn't beyond it."""
    differences = np.where(np.arange(20) < beyond, 850.9 - 850.0, 850.2 - 850.0)
    share, low, high = agreement_limits([*differences[:-1], differences[-1] - 1e-12]).counted_beyond(0.2)
    reference = stats.binomtest(beyond, 20).proportion_ci(method="exact")
    assert share == beyond / 20
    assert (low, high) == pytest.approx((reference.low, reference.high))
