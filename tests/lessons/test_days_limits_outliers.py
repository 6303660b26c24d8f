"""Days and people, yes or no, the odd one out: their theory beside reference libraries and printed values."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy import integrate, stats

from labcalc.judgement import gather_record
from labcalc.lessons import (
    ask,
    components,
    conformity,
    drafts_of,
    outliers,
)
from labcalc.lessons.repeats import limit_factor
from labcalc.statistics import (
    DECISION_RULES,
    acceptable_result,
    grubbs_limit,
    grubbs_test,
)
from labcalc.statistics.precision.outliers import grubbs_pair_test

NORMAL = NormalDist()
CASE = conformity.Case("oil", "mm²/s", 50.6, 1, 0.30, 0.62, 0.42)


# --- What changes between days and people ---


def test_the_mean_of_a_plan_as_the_guide_prints_it() -> None:
    """JCGM 100:2008, H.5.2: s_W 85 µV, s_B 43 µV, ten days of five: 18 µV (memory)."""
    assert round(components.plan_spread(43.0, 85.0, 10, 5)) == 18


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 3.0])
def test_pairs_of_two_days_beyond_r(ratio: float) -> None:
    """scipy.stats, normal distribution; without a day 5 % by definition of r."""
    spread = math.sqrt(2.0 * (1.0 + ratio**2))
    assert components.share_beyond_r(ratio) == pytest.approx(2.0 * stats.norm.sf(limit_factor(), scale=spread))
    assert components.share_beyond_r(0.0) == pytest.approx(0.05)


@pytest.mark.parametrize(("days", "repeats", "ratio"), [(4, 2, 1.0), (12, 2, 1.0), (5, 3, 0.4), (20, 2, 0.0)])
def test_studies_that_find_no_day(days: int, repeats: int, ratio: float) -> None:
    """scipy.stats, F distribution."""
    expected = stats.f.cdf(1.0 / (1.0 + repeats * ratio**2), days - 1, days * (repeats - 1))
    assert components.share_without_day(days, repeats, ratio) == pytest.approx(expected)


def test_a_day_component_is_what_is_left_of_the_means() -> None:
    """Derivation: variance of the means less s_r²/n; below zero it stands as zero."""
    for seed in range(30):
        table = components.draw_days(np.random.default_rng(seed), 8, 2)
        within = float(np.mean((table[:, 0] - table[:, 1]) ** 2 / 2.0))
        left = float(np.var(table.mean(axis=1), ddof=1)) - within / 2.0
        assert components.day_component(table).components[0].variance == pytest.approx(max(left, 0.0))
    alike = np.array([[1.0, 3.0], [3.0, 1.0], [1.0, 3.0]])
    assert components.day_component(alike).components[0].set_to_zero
    assert ask("components", "day from your table", table=alike).check("0").right


def test_every_plan_measures_as_often() -> None:
    plans = components.plans_of(12)
    assert all(days * repeats == 12 for days, repeats in plans)
    spreads = [components.plan_spread(1.0, 1.0, *plan) for plan in plans]
    assert spreads == sorted(spreads, reverse=True), "for the same number of results more days are never worse"


def test_the_mornings_stand_behind_the_study() -> None:
    material = gather_record()
    study = components.laboratory_studies(material)[-1]
    mornings = components.laboratory_mornings(material, study)
    assert 2 * len(mornings) == study.number
    assert mornings.groupby("instrument").mean().to_numpy() == pytest.approx(0.0, abs=1e-12)


def test_results_of_two_days_a_little_beyond_r_are_within_the_limit_of_two_days() -> None:
    for seed in range(200):
        draft = next(one for one in drafts_of("components").test if one.name == "which limit")
        question = draft(np.random.default_rng(seed))
        apart = float(question.text.split(" % apart")[0].rsplit(" ", 1)[1])
        limit = float(question.explanation.rsplit(": ", 1)[1].removesuffix(" %."))
        assert apart < limit


# --- Yes or no ---


@pytest.mark.parametrize("distance", [-2.0, -0.5, 0.0, 1.0, 1.6448536269514722])
def test_how_sure_a_yes_is(distance: float) -> None:
    """statistics.NormalDist of Python's own library."""
    assert conformity.probability_inside(distance) == pytest.approx(NORMAL.cdf(distance))
    assert conformity.acceptance_share(distance, 0.5) == pytest.approx(NORMAL.cdf(distance - 0.5))
    assert pytest.approx(NORMAL.inv_cdf(0.95), abs=1e-12) == conformity.ONE_SIDED_95


