"""How causes are weighed, by brute force and closed forms: likelihoods, posteriors, predictions, next measurements."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from labcalc.errors import EvidenceError
from labcalc.judgement.causes import Candidate, Evidence, candidates, expected_outcomes, rank_causes, what_if
from labcalc.judgement.causes.evidence import HouseProduct, Row
from labcalc.judgement.causes.expectation import Course, Node
from labcalc.judgement.causes.likelihood import (
    PIECE_MASSES,
    Along,
    Whitener,
    along,
    best_size,
    log_sum,
    posterior_of_size,
)
from labcalc.judgement.causes.next_measurement import Discrimination, probability_of_deciding
from labcalc.judgement.causes.paths import DEVIATIONS, PIECES, Paths, Stack
from labcalc.judgement.causes.prediction import predict
from labcalc.judgement.causes.ranking import THIRDS, Fit, Weighed, fits_of, weigh, weigh_alike
from labcalc.judgement.causes.shifts import shifts_of, slips_of
from labcalc.judgement.causes.surroundings import InstrumentBias
from tests.judgement.causes_by_hand import (
    BEFORE,
    FOUR,
    KV,
    OIL,
    RHO,
    TYPICAL,
    Array,
    measured,
    paths,
    row,
    run_of,
    usual,
)

LN19 = math.log(19.0)


def fit_of(weighed: Weighed, cause: str) -> Fit:
    return next(fit for fit in fits_of(weighed) if fit.cause == cause)


def normal(deviation: Array, covariance: Array) -> float:
    return float(stats.multivariate_normal(np.zeros(len(deviation)), covariance).logpdf(deviation))


# --- Likelihoods ---


def test_the_density_of_correlated_rows() -> None:
    covariance = np.array([[4.0, 1.0, 0.5], [1.0, 9.0, -2.0], [0.5, -2.0, 1.0]])
    deviation = np.array([1.0, -2.0, 0.3])
    whitener = Whitener.of(covariance)
    assert float(whitener.log_density(deviation)) == pytest.approx(normal(deviation, covariance))
    many = Whitener.of(np.stack([covariance, 2.0 * covariance]))
    both = many.log_density(np.stack([deviation, -deviation]))
    assert both.tolist() == pytest.approx([normal(deviation, covariance), normal(deviation, 2.0 * covariance)])
    assert float(many.of_run(1).log_density(deviation)) == pytest.approx(both[1])


def test_the_pieces_hold_a_normal_size() -> None:
    cdf = stats.norm.cdf(DEVIATIONS)
    assert pytest.approx(np.diff(cdf) / (cdf[-1] - cdf[0])) == PIECE_MASSES
    assert PIECE_MASSES.size == PIECES


def one_path(effects: Array, sizes: Array | None = None) -> Paths:
    sizes = np.linspace(1.0, 2.0, PIECES + 1) if sizes is None else sizes
    return Paths("x", ("",), np.array([1.0]), sizes[np.newaxis], effects[np.newaxis])


@pytest.mark.parametrize("deviation", [(0.5, 0.2), (-3.0, 1.0), (8.0, 8.0), (40.0, -60.0), (1.0, 1.0)])
def test_the_likelihood_along_a_path(deviation: tuple[float, float]) -> None:
    """∫ N(u; effect(z), I) φ(z) dz over ±3, piece by piece by quadrature, also far out."""
    z = DEVIATIONS
    effects = np.column_stack([np.exp(0.3 * z), 0.2 * z**2])
    unit, away = Whitener.of(np.eye(2)), np.array(deviation)
    found = along(one_path(effects), away, unit)

    def nearest(t: float, piece: int) -> float:
        point = effects[piece] + t * (effects[piece + 1] - effects[piece])
        return float(((away - point) ** 2).sum())

    least = min(nearest(t, piece) for piece in range(PIECES) for t in np.linspace(0.0, 1.0, 11))
    parts = [
        PIECE_MASSES[piece] * integrate.quad(lambda t, p=piece: math.exp(-0.5 * (nearest(t, p) - least)), 0.0, 1.0)[0]
        for piece in range(PIECES)
    ]
    expected = math.log(sum(parts)) - 0.5 * least - math.log(2.0 * math.pi)
    assert float(found.log_likelihood[0]) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    for piece in range(PIECES):
        grid = [nearest(t, piece) for t in np.linspace(0.0, 1.0, 2001)]
        assert found.nearest[0, piece] == pytest.approx(min(grid), rel=1e-5, abs=1e-6)
        assert found.share[0, piece] == pytest.approx(np.argmin(grid) / 2000.0, abs=6e-4)


def test_a_piece_without_length_is_a_point() -> None:
    found = along(one_path(np.zeros((PIECES + 1, 2))), np.array([1.0, 2.0]), Whitener.of(np.eye(2)))
    assert float(found.log_likelihood[0]) == pytest.approx(-2.5 - math.log(2.0 * math.pi), abs=1e-6)
    assert found.nearest[0] == pytest.approx([5.0] * PIECES)


def test_the_nearest_size_lies_between_its_nodes() -> None:
    """A straight path from (0, 0) to (20, 0), a unit a piece: (7.25, 3) is nearest at 7.25, 9 away."""
    effects = np.column_stack([np.arange(PIECES + 1.0), np.zeros(PIECES + 1)])
    found = along(one_path(effects, np.arange(PIECES + 1.0) * 10.0), np.array([7.25, 3.0]), Whitener.of(np.eye(2)))
    size, effect, misfit = best_size(one_path(effects, np.arange(PIECES + 1.0) * 10.0), found, 0)
    assert (size, misfit, effect.tolist()) == (pytest.approx(72.5), pytest.approx(9.0), pytest.approx([7.25, 0.0]))
    assert found.of_run(0).share.shape == (PIECES,)
    assert Along(found.log_likelihood, found.nearest, found.share).nearest is found.nearest


def test_the_posterior_of_a_size() -> None:
    """A path that is flat in the noise leaves the prior: its quantiles are the normal's, cut at ±3."""
    sizes = np.exp(0.1 * DEVIATIONS)
    flat = one_path(1e-9 * np.column_stack([DEVIATIONS, DEVIATIONS]), sizes)
    unit = Whitener.of(np.eye(2))
    shares = (0.025, 0.5, 0.975)
    found = posterior_of_size(flat, [0], np.zeros(2), unit, shares)
    whole = stats.norm.cdf(3.0) - stats.norm.cdf(-3.0)
    expected = [math.exp(0.1 * stats.norm.ppf(stats.norm.cdf(-3.0) + p * whole)) for p in shares]
    assert found == pytest.approx(expected, rel=0.005)
    told = one_path(np.column_stack([20.0 * DEVIATIONS, 0.0 * DEVIATIONS]), sizes)
    narrow = posterior_of_size(told, [0], np.array([20.0, 0.0]), unit, shares)
    half, centre = 1.96 / math.hypot(20.0, 1.0), 400.0 / 401.0
    expected = [math.exp(0.1 * one) for one in (centre - half, centre, centre + half)]
    assert narrow == pytest.approx(expected, rel=0.001)


