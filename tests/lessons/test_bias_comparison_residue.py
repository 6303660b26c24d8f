"""Certificates, two instruments, residues, and what lessons 4 and 5 say of limits: by other libraries and other draws.

The draws here are none of the lessons': other generators (``random`` of Python, Philox), other ways to the same number.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import integrate, special, stats

from labcalc.judgement import gather_record
from labcalc.lessons import LESSONS, ask, averages, bias, charts, comparison, draft_named, repeats, residue, sureness
from labcalc.lessons.repeats import limit_factor

PHILOX = np.random.Generator(np.random.Philox(20))


def within(share: float, theory: float, cases: int, errors: float = 4.0) -> bool:
    return abs(share - theory) <= errors * math.sqrt(theory * (1.0 - theory) / cases)


# --- What lessons 4 and 5 say of limits ---


def baselines(results: int, cases: int) -> tuple[np.ndarray, np.ndarray]:
    """Centre and sigma of baselines by the NIST/SEMATECH handbook, 6.3.2.2: mean moving range over 1.128."""
    drawn = PHILOX.standard_normal((cases, results))
    ranges = sum(np.abs(drawn[:, i + 1] - drawn[:, i]) for i in range(results - 1)) / (results - 1)
    return drawn.mean(axis=1), ranges / 1.128


def test_a_limit_from_fifteen_moving_ranges_is_uncertain_by_077_sigma() -> None:
    centre, sigma = baselines(15, 200_000)
    found = float(np.std(centre + 3.0 * sigma))
    assert sureness.spread_of_range_limit(15) == pytest.approx(found, rel=0.005)
    assert round(sureness.spread_of_range_limit(15), 2) == 0.77


def test_fifteen_moving_ranges_give_14_to_15_false_alarms_in_a_thousand() -> None:
    """14.6 by simulation; the theory, by Student's distribution, is 2 % to 3 % above it."""
    centre, sigma = baselines(15, 400_000)
    rate = 1000.0 * float(np.mean(stats.norm.cdf(centre - 3.0 * sigma) + stats.norm.sf(centre + 3.0 * sigma)))
    assert rate == pytest.approx(14.6, abs=0.2)
    assert 1000.0 * sureness.false_alarm_of_range_limits(15) == pytest.approx(rate, rel=0.04)
    caption = sureness.plot_limits(15).caption
    assert "0.77 σ" in caption
    assert 14.0 < float(caption.split("true limits, ")[1].split(" over")[0]) < 15.3


def test_limits_and_ewma_on_one_chart_by_a_chart_drawn_result_by_result() -> None:
    """Python's ``random``; 1500 charts, so within four standard errors of about 6 results."""
    generator, lengths = random.Random(3), []
    for _ in range(1500):
        average = length = 0
        while True:
            length += 1
            x = generator.gauss(0.0, 1.0)
            average = 0.4 * x + 0.6 * average
            if abs(x) > 3.0 or abs(average) > 3.0 * math.sqrt(0.4 / 1.6):
                break
        lengths.append(length)
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert abs(np.mean(lengths) - averages.delay_of_both(0.0)) < 4.0 * error
    assert round(averages.delay_of_both(0.0)) == 235
    assert "every 235 results" in ask("averages", "large shift").explanation


def test_the_chart_of_lesson_5_says_where_its_sigma_comes_from() -> None:
    chart = charts.laboratory_charts(gather_record(), "VD-2", "Reference oil thick", 40.0)[-1]
    assert chart.limits is not None
    assert (chart.limits.sigma_from, chart.limits.sigma_degrees_of_freedom) == ("old lot", 44.0)


def test_grubbs_statistic_is_of_results_and_never_beyond_what_can_be() -> None:
    """(n − 1)/√n is the most it can come to (Pearson and Chandra Sekar 1936; memory)."""
    draft = next(one for one in LESSONS[8].drafts.test if one.name == "Grubbs' statistic")
    for seed in range(200):
        question = draft(np.random.default_rng(seed))
        results = [float(one) for one in question.text.split(": ")[1].split(" mm²/s")[0].split(", ")]
        z = np.abs(stats.zscore(results, ddof=1)).max()
        assert question.check(f"{z:.2f}").right
        assert z <= (len(results) - 1) / math.sqrt(len(results)) + 1e-9