@pytest.mark.parametrize("guard", [-1.0, 0.0, 0.7])
def test_risks_by_integration_over_the_lots(guard: float) -> None:
    """scipy.integrate over the true values: share of lots outside times their chance of acceptance."""
    u, spread = CASE.standard_uncertainty, CASE.process_deviation

    def accepted(true: float) -> float:
        return NORMAL.cdf((CASE.limit - guard * CASE.expanded_uncertainty - true) / u)

    def density(true: float) -> float:
        return NormalDist(CASE.process_mean, spread).pdf(true)

    consumer, producer = conformity.risks(CASE, guard)
    low, high = CASE.process_mean - 8.0 * spread, CASE.limit + 8.0 * spread
    bad = integrate.quad(lambda true: density(true) * accepted(true), CASE.limit, high)[0]
    good = integrate.quad(lambda true: density(true) * (1.0 - accepted(true)), low, CASE.limit)[0]
    assert [consumer, producer] == pytest.approx([bad, good], abs=1e-7)


@pytest.mark.parametrize("rule", DECISION_RULES.values(), ids=DECISION_RULES)
def test_no_verdict_gets_better_beyond_a_limit(rule: object) -> None:
    order = {"met": 0, "doubtful": 1, "not met": 2}
    values = np.round(np.arange(49.8, 51.4, 0.01), 2).tolist()
    verdicts = [order[conformity.verdict(CASE, rule, value)] for value in values]  # type: ignore[arg-type]
    assert verdicts == sorted(verdicts)
    assert {verdicts[0], verdicts[-1]} == {0, 2}


def test_the_results_of_the_table_tell_the_rules_apart() -> None:
    rows = conformity.rule_table(CASE)
    assert {verdict for row in rows for verdict in row[3:4]} == {"met", "doubtful", "not met"}
    assert len({row[1:] for row in rows}) == len(rows), "no two rules say the same to all five"


def test_the_case_of_the_laboratory_is_the_one_of_its_settings() -> None:
    case = conformity.laboratory_case(gather_record(), "HX46")
    assert (case.limit, case.decimals, case.usual_mean, case.process_deviation) == (50.6, 1, 46.12, 0.42)
    assert 0.0 < case.expanded_uncertainty < case.reproducibility
    question = ask("conformity", "price of a guard band", case=case)
    assert question.right == 2
    assert len(set(question.options)) == 3


def test_an_acceptance_limit_leaves_one_in_twenty() -> None:
    question = ask("conformity", "your acceptance limit", limit=50.6, U=0.30)
    assert conformity.acceptance_share(0.0, (50.6 - question.answer) / 0.15) == pytest.approx(0.05)
    assert not question.check(str(50.6 - 1.96 * 0.15)).right


# --- The odd one out ---


def gaps_of_three(second: float, first: float) -> float:
    """Joint density of the two gaps of three ordered standard normal values."""
    return 6.0 / (2.0 * math.pi * math.sqrt(3.0)) * math.exp(-(first**2 + first * second + second**2) / 3.0)


@pytest.mark.parametrize("times", [1.0, 2.0, 10.0])
def test_the_share_of_far_thirds_by_integration(times: float) -> None:
    """scipy.integrate over the gaps."""
    one_side = integrate.dblquad(gaps_of_three, 0.0, 12.0, lambda first: times * first, 14.0)[0]
    assert outliers.share_farther(times) == pytest.approx(2.0 * one_side, abs=1e-5)


def test_grubbs_limit_of_three_as_a_ratio_of_gaps() -> None:
    """Three values with that ratio lie at the limit of Grubbs' test, whose tables print 1.155 at 5 % (two-sided)."""
    gap = outliers.grubbs_gap()
    assert grubbs_test([0.0, 1.0, 1.0 + gap]).statistic == pytest.approx(float(grubbs_limit(3)), rel=1e-9)
    assert outliers.share_farther(gap) == pytest.approx(0.05, rel=1e-6)


def test_the_median_of_three_by_integration() -> None:
    """scipy.integrate over the density 6 φ Φ (1 − Φ); its variance is printed as 0.4487 (David, Order Statistics)."""
    variance = integrate.quad(lambda x: 6.0 * x**2 * NORMAL.pdf(x) * NORMAL.cdf(x) * NORMAL.cdf(-x), -9.0, 9.0)[0]
    assert outliers.spread_of_median() ** 2 == pytest.approx(variance)
    assert round(variance, 4) == 0.4487


def test_the_two_closest_by_integration() -> None:
    """scipy.integrate over the gaps: mean gap of the closest over √2, and the variance about the mean of three."""
    gap = 2.0 * integrate.dblquad(lambda b, a: a * gaps_of_three(b, a), 0.0, 12.0, lambda a: a, 14.0)[0]
    assert outliers.deviation_of_closest() == pytest.approx(gap / math.sqrt(2.0), abs=1e-5)
    third = integrate.dblquad(lambda b, a: ((a + 2.0 * b) / 6.0) ** 2 * gaps_of_three(b, a), 0, 12, lambda a: a, 16.0)
    assert outliers.spread_of_closest() ** 2 == pytest.approx(1.0 / 3.0 + 2.0 * third[0], abs=1e-5)