def test_paths_of_one_place_share_a_posterior_by_their_weights() -> None:
    """Two paths, one three times as likely as the other, that say +1 and -1: the sizes mix 3 to 1."""
    ends = np.column_stack([50.0 * (DEVIATIONS - 1.0), 50.0 * (DEVIATIONS + 1.0)])
    effects = np.stack([ends[:, :1], ends[:, 1:]])
    both = Paths("x", ("", ""), np.array([0.75, 0.25]), np.exp(np.stack([DEVIATIONS, DEVIATIONS])), effects)
    found = posterior_of_size(both, [0, 1], np.zeros(1), Whitener.of(np.eye(1)), (0.1, 0.5))
    assert found == pytest.approx([math.exp(-1.0), math.exp(1.0)], rel=0.05)


def test_a_sum_of_exponentials_holds_far_out() -> None:
    assert log_sum(np.array([[-1000.0, -1001.0], [0.0, 0.0]])).tolist() == pytest.approx(
        [-1000.0 + math.log(1.0 + math.exp(-1.0)), math.log(2.0)]
    )


# --- Weighing ---


def test_probabilities_are_odds_times_likelihoods() -> None:
    """Noise by one normal density, a slip by the weighed sum of densities, a bias by a wider one."""
    evidence = measured(kv40=45.0, rho40=857.7)
    odds = {"noise": 0.5, "slip": 0.2, "instrument bias": 0.1, "changed": 0.4}
    covariance = evidence.spread + evidence.error
    likelihood = {
        "noise": normal(evidence.deviation, covariance),
        "slip": math.log(
            sum(
                one.weight * math.exp(normal(evidence.deviation - one.effect, covariance)) for one in slips_of(evidence)
            )
        ),
    }
    for one in shifts_of(evidence):
        likelihood[one.cause] = normal(evidence.deviation, one.spread + evidence.error)
    weights = {cause: share * math.exp(likelihood[cause]) for cause, share in odds.items()}
    total = sum(weights.values())
    found = weigh(evidence, odds).probabilities
    assert found == pytest.approx({cause: weight / total for cause, weight in weights.items()})
    assert list(found.values()) == sorted(found.values(), reverse=True)


