"""Exact run lengths against the published tables; simulated charts against the exact run lengths."""

from __future__ import annotations

import math
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from labcalc.statistics import (
    RULE_SETS,
    Beyond,
    RunLength,
    RunRule,
    Within,
    ewma,
    ewma_run_length,
    rules_run_length,
    run_rule_signals,
    simulated_run_length,
)
from labcalc.statistics.charts.run_length import chain_run_length, rule_chain
from labcalc.statistics.charts.run_rules import NELSON, PETROLEUM, WESTERN_ELECTRIC, Alternation, Trend
from tests.statistics.data import rows

RULES: dict[str, RunRule] = {
    "3s": Beyond(1, 1, 3.0),
    "2of3>2s": Beyond(2, 3, 2.0),
    "4of5>1s": Beyond(4, 5, 1.0),
    "8 same side": Beyond(8, 8, 0.0),
}
LIMITS_ONLY = RULE_SETS["limits only"]
FALSE_ALARM = 2.0 * norm.sf(3.0)
MANY_STATES = (Beyond(7, 12, 1.0),)
"""Which of the last eleven lay beyond on either side: some 3^11 states less those with seven marks."""


def average(chart: str, parameters: str, shift: float) -> float:
    if chart.startswith("Shewhart"):
        names = parameters.removesuffix(" only").split(" + ")
        return rules_run_length(tuple(RULES[name] for name in names), shift).average
    weight, multiple = (float(part.split("=")[1]) for part in parameters.split())
    return ewma_run_length(weight, multiple, shift).average


PUBLISHED = rows("arl_published.csv")
SUMS = [row for row in PUBLISHED if row["chart"].startswith("CUSUM")]


def named(row: dict[str, str]) -> str:
    return "|".join(list(row.values())[:3])


@pytest.mark.parametrize("row", [row for row in PUBLISHED if row not in SUMS], ids=named)
def test_published_averages(row: dict[str, str]) -> None:
    """Champ & Woodall, Crowder, Lucas & Saccucci (seen): 0.6 %."""
    found = average(row["chart"], row["parameters"], float(row["shift_in_sigma"]))
    assert found == pytest.approx(float(row["published_arl"]), rel=0.006)


@pytest.mark.parametrize(
    ("weight", "multiple"), [(0.05, 2.615), (0.10, 2.814), (0.20, 2.962), (0.25, 2.998), (0.40, 3.054)]
)
def test_multiples_for_one_false_alarm_in_500(weight: float, multiple: float) -> None:
    """Lucas & Saccucci, Technometrics 32 (1990) 1 (memory)."""
    assert ewma_run_length(weight, multiple).average == pytest.approx(500.0, rel=0.002)


@pytest.mark.parametrize(
    ("rules", "averages"),
    [
        ((Beyond(1, 1, 3.0), Beyond(2, 3, 2.0), Beyond(4, 5, 1.0), Beyond(9, 9, 0.0)), (109.05, 9.70, 3.13)),
        (PETROLEUM, (120.5, 11.32, 3.39)),
        ((Beyond(1, 1, 3.0), Beyond(2, 2, 2.0), Beyond(5, 5, 1.0), Beyond(8, 8, 0.0)), (133.2, 12.19, 3.61)),
    ],
)
@pytest.mark.regression
def test_other_counts(rules: tuple[RunRule, ...], averages: tuple[float, ...]) -> None:
    """Shifts of 0, 1 and 2 sigma: two chains written apart from one another agree (computed)."""
    assert [rules_run_length(rules, shift).average for shift in (0.0, 1.0, 2.0)] == pytest.approx(averages, abs=0.06)


def test_limits_alone_are_geometric() -> None:
    """Derivation: independent signals of probability p: average 1/p, deviation √(1 − p)/p, quantiles closed."""
    exact = rules_run_length(LIMITS_ONLY)
    assert exact.average == pytest.approx(1.0 / FALSE_ALARM, rel=1e-9)
    assert exact.standard_deviation == pytest.approx(math.sqrt(1.0 - FALSE_ALARM) / FALSE_ALARM, rel=1e-9)
    for results in (0, 1, 30, 2000):
        assert exact.probability_within(results) == pytest.approx(1.0 - (1.0 - FALSE_ALARM) ** results, abs=1e-12)
    for probability in (0.05, 0.5, 0.95):
        expected = math.ceil(math.log(1.0 - probability) / math.log(1.0 - FALSE_ALARM))
        assert exact.quantile(probability) == expected
    assert rules_run_length(LIMITS_ONLY, 9.0).quantile(0.5) == 1


