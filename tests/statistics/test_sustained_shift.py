"""Lasting shifts: means of the last results by hand, and Student's t by scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import sustained_shift

AWAY = np.random.default_rng(6).normal(0.2, 1.1, 40)


def by_definition(
    away: np.ndarray, place: int, since: int, sigma: float, number: float, degrees: float, fewest: int
) -> tuple[float, int, float]:
    """Chance, window and mean of the most telling mean that ends at a result; windows of Fibonacci's numbers."""
    found = [(1.0, 0, 0.0)]
    for m in (1, 2, 3, 5, 8, 13, 21):
        if m >= fewest and place - m + 1 >= since:
            mean = float(away[place - m + 1 : place + 1].mean())
            t = abs(mean) / (sigma * math.sqrt(1.0 / m + 1.0 / number))
            found.append((2.0 * float(stats.t.sf(t, degrees)), m, mean))
    return min(found)


def test_one_mean_by_hand() -> None:
    """Mean of three +0.9; s 0.6, n 12: t = 0.9 / (0.6 √(1/3 + 1/12)) = 2.3238, 2 · P(t > 2.3238) with 11: 0.0403."""
    found = sustained_shift([0.8, 1.0, 0.9], 0.6, 12.0, 11.0, fewest=3)
    assert found.window.tolist() == [0, 0, 3]
    assert found.mean[-1] == pytest.approx(0.9)
    t = 0.9 / (0.6 * math.sqrt(1.0 / 3.0 + 1.0 / 12.0))
    assert t == pytest.approx(2.3238, abs=5e-5)
    assert found.chance.tolist() == pytest.approx([1.0, 1.0, 2.0 * stats.t.sf(t, 11)])


def test_a_step_against_a_baseline_is_the_t_test_of_two_samples() -> None:
    """scipy.stats.ttest_ind_from_stats, with the later sample's own spread left out (no degrees of freedom)."""
    later = np.array([1.2, 0.4, 1.9, 1.1, 0.6, 1.4, 0.9, 1.3])
    found = sustained_shift(later, 1.3, 25.0, 24.0, fewest=8)
    reference = stats.ttest_ind_from_stats(later.mean(), 0.0, 8, 0.0, 1.3 * math.sqrt(31.0 / 24.0), 25)
    # One sigma of 24 degrees: the pooled variance of scipy is (24 s² · 31/24) / 31 = s²; its t has 31 degrees, ours 24.
    assert reference.statistic == pytest.approx(later.mean() / (1.3 * math.sqrt(1 / 8 + 1 / 25)))
    assert found.chance[-1] == pytest.approx(2.0 * stats.t.sf(reference.statistic, 24))


@pytest.mark.parametrize("degrees", [4.0, 19.0, math.inf])
@pytest.mark.parametrize("number", [8.0, 20.0, math.inf])
@pytest.mark.parametrize(("fewest", "starts"), [(1, ()), (3, ()), (1, (11,)), (2, (5, 6, 30))])
def test_every_result_has_its_most_telling_mean(
    number: float, degrees: float, fewest: int, starts: tuple[int, ...]
) -> None:
    found = sustained_shift(AWAY, 1.2, number, degrees, fewest=fewest, starts=starts)
    for place in range(AWAY.size):
        since = max(one for one in (0, *starts) if one <= place)
        chance, window, mean = by_definition(AWAY, place, since, 1.2, number, degrees, fewest)
        assert found.chance[place] == pytest.approx(chance, rel=1e-9)
        assert (found.window[place], found.mean[place]) == (window, pytest.approx(mean))


def test_what_was_before_a_start_counts_no_more() -> None:
    """Ten results at +2, a repair, ten at 0.1: the first after it stands alone, and nothing is left of the shift."""
    away = [2.0] * 10 + [0.1] * 10
    without, with_start = (sustained_shift(away, 1.0, 20.0, 19.0, starts=starts) for starts in ((), (10,)))
    assert with_start.chance[:10].tolist() == without.chance[:10].tolist()
    assert (with_start.window[10], with_start.mean[10]) == (1, pytest.approx(0.1))
    assert with_start.chance[10] > 0.9 > 0.01 > without.chance[10]
    assert with_start.chance[10:].min() > 0.5
    assert sustained_shift(away, 1.0, 20.0, 19.0, starts=(0,)).chance.tolist() == without.chance.tolist()


def test_each_result_may_have_a_centre_of_its_own() -> None:
    """A mean is held against the centre of its last result: t = 1 / √(1/2 + 1/n)."""
    found = sustained_shift([1.0, 1.0, 1.0], 1.0, [5.0, 10.0, 50.0], math.inf, fewest=2)
    expected = [2.0 * stats.norm.sf(1.0 / math.sqrt(0.5 + 1.0 / n)) for n in (10.0, 50.0)]
    two = sustained_shift([1.0, 1.0], 1.0, [5.0, 10.0], math.inf, fewest=2)
    assert two.chance[1] == pytest.approx(expected[0])
    assert found.chance[1] == pytest.approx(expected[0])
    three = 2.0 * stats.norm.sf(1.0 / math.sqrt(1.0 / 3.0 + 1.0 / 50.0))
    assert (found.window[2], found.chance[2]) == (3, pytest.approx(three))


def test_single_means_of_an_unchanged_process_are_as_rare_as_they_say() -> None:
    """Simulated: baselines of 15 and the mean of eight later results; 5 and 1 % of 20 000 (errors 3 and 7 %)."""
    generator, told = np.random.default_rng(8), []
    for row in generator.standard_normal((20_000, 23)):
        centre, sigma = row[:15].mean(), row[:15].std(ddof=1)
        told.append(sustained_shift(row[15:] - centre, sigma, 15.0, 14.0, fewest=8).chance[-1])
    assert [np.mean(np.array(told) < level) for level in (0.05, 0.01)] == pytest.approx([0.05, 0.01], rel=0.15)


def test_no_result_has_no_shift() -> None:
    assert sustained_shift([], 1.0, 20.0, 19.0).chance.size == 0
    with_none = sustained_shift([5.0], 1.0, 20.0, 19.0, fewest=2)
    assert (with_none.chance.tolist(), with_none.window.tolist()) == ([1.0], [0])