def test_a_cause_with_a_size_is_the_weighed_mean_of_its_paths() -> None:
    evidence = measured(rho100=818.9)
    whitener = Whitener.of(evidence.spread + evidence.error)
    bubble = paths("air bubble", evidence)
    single = along(bubble, whitener(evidence.deviation), whitener)
    mean = float((bubble.weights * np.exp(single.log_likelihood)).sum())
    noise = math.exp(normal(evidence.deviation, evidence.spread + evidence.error))
    found = weigh(evidence, {"noise": 0.9, "air bubble": 0.02}).probabilities
    assert found["air bubble"] / found["noise"] == pytest.approx(0.02 * mean / (0.9 * noise), rel=1e-6)


def test_odds_of_nothing_leave_a_cause_out() -> None:
    evidence = measured(kv40=45.0)
    assert list(weigh(evidence, {"noise": 1.0, "changed": 0.0}).probabilities) == ["noise"]
    with pytest.raises(EvidenceError, match="none of the causes asked for is possible for this run"):
        weigh(evidence, {"residue": 1.0})
    with pytest.raises(EvidenceError, match=r"'a' is no cause; there are: noise, "):
        weigh(evidence, {"b": 1.0, "a": 1.0})


def test_runs_weighed_together_are_weighed_alike() -> None:
    """One after the other or at once; also where the house tells of one what it doesn't of another."""
    runs = [measured(kv40=45.0), measured(rho100=818.0)]
    heavy = replace(TYPICAL, density=Course((Node(40.0, 866.0, 0.5),), 0.98))
    told = HouseProduct("Oil 68", heavy)
    untold = HouseProduct("Thin", replace(heavy, density=Course((), 0.98)))
    for mixed in (
        runs,
        [replace(runs[0], house=(told,)), replace(runs[1], house=(told, untold))],
        [replace(runs[0], house=(told,)), replace(runs[1], house=())],
    ):
        together = weigh_alike(mixed)
        for one, apart in zip(together, (weigh(run) for run in mixed), strict=True):
            assert one.probabilities == pytest.approx(apart.probabilities, rel=1e-9)
    assert "another product" in together[0].probabilities
    assert "another product" not in together[1].probabilities


# --- Fits ---


def test_noise_at_its_best() -> None:
    evidence = measured(kv40=45.5, rho40=858.4)
    fit = fit_of(weigh(evidence), "noise")
    covariance = evidence.spread + evidence.error
    chi = float(evidence.deviation @ np.linalg.solve(covariance, evidence.deviation))
    assert (fit.misfit, fit.degrees_of_freedom, fit.path) == (pytest.approx(chi), 4, -1)
    assert fit.p_value == pytest.approx(stats.chi2.sf(chi, 4))
    assert math.isnan(fit.size)
    batch = evidence.spread @ np.linalg.solve(covariance, evidence.deviation)
    assert fit.predicted == pytest.approx(evidence.in_units(evidence.mean + batch)), "with the batch where it fits best"


def test_a_fit_without_degrees_of_freedom_has_no_p_value() -> None:
    assert math.isnan(fit_of(weigh(usual((KV, 40.0))), "cell temperature").p_value)


def test_the_best_slip_is_the_likeliest() -> None:
    evidence = measured(kv40=64.0)
    fit = fit_of(weigh(evidence), "slip")
    assert fit.where == "digits exchanged: kinematic viscosity at 40 °C, 64 for 46"
    assert fit.effect.tolist() == pytest.approx([math.log(64.0 / 46.0), 0.0, 0.0, 0.0])
    assert fit.misfit == pytest.approx(0.0, abs=1e-6)