def test_an_ewma_of_weight_one_is_a_chart_of_individuals() -> None:
    for shift in (0.0, 1.3):
        one, other = ewma_run_length(1.0, 3.0, shift), rules_run_length(LIMITS_ONLY, shift)
        assert one.average == pytest.approx(other.average, rel=1e-9)
    both = ewma_run_length(1.0, 3.0, 0.4, individuals_limit=2.0)
    assert both.average == pytest.approx(rules_run_length((Beyond(1, 1, 2.0),), 0.4).average, rel=1e-6)


def test_a_run_on_one_side_alone() -> None:
    """Derivation: eight heads or eight tails in a row take 2^8 − 1 throws on average, and no fewer than eight."""
    exact = rules_run_length((Beyond(8, 8, 0.0),))
    assert exact.average == pytest.approx(255.0, rel=1e-12)
    assert exact.probability_within(7) == 0.0
    assert exact.probability_within(8) == pytest.approx(2.0**-7)


def test_a_chart_that_never_signals() -> None:
    for never in (
        rules_run_length((Beyond(1, 1, 9.0),)),
        ewma_run_length(0.4, 20.0),
    ):
        assert (never.average, never.standard_deviation, never.probability_within(1000)) == (math.inf, math.inf, 0.0)


def test_a_large_shift_is_found_at_once() -> None:
    for found in (
        ewma_run_length(0.4, shift=1e4),
        ewma_run_length(0.4, shift=1e4, individuals_limit=3.0),
        rules_run_length(WESTERN_ELECTRIC, -1e4),
    ):
        assert (found.average, found.standard_deviation, found.quantile(0.99)) == (1.0, 0.0, 1)
        assert found.probability_within(5) == 1.0


