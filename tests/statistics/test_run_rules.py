"""Run rules: constructed cases with the index of the first signal, and the rules' definitions point by point."""

from __future__ import annotations

import itertools
import time
import timeit

import numpy as np
import pytest

from labcalc.statistics import (
    RULE_SETS,
    Beyond,
    RunRule,
    Signal,
    Within,
    run_rule_signals,
)
from labcalc.statistics.charts.run_rules import NELSON, WESTERN_ELECTRIC, Alternation, Trend
from tests.statistics.data import rows

CASES = {
    case: list(group) for case, group in itertools.groupby(rows("runs_rules_cases.csv"), key=lambda row: row["case"])
}


@pytest.mark.parametrize("case", CASES)
def test_constructed_cases(case: str) -> None:
    """One series a rule of Nelson's (1984), in his numbers: the rule and the index at which it signals first."""
    expected = CASES[case][0]["first_signal_rule@index"]
    found = run_rule_signals([float(row["z"]) for row in CASES[case]], NELSON).found
    if not expected:
        assert found == ()
        return
    number, index = expected.split("@")
    assert found[0] == Signal(int(index) - 1, (NELSON[int(number) - 1],))


def by_definition(rule: RunRule, z: list[float]) -> bool:
    """Say whether a pattern is complete at the last of these points."""
    if isinstance(rule, Beyond):
        points = z[-rule.window :]
        sides = [[abs(p) for p in points]] if rule.side == "either" else [points, [-p for p in points]]
        return any(s[-1] > rule.sigmas and sum(p > rule.sigmas for p in s) >= rule.count for s in sides)
    if len(z) < rule.count:
        return False
    points = z[-rule.count :]
    if isinstance(rule, Within):
        return all(abs(p) <= rule.sigmas for p in points)
    steps = [b - a for a, b in itertools.pairwise(points)]
    if isinstance(rule, Trend):
        return all(s > 0 for s in steps) or all(s < 0 for s in steps)
    return all(a * b < 0 for a, b in itertools.pairwise(steps))


@pytest.mark.parametrize(
    "rule",
    [
        *NELSON,
        Beyond(5, 5, 1.0),
        Beyond(3, 4, 1.5),
        Beyond(3, 7, 1.0, "either"),
        Trend(3),
        Alternation(4),
        Within(3, 0.5),
    ],
    ids=str,
)
def test_signals_as_defined(rule: RunRule) -> None:
    """Steps of a quarter sigma, so that points fall on lines and on each other."""
    generator = np.random.default_rng(7)
    z = np.round(4.0 * np.cumsum(generator.normal(0.0, 0.8, 400)) * generator.choice([0.0, 0.1, 0.3], 400)) / 4.0
    z[200:] = np.round(4.0 * generator.normal(0.4, 0.9, 200)) / 4.0
    found = run_rule_signals(z, (rule,)).signals[0]
    assert found.tolist() == [by_definition(rule, z[: i + 1].tolist()) for i in range(z.size)]


def test_a_point_on_the_centre_line_breaks_a_run() -> None:
    broken = [0.5] * 4 + [0.0] + [0.5] * 7
    assert run_rule_signals(broken).found == ()
    assert run_rule_signals([*broken, 0.5]).found == (Signal(12, (Beyond(8, 8, 0.0),)),)


def test_beyond_is_strict() -> None:
    assert run_rule_signals([3.0, -3.0]).found == ()
    assert run_rule_signals([2.0, 0.0, 2.0]).found == ()
    assert run_rule_signals([np.nextafter(3.0, 4.0)]).found[0] == Signal(0, (Beyond(1, 1, 3.0),))


def test_the_last_point_must_be_in_the_zone() -> None:
    found = run_rule_signals([2.1, 2.2, 0.0, -0.1]).signals[1]
    assert found.tolist() == [False, True, False, False]


def test_two_sides_don_t_add_up() -> None:
    assert run_rule_signals([2.1, -2.2, 0.0, 2.3]).found == ()


def test_a_missing_result_ends_every_run() -> None:
    z = np.full(15, 0.5)
    z[7] = np.nan
    assert run_rule_signals(z).found == ()