def test_a_bias_by_its_normal_posterior() -> None:
    """One quantity: prior 0.5 %, spread and noise √(1 % ² + 0.2 % ²); the shift is ln 1.02 · 25 / (25 + 104)."""
    fit = fit_of(weigh(run_of(row(KV, 40.0, 46.92))), "instrument bias")
    share = 0.25 / (0.25 + 1.04)
    sd = math.sqrt(25e-6 * (1.0 - share))
    size = share * math.log(1.02)
    assert (fit.size, fit.lowest, fit.highest) == pytest.approx((size, size - 1.96 * sd, size + 1.96 * sd))
    assert fit.misfit == pytest.approx(math.log(1.02) ** 2 / 129e-6)
    heavy = fit_of(weigh(run_of(row(RHO, 40.0, 858.6), row(RHO, 100.0, 820.6))), "instrument bias")
    assert 0.0 < heavy.size < 0.6


def test_a_told_bias_moves_what_is_expected() -> None:
    bias = InstrumentBias(1.0, 0.1, 0.0, 0.05, "2 results")
    evidence = run_of(row(KV, 40.0, 46.46), instrument_bias=bias)
    fit = fit_of(weigh(evidence), "instrument bias")
    told = 0.01 * 25.0 / 26.0
    assert fit.effect.tolist() == pytest.approx([told])
    variance = 0.5**2 * 0.1**2 / 0.26 * 1e-4
    away = math.log(1.01) - told
    assert fit.misfit == pytest.approx(away**2 / (1.04e-4 + variance))
    assert fit.size == pytest.approx(told + variance / (1.04e-4 + variance) * away)


def test_the_size_of_a_change_is_told_of_the_coldest_viscosity() -> None:
    evidence = run_of(row(RHO, 15.0, 874.0), row(KV, 100.0, 6.95), row(KV, 40.0, 47.0))
    (changed,) = (one for one in shifts_of(evidence) if one.cause == "changed")
    own = changed.spread - evidence.spread
    solved = np.linalg.solve(changed.spread + evidence.error, evidence.deviation)
    assert fit_of(weigh(evidence), "changed").size == pytest.approx(float((own @ solved)[2]))
    added = run_of(row(KV, 100.0, 6.95), row(KV, 40.0, 47.0, kind="retained sample", fill=2))
    (again,) = (one for one in shifts_of(added) if one.cause == "changed")
    moved = (again.spread - added.spread) @ np.linalg.solve(again.spread + added.error, added.deviation)
    assert fit_of(weigh(added), "changed").size == pytest.approx(float(moved[0])), "of the run itself"


def test_another_product_has_no_size() -> None:
    other = HouseProduct("Oil 68", replace(TYPICAL, viscosity=Course((Node(40.0, math.log(68.0), 0.02),), 0.95)))
    fit = fit_of(weigh(run_of(row(KV, 40.0, 68.0), house=(other,))), "another product")
    assert (fit.where, math.isnan(fit.size), fit.misfit) == ("Oil 68", True, pytest.approx(0.0, abs=1e-6))
    assert fit.effect.tolist() == pytest.approx([math.log(68.0 / 46.0)])


def test_a_size_with_its_sign_and_interval() -> None:
    """A cell 0.5 K too cold at 40 °C: the size is negative, and so are its ends."""
    slope = -38.0 / 60.0
    evidence = run_of(row(KV, 40.0, 47.05), row(RHO, 40.0, 858.0 - 0.5 * slope), row(KV, 100.0), row(RHO, 100.0))
    fit = fit_of(weigh(evidence, {"noise": 1e-6, "cell temperature": 1.0}), "cell temperature")
    assert fit.lowest < fit.size < fit.highest < 0.0
    assert (fit.where, fit.degrees_of_freedom) == ("at 40 °C", 3)
    assert list(fit.thirds) == sorted(fit.thirds)
    assert all(third > 0.0 for third in fit.thirds)
    whitener = Whitener.of(evidence.spread + evidence.error)
    one = paths("cell temperature", evidence)
    expected = posterior_of_size(one, [1], whitener(evidence.deviation), whitener, (0.025, 0.5, 0.975))
    assert [fit.highest, fit.size, fit.lowest] == pytest.approx([-size for size in expected])
    assert list(fit.thirds) == posterior_of_size(one, [1], whitener(evidence.deviation), whitener, THIRDS)
    assert pytest.approx((1 / 6, 1 / 2, 5 / 6)) == THIRDS


# --- What a further measurement would show ---


def added(evidence: Evidence, *rows: Row) -> Evidence:
    return run_of(
        *evidence.rows, *rows, course=evidence.course, before=evidence.before, reference_oils=evidence.reference_oils
    )