def test_captions_keep_their_commas_beside_grouped_numbers() -> None:
    assert repeats.plot_pooled(5).caption.startswith("20\u202f000 laboratories, each with 5 pairs: ")


# --- A bias against a certificate ---


@pytest.mark.parametrize(("shift", "n", "u"), [(0.0, 5, 0.3), (1.0, 4, 0.5), (0.7, 25, 1.0)])
def test_how_often_a_bias_is_found(shift: float, n: int, u: float) -> None:
    """scipy.stats for theory, and results drawn one by one, with a certificate drawn for each check."""
    total = math.sqrt(1.0 / n + u * u)
    theory = stats.norm.sf(1.959964, shift / total) + stats.norm.cdf(-1.959964, shift / total)
    assert bias.found_bias(shift, n, u) == pytest.approx(theory, abs=1e-6)
    means = (shift + PHILOX.standard_normal((40_000, n))).mean(axis=1)
    certificates = u * PHILOX.standard_normal(40_000)
    assert within(float(np.mean(np.abs(means - certificates) > 1.959964 * total)), theory, 40_000)


def test_a_forgotten_certificate_finds_what_is_not_there() -> None:
    means = PHILOX.standard_normal((40_000, 25)).mean(axis=1)
    certificates = PHILOX.standard_normal(40_000)
    share = float(np.mean(np.abs(means - certificates) > 1.959964 / 5.0))
    assert within(share, bias.false_share(25, 1.0), 40_000)
    assert bias.false_share(25, 0.0) == pytest.approx(0.05)


@pytest.mark.parametrize("scatter", [0.05, 0.1, 0.3, 0.5])
@pytest.mark.parametrize("place", [0.0, 0.2, 0.25, 0.5, 0.9])
def test_the_mean_of_rounded_results_by_the_normal_distribution(place: float, scatter: float) -> None:
    """Derivation by another way: the sum over all numbers shown, each with its probability (scipy.stats)."""
    shown = np.arange(-9, 11)
    shares = np.diff(stats.norm.cdf(np.arange(-9.5, 11.0), place, scatter))
    assert bias.rounded_bias(place, scatter) == pytest.approx(float(shown @ shares) - place, abs=2e-3)


def test_a_rounded_number_is_uncertain_by_a_step_over_root_twelve() -> None:
    """JCGM 100:2008, F.2.2.1."""
    draft = next(one for one in LESSONS[9].drafts.test if one.name == "uncertainty of a last digit")
    question = draft(np.random.default_rng(2))
    step = float(question.text.split("steps of ")[1].split(" ")[0])
    assert question.check(f"{step * 0.2886751:.6f}").right
    assert not question.check(f"{step / math.sqrt(3.0):.6f}").right


# --- Two instruments, and a round ---


@pytest.mark.parametrize("number", [3, 5, 10])
def test_the_next_difference(number: int) -> None:
    """scipy.stats; and drawn with another generator."""
    t = stats.t.ppf(0.975, number - 1)
    assert comparison.next_half_width(2.0, number) == pytest.approx(2.0 * t * math.sqrt(1.0 + 1.0 / number))
    theory = 1.0 - 2.0 * stats.t.sf(1.959964 / math.sqrt(1.0 + 1.0 / number), number - 1)
    assert comparison.coverage_of_plain(number) == pytest.approx(theory, abs=1e-6)
    drawn = PHILOX.standard_normal((40_000, number + 1))
    known = drawn[:, :-1]
    held = np.abs(drawn[:, -1] - known.mean(axis=1)) <= 1.959964 * known.std(axis=1, ddof=1)
    assert within(float(held.mean()), theory, 40_000)


def test_warnings_by_chance_as_iso_13528_has_them() -> None:
    """ISO 13528: about 5 % of z beyond 2 and 0.3 % beyond 3; by scipy.stats for eight properties."""
    assert comparison.any_beyond(1) == pytest.approx(0.0455, abs=5e-5)
    assert comparison.any_beyond(1, 3.0) == pytest.approx(0.0027, abs=5e-5)
    assert comparison.any_beyond(8) == pytest.approx(1.0 - stats.binom.pmf(0, 8, 2.0 * stats.norm.sf(2.0)))