@pytest.mark.parametrize("rules", RULE_SETS.values(), ids=RULE_SETS)
def test_shapes(rules: tuple[RunRule, ...]) -> None:
    z = np.random.default_rng(2).normal(0.0, 1.5, (3, 50))
    many = run_rule_signals(z, rules)
    assert many.signals.shape == (len(rules), 3, 50)
    assert many.beyond[2].tolist() == run_rule_signals(z[2], rules).beyond.tolist()
    for short in (0, 1, 2):
        assert run_rule_signals(z[0, :short], rules).signals.shape == (len(rules), short)
    assert run_rule_signals([], rules).found == ()


def test_rules_are_named_in_plain_words() -> None:
    assert [str(rule) for rule in WESTERN_ELECTRIC] == [
        "1 beyond 3 s",
        "2 of 3 beyond 2 s, same side",
        "4 of 5 beyond 1 s, same side",
        "8 off the centre, same side",
    ]
    assert [str(rule) for rule in (Trend(6), Alternation(14), Within(15, 1.0))] == [
        "6 rising or falling",
        "14 alternating up and down",
        "15 within 1 s",
    ]


def test_refusals() -> None:
    with pytest.raises(ValueError, match="run rule: 4 of 3: 1 up to the number of points"):
        Beyond(4, 3, 1.0)
    with pytest.raises(ValueError, match="run rule: -1 sigma: 0 or more"):
        Beyond(1, 1, -1.0)
    for rule, count in ((Trend, 1), (Alternation, 2)):
        with pytest.raises(ValueError, match=f"run rule over {count} points"):
            rule(count)


def test_all_rules_over_a_million_points() -> None:
    """At most 150 times one pass of |z| > 3 over the same points, in one run (CPU time, the best of three each)."""
    z = np.random.default_rng(1).standard_normal(1_000_000)
    one_pass = min(timeit.repeat(lambda: np.abs(z) > 3.0, timer=time.process_time, number=1, repeat=3))
    all_rules = min(timeit.repeat(lambda: run_rule_signals(z, NELSON), timer=time.process_time, number=1, repeat=3))
    assert all_rules < 150.0 * one_pass


def test_the_shortest_rules() -> None:
    assert [rule.window for rule in (Within(1, 0.0), Trend(2), Alternation(3), Beyond(1, 4, 0.0))] == [1, 2, 3, 4]
    assert run_rule_signals([0.0, 0.1], (Within(1, 0.0), Trend(2))).signals.tolist() == [[True, False], [False, True]]
    assert run_rule_signals([0.0, 1.0, 0.0, 0.0], (Alternation(3),)).signals.tolist() == [[False, False, True, False]]
    for refused in (lambda: Within(0, 1.0), lambda: Beyond(0, 3, 1.0)):
        with pytest.raises(ValueError, match=r"run rule"):
            refused()


def test_rules_of_one_point_and_of_either_side_name_no_side() -> None:
    assert [str(rule) for rule in (Beyond(1, 1, 2.0), Beyond(8, 8, 1.0, "either"), Beyond(1, 2, 0.0))] == [
        "1 beyond 2 s",
        "8 beyond 1 s",
        "1 of 2 off the centre, same side",
    ]


def test_rule_sets_as_their_sources_count() -> None:
    """Western Electric 1956 (1, 2 of 3, 4 of 5, 8), Nelson 1984 (9, 6, 14, 15, 8), ASTM D6299 (5, 8): memory."""
    counts = {name: [(rule.count, rule.window) for rule in rules] for name, rules in RULE_SETS.items()}
    assert counts == {
        "western electric": [(1, 1), (2, 3), (4, 5), (8, 8)],
        "nelson": [(1, 1), (9, 9), (6, 6), (14, 14), (2, 3), (4, 5), (15, 15), (8, 8)],
        "petroleum": [(1, 1), (2, 3), (5, 5), (8, 8)],
        "limits only": [(1, 1)],
    }
    assert [rule.sigmas for rule in RULE_SETS["petroleum"]] == [3.0, 2.0, 1.0, 0.0]