def test_noise_predicts_by_the_rule_for_normal_variables() -> None:
    evidence = measured(kv40=45.5)
    new = row(KV, 40.0, 1.0, fill=2, kind="refill and repeat")
    weighed = weigh(evidence, {"noise": 1.0})
    found = predict(evidence, fits_of(weighed), [new])
    both = added(evidence, new)
    joint = both.spread + both.error
    seen, last = joint[:4, :4], joint[4, :4]
    gain = np.linalg.solve(seen, last)
    assert found.mean[0, :, 0] == pytest.approx([both.mean[4] + gain @ evidence.deviation] * 3)
    noise = 0.002
    variance = joint[4, 4] - noise**2 - gain @ last
    assert found.variance[0, :, 0] == pytest.approx([variance] * 3)
    assert (found.noise.tolist(), found.causes) == ([noise], ("noise",))
    for repeats in (1, 3):
        left = noise**2 * (0.2 + 0.8 / repeats)
        assert found.total(repeats)[0, 0, 0] == pytest.approx(variance + left)


def test_a_shift_predicts_with_its_own_spread_and_mean() -> None:
    evidence = run_of(row(KV, 40.0, 46.92), instrument_bias=InstrumentBias(1.0, 0.2, 0.0, 0.05, ""))
    new = row(KV, 100.0, 1.0, fill=2, kind="refill and repeat")
    found = predict(evidence, fits_of(weigh(evidence, {"instrument bias": 1.0})), [new])
    both = replace(added(evidence, new), instrument_bias=evidence.instrument_bias)
    (bias,) = (one for one in shifts_of(both) if one.cause == "instrument bias")
    joint = bias.spread + both.error
    gain = joint[1, 0] / joint[0, 0]
    away = math.log(46.92) - bias.mean[0]
    assert found.mean[0, :, 0] == pytest.approx([bias.mean[1] + gain * away] * 3)
    assert found.variance[0, :, 0] == pytest.approx([joint[1, 1] - 0.002**2 - gain * joint[0, 1]] * 3)


def test_a_slip_says_what_ought_to_stand_there() -> None:
    evidence = run_of(row(KV, 40.0, 64.0))
    found = predict(
        evidence, fits_of(weigh(evidence, {"slip": 1.0})), [row(KV, 40.0, 1.0, fill=2, kind="refill and repeat")]
    )
    assert found.mean[0, :, 0] == pytest.approx([math.log(46.0)] * 3, abs=1e-9)


def test_a_size_is_taken_at_its_thirds() -> None:
    """Air in the first fill: same fill again shows it, a refill doesn't; the spread left within a third is 0.63 of half
    their distance."""
    evidence = run_of(row(RHO, 40.0, 854.0), noise=replace(usual((KV, 40.0)).noise, density=0.05))
    weighed = weigh(evidence, {"air bubble": 1.0})
    (fit,) = fits_of(weighed)
    again = row(RHO, 40.0, 1.0, kind="same fill again")
    refill = row(RHO, 40.0, 1.0, fill=2, kind="refill and repeat")
    found = predict(evidence, [fit], [again, refill])
    both = added(evidence, again, refill)
    joint = both.spread + both.error
    sizes = np.array(fit.thirds)
    within = 0.63 * (sizes[2] - sizes[0]) / 2.0
    gain = joint[1:, 0] / joint[0, 0]
    for third, f in enumerate(sizes):
        effect = -f * 858.0
        left = -4.0 - effect
        assert found.mean[0, third].tolist() == pytest.approx(
            [858.0 + effect + gain[0] * left, 858.0 + gain[1] * left], abs=1e-6
        )
    growth = -858.0 * within * np.array([1.0 - gain[0], -gain[1]])
    own = np.diag(joint)[1:] - 0.05**2 - gain * joint[1:, 0]
    for third in range(3):
        assert found.variance[0, third] == pytest.approx(own + growth**2, rel=1e-4)


# --- What to measure next ---


@pytest.mark.parametrize("apart", [0.5, 2.0, 3.0, 5.0])
def test_two_predictions_of_equal_spread(apart: float) -> None:
    """Φ((d²/2 - ln 19) / d), d = |a - b| / s."""
    one = np.array([1.0])
    found = probability_of_deciding(0.0 * one, 4.0 * one, 2.0 * apart * one, 4.0 * one)
    assert found[0] == pytest.approx(stats.norm.cdf((apart**2 / 2.0 - LN19) / apart))