@pytest.mark.parametrize(
    ("weight", "individuals_limit", "accuracy"),
    [(0.4, math.inf, 1e-4), (0.05, math.inf, 1e-3), (0.01, math.inf, 4e-3), (0.4, 3.0, 1e-4)],
)
def test_twice_the_cells_change_nothing(
    weight: float, individuals_limit: float, accuracy: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The accuracy that the docstring states, against finer cells."""
    usual = ewma_run_length(weight, individuals_limit=individuals_limit).average
    monkeypatch.setattr("labcalc.statistics.charts.run_length._CELLS", 801)
    assert usual == pytest.approx(ewma_run_length(weight, individuals_limit=individuals_limit).average, rel=accuracy)


def lengths(beyond: np.ndarray) -> np.ndarray:
    """Return where each row signals first, counted from 1; 0 for a row that doesn't."""
    return np.where(beyond.any(axis=1), np.argmax(beyond, axis=1) + 1, 0)


@pytest.mark.parametrize("results", [20, 200])
@pytest.mark.parametrize("shift", [0.0, 1.0])
@pytest.mark.parametrize("chart", ["western electric", "petroleum", "ewma", "individuals and ewma"])
def test_simulated_charts_signal_as_often_as_stated(chart: str, shift: float, results: int) -> None:
    """4000 drawn charts: the part that has signalled within n results, within four standard errors of the exact one."""
    z = np.random.default_rng(11).normal(shift, 1.0, (4000, results))
    averaged = np.abs(ewma(z, 0.4)) > 3.0 * 0.5
    beyond, exact = {
        "western electric": lambda: (run_rule_signals(z).beyond, rules_run_length(WESTERN_ELECTRIC, shift)),
        "petroleum": lambda: (run_rule_signals(z, PETROLEUM).beyond, rules_run_length(PETROLEUM, shift)),
        "ewma": lambda: (averaged, ewma_run_length(0.4, 3.0, shift)),
        "individuals and ewma": lambda: (
            averaged | (np.abs(z) > 3.0),
            ewma_run_length(0.4, 3.0, shift, individuals_limit=3.0),
        ),
    }[chart]()
    stated = exact.probability_within(results)
    error = math.sqrt(stated * (1.0 - stated) / 4000)
    assert np.mean(lengths(beyond) > 0) == pytest.approx(stated, abs=4.0 * error + 1e-4)


@pytest.mark.parametrize(("shift", "simulated"), [(0.0, 234.0), (1.0, 12.80), (2.0, 3.179), (3.0, 1.670)])
def test_individuals_and_ewma_together(shift: float, simulated: float) -> None:
    """What the report says of this chart, against 40 000 (no shift) and 200 000 drawn charts; their error is 0.5 %."""
    exact = ewma_run_length(0.4, 3.0, shift, individuals_limit=3.0)
    assert exact.average == pytest.approx(simulated, rel=0.01)


@pytest.mark.parametrize(
    "exact",
    [
        rules_run_length(WESTERN_ELECTRIC),
        rules_run_length(PETROLEUM, 1.0),
        ewma_run_length(0.2),
        rules_run_length((Within(15, 1.0),)),
    ],
)
def test_average_and_deviation_follow_from_the_distribution(exact: RunLength) -> None:
    """Derivation: E[N] = Σ P(N > n), E[N²] = Σ (2n + 1) P(N > n), summed far into the tail."""
    left = 1.0 - np.array([exact.probability_within(n) for n in range(40_000)])
    assert left.sum() == pytest.approx(exact.average, rel=1e-6)
    second = np.sum((2.0 * np.arange(left.size) + 1.0) * left)
    assert math.sqrt(second - exact.average**2) == pytest.approx(exact.standard_deviation, rel=1e-5)
    median = exact.quantile(0.5)
    assert exact.probability_within(median - 1) < 0.5 <= exact.probability_within(median)


def test_simulated_run_lengths_agree_with_the_chain() -> None:
    for rules, shift in (
        (WESTERN_ELECTRIC, 0.0),
        (PETROLEUM, 1.0),
        ((Within(15, 1.0), Beyond(8, 8, 1.0, "either")), 0.0),
    ):
        simulated = simulated_run_length(rules, shift, charts=3000, seed=4)
        exact = rules_run_length(rules, shift)
        assert simulated.average == pytest.approx(exact.average, abs=4.0 * simulated.standard_error)
        assert np.std(simulated.run_lengths) == pytest.approx(exact.standard_deviation, rel=0.1)


def test_rules_of_too_many_states_are_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of three has seven states (by hand, below); a chain is given up as soon as it has more than it may."""
    chain = "labcalc.statistics.charts.run_length._MOST_STATES"
    monkeypatch.setattr(chain, 7)
    assert rule_chain.__wrapped__((Beyond(2, 3, 2.0),)).following.shape == (7, 3)
    monkeypatch.setattr(chain, 6)
    with pytest.raises(ValueError, match="'2 of 3 beyond 2 s, same side' have more than 6 states"):
        rule_chain.__wrapped__((Beyond(2, 3, 2.0),))


def test_trends_by_simulation_only() -> None:
    """Derivation: n results without three in a row rising or falling are an up-down permutation, 2 E_n of n!.

    E_n are Euler's zigzag numbers, Σ E_n x^n / n! = sec x + tan x, so the average Σ P(N > n) is 2 (sec 1 + tan 1) − 2.
    """
    with pytest.raises(ValueError, match="run rule '6 rising or falling' has no finite chain"):
        rules_run_length(NELSON)
    simulated = simulated_run_length((Trend(3),), charts=20_000)
    exact = 2.0 * (1.0 / math.cos(1.0) + math.tan(1.0)) - 2.0
    assert simulated.average == pytest.approx(exact, abs=4.0 * simulated.standard_error)


def test_a_seed_gives_the_same_charts_again() -> None:
    once, again = (simulated_run_length((Alternation(4),), charts=500) for _ in range(2))
    assert once.run_lengths.tolist() == again.run_lengths.tolist()
    assert simulated_run_length((Alternation(4),), charts=500, seed=2).average != once.average


def test_refusals() -> None:
    for refused, message in (
        (partial(ewma_run_length, 1.5), "EWMA weight 1.5"),
        (partial(ewma_run_length, 0.4, 0.0), "limits of 0 and inf sigma"),
        (partial(rules_run_length((Beyond(1, 1, 9.0),)).quantile, 0.5), "a signal practically never comes"),
        (partial(rules_run_length(WESTERN_ELECTRIC).quantile, 1.0), "probability 1: more than 0 and less than 1"),
        (partial(rules_run_length, MANY_STATES), "4000 states: use simulated_run_length"),
    ):
        with pytest.raises(ValueError, match=message):
            refused()


def test_zones_of_a_chain_against_scipy() -> None:
    """scipy.stats.norm, shifted; the far zones keep their digits on either side."""
    chain = rule_chain((Beyond(1, 1, 9.0), Beyond(2, 3, 2.0)))
    assert chain.edges.tolist() == [-9.0, -2.0, 2.0, 9.0]
    shifted, ends = norm(0.7), [-np.inf, -9.0, -2.0, 2.0, 9.0, np.inf]
    assert chain.zone_probabilities(0.7) == pytest.approx(
        [shifted.cdf(b) - shifted.cdf(a) if b <= 2.0 else shifted.sf(a) - shifted.sf(b) for a, b in pairwise(ends)],
        rel=1e-12,
    )
    found = chain.zone_probabilities(0.0)
    assert (found[0], found[-1]) == pytest.approx((norm.sf(9.0), norm.sf(9.0)), rel=1e-12)


def test_a_chain_by_hand() -> None:
    """One limit has one state. Two of three: where either side's marks stand, both not in one place: 9 - 2 states."""
    assert rule_chain((Beyond(1, 1, 3.0),)).following.tolist() == [[-1, 0, -1]]
    assert rule_chain((Within(3, 1.0),)).following.tolist() == [[0, 1, 0], [0, 2, 0], [0, -1, 0]]
    two_of_three = rule_chain((Beyond(2, 3, 2.0),)).following
    assert two_of_three.shape == (7, 3)
    assert two_of_three[0].tolist() == [1, 0, 2]
    assert (two_of_three[1, 0], two_of_three[2, 2]) == (-1, -1)
    assert rule_chain((Beyond(2, 3, 2.0, "either"),)).following.shape == (3, 3)


def test_simulations_keep_what_they_were_drawn_with() -> None:
    found = simulated_run_length(LIMITS_ONLY, 2.0, charts=400, seed=3)
    assert (found.seed, found.run_lengths.size, found.run_lengths.min()) == (3, 400, 1)
    assert found.average == pytest.approx(found.run_lengths.mean())
    assert found.standard_error == pytest.approx(np.std(found.run_lengths, ddof=1) / 20.0)
    drawn = np.random.default_rng(3).standard_normal((400, 128)) + 2.0
    assert found.run_lengths[:50].tolist() == lengths(np.abs(drawn) > 3.0)[:50].tolist()


def test_a_pattern_that_begins_in_one_block_ends_in_the_next() -> None:
    """Property: the memory of a long rule reaches across the draws of 128."""
    found = simulated_run_length((Beyond(140, 140, 0.0),), 9.0, charts=5)
    assert found.run_lengths.tolist() == [140] * 5


@pytest.mark.parametrize("p", [0.01, 0.3, 0.5])
def test_the_probabilities_of_a_run_by_hand(p: float) -> None:
    """A chain of one state by hand: P(N > n) = (1 - p)ⁿ with p the chance of a signal, 1/p on average."""
    found = chain_run_length(np.array([[1.0 - p]]), 0)
    assert (found.average, found.standard_deviation) == pytest.approx((1.0 / p, math.sqrt(1.0 - p) / p))
    assert [found.probability_within(n) for n in (0, 1, 2, 7)] == pytest.approx(
        [1.0 - (1.0 - p) ** n for n in (0, 1, 2, 7)]
    )
    for refused in (0.0, 1.0, -0.5):
        with pytest.raises(ValueError, match="more than 0 and less than 1 was expected"):
            found.quantile(refused)


@pytest.mark.parametrize(
    "call",
    [
        lambda: ewma_run_length(0.0),
        lambda: ewma_run_length(-0.1),
        lambda: ewma_run_length(0.4, individuals_limit=0.0),
    ],
)
def test_charts_that_are_none_are_refused(call: object) -> None:
    with pytest.raises(ValueError, match="more than 0"):
        call()  # type: ignore[operator]