def test_what_samples_differ_by_falls_out_of_pairs() -> None:
    oils = 10.0 * PHILOX.standard_normal((20_000, 10))
    first, second = oils + PHILOX.standard_normal((2, 20_000, 10))
    paired = float((first - second).mean(axis=1).std())
    assert comparison.mean_difference_spread(10, 10.0, paired=True) == pytest.approx(paired, rel=0.03)
    apart = float((first.mean(axis=1)[:10_000] - second.mean(axis=1)[10_000:]).std())
    assert comparison.mean_difference_spread(10, 10.0, paired=False) == pytest.approx(apart, rel=0.03)


def test_differences_of_the_sample_laboratory_are_by_oil_lot_and_day() -> None:
    found = comparison.oil_differences(gather_record())
    assert found.size > 100
    assert np.abs(found).max() < 1.5, "no result that a decision excludes is among them"
    assert abs(found.mean()) < 0.1


# --- A residue ---


@pytest.mark.parametrize(("oil", "before", "share"), [(10.0, 460.0, 0.005), (460.0, 10.0, 0.005), (46.0, 32.0, 0.01)])
def test_a_residue_by_the_chart_s_ordinates(oil: float, before: float, share: float) -> None:
    """By hand: lg lg (ν + 0.7) of both weighed by volume (ASTM D7152, double-log blending; memory)."""
    W = (1.0 - share) * math.log10(math.log10(oil + 0.7)) + share * math.log10(math.log10(before + 0.7))
    blend = 10.0 ** (10.0**W) - 0.7
    assert residue.error_of_residue(oil, before, share) == pytest.approx(100.0 * (blend / oil - 1.0), rel=1e-3)
    assert residue.error_of_residue(oil, oil, share) == pytest.approx(0.0, abs=1e-9)


def test_a_residue_moves_a_thin_oil_by_its_own_share_where_the_oil_before_is_three_times_as_thick() -> None:
    """ASTM D341's ordinate, written out: W(33) − W(10) is its slope against ln ν at 10 mm²/s."""
    w = [math.log10(math.log10(nu + 0.7)) for nu in (10.0, 33.0, 9.999, 10.001)]
    slope = (w[3] - w[2]) / math.log(10.001 / 9.999)
    assert (w[1] - w[0]) / slope == pytest.approx(1.0, abs=0.01)
    assert residue.error_of_residue(10.0, 33.0, 0.005) == pytest.approx(0.5, abs=0.01)


def test_rinses_by_mixing_a_cell_again_and_again() -> None:
    """Another physics: a cell that is filled and emptied, of which a fifth always stays, well mixed."""
    old = 1.0
    for number in range(1, 4):
        old = 0.2 * old / (0.2 + 0.8)
        assert residue.left_after(0.2, number) == pytest.approx(old)


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.0, 3.5])
def test_what_a_residue_does_to_pairs(shift: float) -> None:
    """scipy.integrate over the second fill."""
    r = limit_factor()

    def higher(second: float) -> float:
        return stats.norm.pdf(second) * stats.norm.sf(second - shift)

    def beyond(second: float) -> float:
        return stats.norm.pdf(second) * (stats.norm.sf(second + r - shift) + stats.norm.cdf(second - r - shift))

    assert residue.sign_share(shift) == pytest.approx(integrate.quad(higher, -9.0, 9.0)[0], abs=1e-7)
    assert residue.beyond_by_residue(shift) == pytest.approx(integrate.quad(beyond, -9.0, 9.0)[0], abs=1e-7)


@pytest.mark.parametrize(("pairs", "side"), [(10, 9), (15, 12), (6, 6), (8, 4)])
def test_the_sign_test_by_counting(pairs: int, side: int) -> None:
    """All ways in which the pairs may fall, counted; Python's math.comb."""
    ways = 2 * sum(math.comb(pairs, k) for k in range(side, pairs + 1))
    assert residue.share_of_signs(pairs, side) == pytest.approx(min(1.0, ways / 2**pairs))
    assert special.bdtr(pairs, pairs, 0.5) == 1.0


# --- The last task, on the learner's own record ---


@pytest.mark.parametrize("lesson", [lesson.name for lesson in LESSONS])
def test_each_lesson_ends_with_a_task_on_the_own_record(lesson: str) -> None:
    material = gather_record()
    assert draft_named(lesson, "own").lacks(material=material) == ""
    question = ask(lesson, "own", material=material)
    assert question.check(question.answer_text).right
    assert "nan" not in question.text + question.explanation
    assert "{" not in question.text