def test_two_predictions_of_unequal_spread() -> None:
    """d² is the sum of both Kullback-Leibler divergences: (ρ + 1/ρ)/2 - 1 + (a - b)² (1/v + 1/w)/2."""
    v, w, a, b = 1.0, 4.0, 0.0, 3.0

    def divergence(m: float, s: float, n: float, t: float) -> float:
        return 0.5 * (s / t - 1.0 + (n - m) ** 2 / t + math.log(t / s))

    d2 = divergence(a, v, b, w) + divergence(b, w, a, v)
    found = probability_of_deciding(*(np.array([one]) for one in (a, v, b, w)))
    assert found[0] == pytest.approx(stats.norm.cdf((d2 / 2.0 - LN19) / math.sqrt(d2)))
    same = probability_of_deciding(*(np.array([one]) for one in (a, v, a, v)))
    assert same[0] == 0.0


def test_what_can_be_measured_next() -> None:
    evidence = usual(*FOUR)
    kinds = ["original record", "refill and repeat", "same fill again", "another instrument", "retained sample"]
    expected = [Candidate(kind, *place) for place in FOUR for kind in kinds]
    expected += [Candidate("another temperature", what, 70.0) for what in (KV, RHO)]
    assert set(candidates(evidence)) == set(expected)
    assert len(candidates(evidence)) == len(expected)
    with_oil = set(candidates(replace(evidence, reference_oils=(OIL,)))) - set(expected)
    assert with_oil == {Candidate("reference oil", *place) for place in FOUR[:3]}, "no density is certified at 100 °C"
    near = replace(OIL, liquid=replace(OIL.liquid, viscosities=((40.05, 50.0),), densities=((40.06, 850.0),)))
    assert set(candidates(replace(evidence, reference_oils=(near,)))) - set(expected) == {
        Candidate("reference oil", KV, 40.0)
    }


@pytest.mark.parametrize(
    ("temperatures", "other"),
    [((40.0, 100.0), 70.0), ((40.0, 61.0), 50.0), ((40.0, 60.0), 80.0), ((15.0,), 35.0), ((20.0, 50.0), 40.0)],
)
def test_another_temperature_lies_between_or_above(temperatures: tuple[float, ...], other: float) -> None:
    """A round one in the middle of more than 20 K; 20 K above the hottest else."""
    evidence = run_of(*(row(KV, T, 20.0) for T in temperatures))
    (found,) = (one.temperature_C for one in candidates(evidence) if one.kind == "another temperature")
    assert found == other


def test_two_determinations_at_one_temperature_are_one_candidate() -> None:
    evidence = run_of(row(KV, 40.0), row(KV, 40.04, 46.0, fill=2), row(RHO, 40.0, kind="refill and repeat", fill=3))
    found = [one for one in candidates(evidence) if one.kind == "refill and repeat"]
    assert found == [Candidate("refill and repeat", KV, 40.0)]


def test_the_best_measurement_is_worth_its_effort() -> None:
    """The mean over the thirds of both sizes, less 0.01 to 0.04 by kind and 0.02 a repeat more; checked one by one."""
    evidence = measured(kv40=45.3)
    weighed = weigh(evidence, {"noise": 0.9, "cell temperature": 0.02, "air bubble": 0.02})
    fits = fits_of(weighed)
    every = Discrimination(evidence, fits)
    efforts = {
        "refill and repeat": 0.0,
        "same fill again": 0.01,
        "another temperature": 0.03,
        "another instrument": 0.03,
    }
    efforts |= {"retained sample": 0.04, "reference oil": 0.02}
    names = [fit.cause for fit in fits]
    for cause, rival in (("cell temperature", "noise"), ("cell temperature", "air bubble")):
        a, b = names.index(cause), names.index(rival)
        best = (0.0, None, 0, 0.0)
        for place, one in enumerate(every.candidates):
            for repeats in (1, 2, 3):
                variance = every.prediction.total(repeats)[..., place]
                mean = every.prediction.mean[..., place]
                decides = np.mean(
                    [
                        probability_of_deciding(
                            *(np.array([v]) for v in (mean[a, i], variance[a, i], mean[b, j], variance[b, j]))
                        )[0]
                        for i in range(3)
                        for j in range(3)
                    ]
                )
                worth = decides - efforts[one.kind] - 0.02 * (repeats - 1)
                if worth > best[0]:
                    best = (worth, one, repeats, decides)
        choice = every.best(cause, rival)
        assert choice is not None
        assert best[1] is not None
        assert choice.candidate == replace(best[1], repeats=best[2])
        assert (choice.rival, choice.probability_of_deciding) == (rival, pytest.approx(best[3]))