def test_the_mean_of_the_closest_set_by_set() -> None:
    sets = np.random.default_rng(5).normal(size=(200, 3))
    for one, found in zip(sets, outliers.closest_mean(sets), strict=True):
        pairs = [(abs(one[i] - one[j]), (one[i] + one[j]) / 2.0) for i, j in ((0, 1), (0, 2), (1, 2))]
        assert found == pytest.approx(min(pairs)[1])


@pytest.mark.parametrize("number", [3, 4, 6, 10])
@pytest.mark.parametrize("off", [0.0, 3.0, 10.0])
def test_what_grubbs_finds(number: int, off: float) -> None:
    """scipy.stats, noncentral t; and Grubbs' test itself, set by set, within four standard errors."""
    limit, degrees = float(grubbs_limit(number)), number - 2
    t = math.sqrt(number * degrees * limit**2 / ((number - 1) ** 2 - number * limit**2))
    share = outliers.found_share(number, off)
    upper = stats.nct.sf(t, degrees, off * math.sqrt((number - 1) / number))
    lower = stats.nct.sf(t, degrees, -off * math.sqrt((number - 1) / number))
    assert share == pytest.approx(upper + (0.0 if math.isnan(lower) else lower), abs=1e-6)
    sets = np.random.default_rng([7, number]).standard_normal((400, number))
    sets[:, 0] += off
    tests = [grubbs_test(one) for one in sets]
    hits = np.mean([one.places == (0,) and one.statistic > one.limit_5_percent for one in tests])
    assert abs(hits - share) <= 4.0 * math.sqrt(share * (1.0 - share) / 400.0) + 1e-9


@pytest.mark.parametrize("number", range(6, 11))
def test_two_far_ones_hide_each_other(number: int) -> None:
    """Derivation; by Grubbs' tests themselves the test of one finds nothing, the test of two both."""
    values = [*np.linspace(-1.0, 1.0, number - 2), 1e6, 1e6]
    found = grubbs_test(values)
    assert found.statistic == pytest.approx(outliers.masked_statistic(number), rel=1e-5)
    assert found.standing == "within"
    assert grubbs_pair_test(values, "highest").standing == "outlier"


def test_each_test_of_the_groups_finds_its_own_fault() -> None:
    groups = outliers.draw_groups()
    cochran, grubbs = outliers.tests_of(groups)
    assert (cochran.places, cochran.standing) == ((2,), "outlier")
    assert (grubbs.places, grubbs.standing) == ((5,), "outlier")


def test_the_strategy_by_repeatability_is_the_rule_for_repeats() -> None:
    """``acceptable_result``, set by set, in units of s: two results, or all four where it asks for more."""
    r = limit_factor()
    sets = np.random.default_rng(8).normal(0.0, 1.4, (500, 4))
    reported = outliers.STRATEGIES["two; beyond r, two more"](sets)
    rules = set()
    for one, value in zip(sets, reported, strict=True):
        first = acceptable_result(one[:2], r)
        decided = acceptable_result(one, r) if first.more else first
        rules.add((decided.rule, first.more))
        assert value == pytest.approx(decided.value)
    assert rules == {("mean", 0), ("mean", 2), ("median", 2)}


def test_own_repeats_disagree_at_first_and_end_by_either_rule() -> None:
    rules = []
    for seed in range(100):
        four = outliers.draw_repeats(np.random.default_rng(seed), 0.20)
        assert acceptable_result(four[:2], 0.20).more == 2
        rules.append(acceptable_result(four, 0.20).rule)
    assert 25 < rules.count("median") < 75
    assert rules.count("mean") == 100 - rules.count("median")


def test_good_results_are_best_kept_and_gross_errors_best_not_averaged() -> None:
    """What the lesson says of the four ways: by simulation, with the theory at both ends where there is one."""
    kept, dropped, median = (
        outliers.error_of(name, 0.0) for name in ("mean of three", "drop the odd one of three", "median of three")
    )
    expected = [1.0 / math.sqrt(3.0), outliers.spread_of_closest(), outliers.spread_of_median()]
    assert [kept, dropped, median] == pytest.approx(expected, rel=0.01)
    large = {name: outliers.error_of(name, 10.0) for name in outliers.STRATEGIES}
    assert list(large.values()) == sorted(large.values(), reverse=True), "in the order in which they are told"


def test_what_is_reported_has_to_be_told_apart() -> None:
    question = ask("outliers", "your result", four=np.array([46.40, 46.10, 46.12, 46.08]), r=0.20)
    assert question.check("46.11").right, "the median: they lie farther apart than 0.262"
    assert not question.check("46.175").right, "the mean"
    assert not question.check("46.10").right, "the mean of the three that agree"
