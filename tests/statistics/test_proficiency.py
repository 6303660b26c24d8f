"""Scores of a proficiency test: by hand, at the edges of the words, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st

from labcalc.statistics import (
    algorithm_a,
    en_score,
    proficiency_round,
    score_words,
    scores_together,
    zeta_score,
)
from labcalc.statistics.decisions.proficiency import robust_mean_uncertainty, z_score


def test_scores_by_hand() -> None:
    """ISO 13528 (memory), worked by hand: distance 1.2; σ_pt 0.4, u(x_pt) 0.3, u(x) 0.4, U twice that."""
    assert z_score(11.2, 10.0, 0.4) == pytest.approx(3.0)
    assert z_score(11.2, 10.0, 0.4, 0.3) == pytest.approx(2.4)
    assert zeta_score(11.2, 10.0, 0.4, 0.3) == pytest.approx(2.4)
    assert en_score(11.2, 10.0, 0.8, 0.6) == pytest.approx(1.2)


def test_words_change_at_two_and_three() -> None:
    scores = [0.0, 2.0, -2.0, 2.0 + 1e-6, -2.999, 3.0, -7.0, np.nan]
    assert score_words(scores).tolist() == [*["acceptable"] * 3, *["warning"] * 2, *["action"] * 2, "not scored"]
    assert score_words([1.0, -1.0, 1.001, np.nan], en=True).tolist() == [
        "acceptable",
        "acceptable",
        "action",
        "not scored",
    ]
    assert score_words(2.5).shape == ()
    assert score_words([(46.4 - 46.1) / 0.1, (850.2 - 850.0) / 0.1]).tolist() == ["action", "acceptable"], "3 and 2"


@pytest.mark.parametrize(("uncertainty", "score"), [(0.0, "z"), (0.3, "z"), (0.3001, "z′"), (np.nan, "z")])
def test_the_assigned_value_s_uncertainty_counts_above_three_tenths(uncertainty: float, score: str) -> None:
    """ISO 13528, 9.2.1 (memory): u(x_pt) up to 0.3 σ_pt is negligible."""
    found = proficiency_round([10.0, 12.0, 9.0], assigned=10.0, deviation=1.0, assigned_uncertainty=uncertainty)
    assert found.score == score
    expected = 2.0 if score == "z" else 2.0 / np.hypot(1.0, uncertainty)
    assert found.scores[1] == pytest.approx(expected)
    assert {"z": "at most 0.3 σ_pt", "z′": "above 0.3 σ_pt and counts"}[score] in str(found.reason) or np.isnan(
        uncertainty
    )
    if np.isnan(uncertainty):
        assert str(found.reason) == "the uncertainty of the assigned value isn't known"


def test_a_round_from_its_own_results() -> None:
    results = np.random.default_rng(3).normal(46.0, 0.2, (25, 2))
    results[0] = 50.0
    results[3, 1] = np.nan
    found, robust = proficiency_round(results), algorithm_a(results)
    assert found.from_results
    assert found.assigned == pytest.approx(robust.mean)
    assert found.deviation == pytest.approx(robust.deviation)
    assert found.assigned_uncertainty == pytest.approx(1.25 * robust.deviation / np.sqrt([25, 24]))
    assert found.score.tolist() == ["z", "z"]
    assert found.words[0].tolist() == ["action", "action"]
    assert found.words[3, 1] == "not scored"
    few = proficiency_round(results[:12, 0])
    assert few.score == "z′"


def test_levels_may_differ_in_what_is_given() -> None:
    results = np.array([[10.0, 100.0], [10.4, 104.0], [9.9, 99.0], [10.1, 97.0]])
    found = proficiency_round(results, assigned=[10.0, 100.0], deviation=[0.2, 2.0], assigned_uncertainty=[0.05, 1.0])
    assert found.score.tolist() == ["z", "z′"]
    assert found.scores[1] == pytest.approx([2.0, 4.0 / np.hypot(2.0, 1.0)])
    assert not found.from_results
    spread = proficiency_round(results, assigned=[10.0, 100.0])
    assert spread.deviation == pytest.approx(algorithm_a(results).deviation)


def test_good_laboratories_score_beyond_two_as_often_as_stated() -> None:
    """Simulated, 4000 rounds of 30 with σ_pt true and x_pt known: 4.55 % beyond 2, 0.27 % from 3 on (error 0.06 %)."""
    drawn = np.random.default_rng(8).standard_normal((30, 4000))
    words = proficiency_round(drawn, assigned=0.0, deviation=1.0, assigned_uncertainty=0.0).words
    assert np.mean(words != "acceptable") == pytest.approx(0.0455, abs=0.0025)
    assert np.mean(words == "action") == pytest.approx(0.0027, abs=0.0006)


def test_a_robust_spread_calls_one_of_twenty_beyond_two() -> None:
    drawn = np.random.default_rng(9).standard_normal((30, 3000))
    assert np.mean(proficiency_round(drawn).words != "acceptable") == pytest.approx(0.05, abs=0.01)


def test_zeta_and_en_of_honest_claims() -> None:
    """Simulated, 40 000: with uncertainties as stated 4.55 % of ζ are beyond 2, as many E_n beyond 1 (error 0.1 %)."""
    random = np.random.default_rng(10)
    result, assigned = random.normal(0.0, 0.4, 40_000), random.normal(0.0, 0.3, 40_000)
    zeta, en = zeta_score(result, assigned, 0.4, 0.3), en_score(result, assigned, 0.8, 0.6)
    assert np.mean(score_words(zeta) != "acceptable") == pytest.approx(0.0455, abs=0.004)
    assert np.mean(score_words(en, en=True) == "action") == pytest.approx(0.0455, abs=0.004)


def test_the_uncertainty_of_a_robust_mean_is_safe() -> None:
    """Simulated, 4000 rounds of 20: x* scatters by less than 1.25 σ/√p, and by more than σ/√p."""
    means = algorithm_a(np.random.default_rng(11).standard_normal((20, 4000))).mean
    assert 0.97 / np.sqrt(20) < np.std(means) < float(robust_mean_uncertainty(1.0, 20))


@given(st.floats(-5.0, 5.0), st.floats(0.01, 100.0), st.floats(-100.0, 100.0))
def test_scores_have_no_unit(distance: float, scale: float, shift: float) -> None:
    moved = zeta_score(scale * distance + shift, shift, scale * 0.4, scale * 0.3)
    assert moved == pytest.approx(zeta_score(distance, 0.0, 0.4, 0.3), rel=1e-6, abs=1e-9 * (1.0 + 100.0 / scale))


def test_refusals() -> None:
    with pytest.raises(ValueError, match="standard deviation for assessment 0: more than 0 was expected"):
        z_score(10.0, 10.0, 0.0)
    with pytest.raises(ValueError, match="an uncertainty below 0: 0 or more was expected"):
        zeta_score(10.0, 10.0, -0.1, 0.1)
    with pytest.raises(ValueError, match="combined uncertainty 0: more than 0 was expected"):
        en_score(10.0, 10.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="no assigned value: give both or neither"):
        proficiency_round([1.0, 2.0, 3.0], assigned_uncertainty=0.1)
    with pytest.raises(ValueError, match="standard deviation for assessment 0: more than 0 was expected"):
        proficiency_round([1.0, 1.0, 1.0, 1.0])


def test_every_uncertainty_counts_and_is_asked_for() -> None:
    """By hand: 1.25 · 0.4/√25 = 0.1 (ISO 13528, 7.7.3, memory); signs; either uncertainty may be 0, not below."""
    assert robust_mean_uncertainty(0.4, 25) == pytest.approx(0.1)
    assert zeta_score(9.0, 10.0, 0.0, 0.5) == pytest.approx(-2.0)
    assert zeta_score(9.0, 10.0, 0.5, 0.0) == pytest.approx(-2.0)
    assert z_score([9.0, 12.0], 10.0, 0.5).tolist() == [-2.0, 4.0]
    for call in (lambda: zeta_score(1.0, 1.0, 0.1, -0.1), lambda: z_score(1.0, 1.0, -0.1, 0.1)):
        with pytest.raises(ValueError, match=r"0 or more was expected|more than 0 was expected"):
            call()


def test_what_is_given_is_taken() -> None:
    given = proficiency_round([1.0, 2.0, 3.0, 4.0], deviation=2.0)
    robust = algorithm_a([1.0, 2.0, 3.0, 4.0])
    assert (given.deviation, given.assigned, given.from_results) == (2.0, robust.mean, True)
    assert given.assigned_uncertainty == pytest.approx(1.25 * float(robust.deviation) / 2.0)
    assert (str(given.score), str(given.reason)) == (
        *("z′", "the uncertainty of the assigned value is above 0.3 σ_pt and counts"),
    )
    sure = proficiency_round([1.0, 2.0], assigned=1.0, deviation=1.0, assigned_uncertainty=0.1)
    assert (sure.assigned, sure.assigned_uncertainty, sure.from_results) == (1.0, 0.1, False)
    assert sure.words.tolist() == ["acceptable", "acceptable"]


def test_four_rounds_together_by_hand() -> None:
    """z 1.2 1.6 0.9 1.8: Σz/√4, Σz², EWMA 0.4 and 3 √(0.25 (1 − 0.6^2i)) by hand; p of χ²(4) and t(3) from tables."""
    found = scores_together([1.2, 1.6, 0.9, 1.8])
    assert (found.mean, found.rescaled_sum, found.sum_of_squares) == pytest.approx((1.375, 2.75, 8.05))
    assert found.ewma == pytest.approx([0.48, 0.928, 0.9168, 1.27008])
    assert found.ewma_limits == pytest.approx([1.2, 1.3994, 1.4646, 1.4873], abs=1e-4)
    assert found.p_sum_of_squares == pytest.approx(0.0898, abs=1e-4)
    assert found.p_bias == pytest.approx(0.00644, abs=1e-5)
    assert found.steady_bias
    assert not scores_together([2.5]).steady_bias
    assert np.isnan(scores_together([1.0, 1.2]).p_bias)
    assert scores_together([3.1]).steady_bias  # RSZ of one round is its z


@pytest.mark.parametrize("number", [4, 8, 20])
def test_how_often_a_steady_bias_is_cried(number: int) -> None:
    """Simulated, 3000 laboratories: at most 2 % without bias, at any own scatter; a bias is found by small scatter."""
    drawn = np.random.default_rng(number).standard_normal((3000, number))
    for scatter in (0.5, 1.0):
        assert np.mean([scores_together(scatter * one).steady_bias for one in drawn]) < 0.02
    assert np.mean([scores_together(1.0 + 0.4 * one).steady_bias for one in drawn]) > 0.45