def test_a_record_is_read_for_a_slip_and_only_where_it_would_show() -> None:
    evidence = measured(kv40=64.0)
    fits = fits_of(weigh(evidence))
    choice = Discrimination(evidence, fits).best("slip", "changed")
    assert choice is not None
    assert (choice.candidate, choice.probability_of_deciding) == (Candidate("original record", KV, 40.0), 0.95)
    other = Discrimination(evidence, fits).best("changed", "noise")
    assert other is not None
    assert other.candidate.kind != "original record"
    reversed_choice = Discrimination(evidence, fits).best("noise", "slip")
    assert reversed_choice is not None
    only_records = Discrimination(evidence, fits, [Candidate("original record", *place) for place in FOUR])
    told = only_records.best("noise", "slip")
    assert told is not None
    assert told.candidate == Candidate("original record", KV, 40.0)
    assert only_records.best("noise", "changed") is None


def test_what_hardly_decides_is_not_proposed() -> None:
    """A worth of 5 % or less: noise and a change that is smaller than the spread."""
    evidence = usual((KV, 40.0))
    fits = fits_of(weigh(evidence, {"noise": 0.9, "instrument bias": 0.1}))
    assert (
        Discrimination(evidence, fits, [Candidate("same fill again", KV, 40.0)]).best("noise", "instrument bias")
        is None
    )


# --- Outcomes ---


def test_outcomes_by_hand() -> None:
    """One quantity, nothing wrong: a refill shows μ + g (z - μ), g = (s² + 0.2 σ²) / (s² + σ²), in 95 %."""
    evidence = run_of(row(KV, 40.0, 46.46))
    found = {one.cause: one for one in expected_outcomes(evidence, Candidate("refill and repeat", KV, 40.0, 2))}
    s, sigma = 0.01, 0.002
    gain = (s**2 + 0.2 * sigma**2) / (s**2 + sigma**2)
    mean = math.log(46.0) + gain * math.log(1.01)
    variance = s**2 - gain * (s**2 + 0.2 * sigma**2) + sigma**2 * 0.6
    noise = found["noise"]
    assert noise.value == pytest.approx(math.exp(mean))
    ends = (math.exp(mean - 1.96 * math.sqrt(variance)), math.exp(mean + 1.96 * math.sqrt(variance)))
    assert (noise.lowest, noise.highest) == pytest.approx(ends)
    assert (noise.unit, noise.title[:13]) == ("mm²/s", "Nothing wrong")
    assert list(found) == [one.cause for one in rank_causes(evidence)]


def test_an_outcome_of_a_size_spreads_over_its_thirds() -> None:
    evidence = run_of(row(RHO, 40.0, 854.0), row(RHO, 100.0))
    asked = Candidate("same fill again", RHO, 40.0)
    found = next(one for one in expected_outcomes(evidence, asked) if one.cause == "air bubble")
    fit = fit_of(weigh(evidence), "air bubble")
    single = predict(evidence, [fit], [row(RHO, 40.0, 1.0, kind="same fill again")])
    means, variances = single.mean[0, :, 0], single.total(1)[0, :, 0]
    half = 1.96 * math.sqrt(variances.mean() + means.var())
    assert (found.value, found.lowest, found.highest) == pytest.approx(
        (means.mean(), means.mean() - half, means.mean() + half)
    )
    assert found.unit == "kg/m³"


def test_the_record_shows_what_was_measured_or_what_ought_to_stand_there() -> None:
    evidence = measured(kv40=64.0)
    found = {one.cause: one for one in expected_outcomes(evidence, Candidate("original record", KV, 40.0))}
    assert found["slip"].value == pytest.approx(46.0)
    assert found["noise"].value == found["changed"].value == pytest.approx(64.0)
    assert found["slip"].lowest == found["slip"].highest == found["slip"].value
    hot = {one.cause: one for one in expected_outcomes(evidence, Candidate("original record", RHO, 100.0))}
    assert hot["slip"].value == pytest.approx(820.0)


# --- What if ---


def test_a_guess_by_hand() -> None:
    """0.2 K, 1 % of the oil before, 2 % of a gas oil and 0.3 % air, one added to the other in ln ν and ρ."""
    evidence = usual(*FOUR, before=BEFORE)
    found = what_if(evidence, 0.2, 0.01, 0.02, 0.003)
    parts = [what_if(evidence, *guess) for guess in ((0.2,), (0.0, 0.01), (0.0, 0.0, 0.02), (0.0, 0.0, 0.0, 0.003))]
    scaled = [
        np.where(evidence.viscous, np.log(one.predicted), one.predicted) - evidence.mean for one in (found, *parts)
    ]
    assert scaled[0] == pytest.approx(sum(scaled[1:]))
    assert scaled[4] == pytest.approx([-math.log(0.997), -0.003 * 858.0, -math.log(0.997), -0.003 * 820.0])
    assert scaled[2][[1, 3]] == pytest.approx([0.32, 0.35])
    assert scaled[1][[1, 3]] == pytest.approx([-0.2 * 38.0 / 60.0] * 2)
    covariance = evidence.spread + evidence.error
    left = -scaled[0]
    chi = float(left @ np.linalg.solve(covariance, left))
    assert (found.misfit, found.degrees_of_freedom) == (pytest.approx(chi), 4)
    assert found.p_value == pytest.approx(stats.chi2.sf(chi, 4))
    assert found.residual_sd == pytest.approx(left / np.sqrt(np.diag(covariance)))
    place = int(np.abs(found.residual_sd).argmax())
    what, T = FOUR[place]
    assert found.p_value < 1e-4
    assert found.sentence == (
        f"Chi-square {chi:.1f} with 4 degrees of freedom (p < 0.0001); furthest left: {what} at {T:g} °C, "
        f"{found.residual_sd[place]:+.1f} standard deviations."
    )


def test_a_guess_sits_where_it_can() -> None:
    """Warmth on this instrument, residue and air in its own fills, fuel in this bottle."""
    evidence = run_of(
        row(RHO, 40.0),
        row(RHO, 40.0, kind="refill and repeat", fill=2),
        row(RHO, 40.0, kind="another instrument", fill=3),
        row(RHO, 40.0, kind="retained sample", fill=4),
        before=BEFORE,
    )

    def touched(*guess: float) -> list[bool]:
        return (what_if(evidence, *guess).predicted != evidence.expected).tolist()

    assert touched(0.1) == [True, True, False, True]
    assert touched(0.0, 0.01) == [True, False, False, False]
    assert touched(0.0, 0.0, 0.01) == [True, True, True, False]
    assert touched(0.0, 0.0, 0.0, 0.01) == [True, False, False, False]


@pytest.mark.parametrize(
    ("guess", "fits"),
    [
        ((20.0,), True),
        ((-20.0,), True),
        ((20.1,), False),
        ((-20.1,), False),
        ((0.0, 0.9), True),
        ((0.0, 0.91), False),
        ((0.0, -0.01), False),
        ((0.0, 0.0, 0.9), True),
        ((0.0, 0.0, 0.91), False),
        ((0.0, 0.0, 0.0, 0.9), True),
        ((0.0, 0.0, 0.0, 0.91), False),
    ],
)
def test_sizes_of_a_guess_have_ends(guess: tuple[float, ...], fits: bool) -> None:
    evidence = usual(*FOUR, before=BEFORE)
    if fits:
        assert what_if(evidence, *guess).predicted.size == 4
    else:
        with pytest.raises(EvidenceError, match=r": expected (0 to 0\.9|−20 K to 20 K)"):
            what_if(evidence, *guess)


def test_a_residue_needs_a_run_before() -> None:
    with pytest.raises(EvidenceError, match="run S1: the record holds no run before it that could leave a residue"):
        what_if(usual(*FOUR), 0.0, 0.01)
    assert what_if(usual(*FOUR), 0.1).predicted.size == 4


def test_air_moves_a_viscosity_unless_it_was_measured_by_itself() -> None:
    def moved(coupled: Any) -> bool:
        evidence = usual(*FOUR, coupled=coupled)
        return bool(what_if(evidence, 0.0, 0.0, 0.0, 0.01).predicted[0] > evidence.expected[0])

    assert [moved(one) for one in (None, True, False)] == [True, True, False]


def test_stacked_runs_are_of_one_layout() -> None:
    with_before, without = usual(*FOUR, before=BEFORE), usual(*FOUR)
    assert Stack.of([with_before, with_before]).before == [with_before, with_before]
    assert Stack.of([without]).before == ()
    assert Stack.of([without, measured(kv40=45.0)]).mean.shape == (2, 4)
