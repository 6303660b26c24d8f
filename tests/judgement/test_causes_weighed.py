"""How causes are weighed, by brute force and closed forms: likelihoods, posteriors, predictions, next measurements."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import special, stats

from labcalc.errors import EvidenceError
from labcalc.judgement.causes import Candidate, Evidence, candidates, what_if
from labcalc.judgement.causes.catalogue import DEVIATIONS, TAIL, Paths, sizes_of
from labcalc.judgement.causes.evidence import HouseProduct, Row
from labcalc.judgement.causes.evidence_from_dossier import median_of_offsets
from labcalc.judgement.causes.expectation import Course, Node
from labcalc.judgement.causes.next_measurement import Discrimination, predict
from labcalc.judgement.causes.ranking import MASSES, covariances, fit_of, hypotheses_of, misfits, possible, weigh
from labcalc.judgement.causes.shifts import shifts_of, slips_of
from labcalc.judgement.causes.surroundings import InstrumentBias
from tests.judgement.causes_by_hand import (
    BEFORE,
    FOUR,
    KV,
    OIL,
    RHO,
    TYPICAL,
    USUAL,
    Array,
    measured,
    row,
    run_of,
    usual,
)

Place = tuple[float, int]
"""Temperature [°C] and fill."""


def tailed(deviation: Array, covariance: Array) -> float:
    """ln of the density of Student's t with 20 degrees of freedom."""
    return float(stats.multivariate_t(np.zeros(len(deviation)), covariance, df=20.0).logpdf(deviation))


# --- Likelihoods ---


def test_the_density_of_correlated_rows() -> None:
    covariance = np.array([[4.0, 1.0, 0.5], [1.0, 9.0, -2.0], [0.5, -2.0, 1.0]])
    deviation = np.array([1.0, -2.0, 0.3])
    chi2, logs = misfits(np.stack([deviation, -deviation]), np.stack([covariance, 2.0 * covariance]))
    assert logs.tolist() == pytest.approx([tailed(deviation, covariance), tailed(deviation, 2.0 * covariance)])
    assert chi2[0] == pytest.approx(deviation @ np.linalg.solve(covariance, deviation))
    assert chi2[1] == pytest.approx(chi2[0] / 2.0)
    assert TAIL == 20.0


def test_the_nodes_hold_a_normal_size() -> None:
    density = stats.norm.pdf(DEVIATIONS)
    assert MASSES.tolist() == pytest.approx((density / density.sum()).tolist())


def test_a_chain_of_nodes_is_as_good_as_the_size() -> None:
    """A straight path in ln of the size, 20 noise widths a node: the density is the size's own within 12 %."""
    evidence = usual((RHO, 40.0))
    effects = (DEVIATIONS * 100.0)[np.newaxis, :, np.newaxis]
    path = Paths("air bubble", ("",), np.array([1.0]), sizes_of("air bubble")[np.newaxis], effects)
    every = hypotheses_of(evidence, [path], [])
    tight = replace(every, loose=np.zeros(13))
    for z in (-1.2, 0.0, 0.1, 0.25, 0.9):
        C = covariances(evidence, tight)
        logs = stats.norm.logpdf(100.0 * z, effects[0, :, 0], np.sqrt(C[:, 0, 0]))
        found = special.logsumexp(tight.log_weight + logs)
        assert found == pytest.approx(float(stats.norm.logpdf(z)) - math.log(100.0), abs=0.12)


def test_a_covariance_by_its_parts() -> None:
    """Product and noise; 0.45 of the way to the next node; 12 % of the effect, alike in every fill of one quantity and
    temperature; half of air, alike in one fill at one temperature only."""
    evidence = run_of(row(KV, 40.0), row(RHO, 40.0), row(RHO, 40.0, fill=2), row(RHO, 100.0, fill=2), coupled=True)
    every = possible(evidence, {"air bubble": 1.0})
    place = int(np.flatnonzero((every.where == "in every fill") & (every.size == sizes_of("air bubble")[6]))[0])
    one = every.only(np.array([place]))
    (C,), e, g = covariances(evidence, one), one.effect[0], one.growth[0, 0]
    f = sizes_of("air bubble")
    assert e[1:] == pytest.approx([-f[6] * 858.0] * 2 + [-f[6] * 820.0])
    assert g[1] == pytest.approx(0.45 * (f[5] - f[7]) / 2.0 * 858.0)
    alike = np.array([[1, 0, 0, 0], [0, 1, 1, 0], [0, 1, 1, 0], [0, 0, 0, 1]])
    filled = np.array([[1, 1, 0, 0], [1, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
    expected = evidence.spread + evidence.error + np.outer(g, g) + np.outer(e, e) * (0.12**2 * alike + 0.25 * filled)
    assert pytest.approx(expected) == C
    first = covariances(evidence, one, 2)[0]
    assert first == pytest.approx(C[:2, :2])


def test_what_lies_between_two_paths_is_possible() -> None:
    """The two rules of mixtures are ends: 0.45 of their distance is a spread; solvents are apart from each other."""
    evidence = usual((KV, 40.0), before=BEFORE)
    residue = possible(evidence, {"residue": 1.0})
    double, plain = residue.effect[:13, 0], residue.effect[13:, 0]
    assert residue.growth[:13, 1, 0] == pytest.approx(0.45 * (plain - double))
    assert not residue.growth[:, 2:].any()
    solvent = possible(usual((RHO, 40.0)), {"solvent": 1.0})
    assert not solvent.growth[:, 1:].any(), "densities add, whatever the rule"


# --- Weighing ---


def test_probabilities_are_odds_times_likelihoods() -> None:
    """Noise by one density, a slip by the weighed sum of densities, a bias by a wider one; slips as often as typed."""
    evidence = replace(measured(kv40=45.0, rho40=857.7), typed=True)
    odds = {"noise": 0.5, "slip": 0.2, "instrument bias": 0.1}
    covariance = evidence.spread + evidence.error
    likelihood = {"noise": tailed(evidence.deviation, covariance)}
    likelihood["slip"] = math.log(
        sum(
            one.weight * math.exp(tailed(evidence.deviation - one.effect, spread + evidence.error))
            for one in slips_of(evidence)
            for spread in [evidence.spread if one.spread is None else one.spread]
        )
    )
    for one in shifts_of(evidence):
        if one.cause in odds:
            assert one.spread is not None
            likelihood[one.cause] = tailed(evidence.deviation, one.spread + evidence.error)
    weights = {cause: share * math.exp(likelihood[cause]) for cause, share in odds.items()}
    weights["slip"] *= 2.0
    total = sum(weights.values())
    found = weigh(evidence, odds).probabilities
    assert found == pytest.approx({cause: weight / total for cause, weight in weights.items()})
    assert list(found.values()) == sorted(found.values(), reverse=True)


def test_odds_of_nothing_leave_a_cause_out() -> None:
    evidence = measured(kv40=45.0)
    assert list(weigh(evidence, {"noise": 1.0, "changed": 0.0}).probabilities) == ["noise"]
    with pytest.raises(EvidenceError, match="none of the causes asked for is possible for this run"):
        weigh(evidence, {"residue": 1.0})
    with pytest.raises(EvidenceError, match=r"'a' is no cause; there are: noise, "):
        weigh(evidence, {"b": 1.0, "a": 1.0})


def test_what_fits_nothing_is_never_nearly_certain() -> None:
    """A density of 400 kg/m³ at 40 °C and all else right, without slips or anything else on the list: 90 % at most."""
    odds = {"noise": 0.9, "cell temperature": 0.01, "dilution": 0.01, "something else": 1e-12}
    evidence = measured(rho40=853.0, kv40=60.0, rho100=826.0, kv100=6.0)
    found = weigh(evidence, odds)
    fit = fit_of(found, found.leading)
    assert fit.p_value < 0.001
    assert found.probabilities[fit.cause] <= 0.9
    assert sum(found.probabilities.values()) == pytest.approx(1.0)


def test_two_at_once_where_no_single_cause_fits() -> None:
    """Air at 40 °C and another viscosity ten times too high."""
    single = weigh(measured(rho40=853.0))
    assert "two at once" not in single.probabilities
    both = weigh(replace(measured(rho40=853.0, kv100=69.0), typed=True))
    assert both.leading == "two at once"
    fit = fit_of(both, both.leading)
    assert "air bubble (at 40 °C)" in fit.where
    assert "slip (ten times too much: kinematic viscosity at 100 °C)" in fit.where
    assert fit.p_value > 0.05
    assert math.isnan(fit.size)


def _fuel_and_air(temperature_C: float, fill: int, thin: float, aired: Place) -> dict[str, float]:
    """ln ν and ρ moved by 5 % gas oil (2.7 and 1.15 mm²/s, 40 and 45 kg/m³ lighter) and by 1 % of air in one place."""
    air = 0.01 if (temperature_C, fill) == aired else 0.0
    own, other, lighter = (46.0, 2.7, 40.0) if temperature_C == 40.0 else (6.9, 1.15, 45.0)
    usual_density = USUAL[RHO, temperature_C]
    return {
        KV: own * math.exp(1.3 * thin * math.log(other / own) + air),
        RHO: (usual_density - thin * lighter) * (1.0 - air),
    }


@pytest.mark.parametrize("aired", [(100.0, 1), (40.0, 2)])
def test_fuel_and_air_at_once_are_both_named(aired: Place) -> None:
    """Neither explains a run of two fills alone; log mixing by volume, air as a share of the cell."""
    rows = [
        row(what, T, value, fill)
        for fill in (1, 2)
        for T in (40.0, 100.0)
        for what, value in _fuel_and_air(T, fill, 0.05, aired).items()
    ]
    found = weigh(run_of(*rows, coupled=True))
    fit = fit_of(found, found.leading)
    assert found.leading == "two at once"
    assert found.probabilities["two at once"] > 0.9
    assert f"air bubble (in fill {aired[1]}, at {aired[0]:g} °C)" in fit.where
    assert "dilution" in fit.where
    assert fit.p_value > 0.05


# --- Fits ---


def test_noise_at_its_best() -> None:
    evidence = measured(kv40=45.5, rho40=858.4)
    fit = fit_of(weigh(evidence), "noise")
    covariance = evidence.spread + evidence.error
    chi = float(evidence.deviation @ np.linalg.solve(covariance, evidence.deviation))
    assert (fit.misfit, fit.degrees_of_freedom) == (pytest.approx(chi), 4)
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
    ends = tuple(100.0 * math.expm1(end) for end in (size, size - 1.96 * sd, size + 1.96 * sd))
    assert (fit.size, fit.lowest, fit.highest) == pytest.approx(ends)
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
    assert fit.size == pytest.approx(100.0 * math.expm1(told + variance / (1.04e-4 + variance) * away))


def test_another_product_has_no_size() -> None:
    other = HouseProduct("Oil 68", replace(TYPICAL, viscosity=Course((Node(40.0, math.log(68.0), 0.02),), 0.95)))
    fit = fit_of(weigh(run_of(row(KV, 40.0, 68.0), house=(other,))), "another product")
    assert (fit.where, math.isnan(fit.size), fit.misfit) == ("Oil 68", True, pytest.approx(0.0, abs=1e-6))
    assert fit.effect.tolist() == pytest.approx([math.log(68.0 / 46.0)])


def test_a_size_with_its_sign_and_interval() -> None:
    """A cell 0.5 K too cold at 40 °C: the size is negative, and so are its ends, within 12 % and the noise of it."""
    evidence = run_of(row(KV, 40.0, 47.05), row(RHO, 40.0, 858.317), row(KV, 100.0), row(RHO, 100.0), thermostats=1)
    fit = fit_of(weigh(evidence, {"noise": 1e-6, "cell temperature": 1.0}), "cell temperature")
    assert fit.lowest < fit.size < fit.highest < 0.0
    assert fit.lowest < -0.5 < fit.highest
    assert (fit.where, fit.degrees_of_freedom) == ("at 40 °C", 3)


def test_the_median_of_a_size_by_brute_force() -> None:
    """Air in one density: the posterior over a fine grid of sizes, with 12 % of the effect as a spread."""
    evidence = run_of(row(RHO, 40.0, 850.0), coupled=True)
    fit = fit_of(weigh(evidence, {"air bubble": 1.0}), "air bubble")
    z = np.linspace(-4.0, 4.0, 4001)
    f = 0.004 * 2.6**z
    sd = np.sqrt(0.25 + 0.0025 + (0.12 * f * 858.0) ** 2)
    density = np.exp(-0.5 * z**2) / sd * (1.0 + ((-8.0 + f * 858.0) / sd) ** 2 / TAIL) ** (-(TAIL + 1.0) / 2.0)
    cumulative = np.cumsum(density) / density.sum()
    expected = [100.0 * float(np.interp(p, cumulative, f)) for p in (0.5, 0.025, 0.975)]
    assert (fit.size, fit.lowest, fit.highest) == pytest.approx(tuple(expected), rel=0.06)


# --- What a further measurement would show ---


def only(evidence: Evidence, cause: str, *new: Row) -> tuple[Any, Evidence]:
    given = {
        name: getattr(evidence, name) for name in ("course", "before", "instrument_bias", "thermostats", "coupled")
    }
    return predict(evidence, new, {cause: 1.0}), run_of(*evidence.rows, *new, **given)


def test_noise_predicts_by_the_rule_for_normal_variables() -> None:
    evidence = measured(kv40=45.5)
    found, both = only(evidence, "noise", row(KV, 40.0, 1.0, fill=2, kind="refill and repeat"))
    joint = both.spread + both.error
    gain = np.linalg.solve(joint[:4, :4], joint[4, :4])
    assert found.mean.tolist() == [[pytest.approx(both.mean[4] + gain @ evidence.deviation)]]
    variance = joint[4, 4] - gain @ joint[4, :4]
    assert (list(found.cause), list(found.share)) == (["noise"], [1.0])
    assert found.covariance[0, 0, 0] == pytest.approx(variance)


def test_a_shift_predicts_with_its_own_spread_and_mean() -> None:
    evidence = run_of(row(KV, 40.0, 46.92), instrument_bias=InstrumentBias(1.0, 0.2, 0.0, 0.05, ""))
    found, both = only(evidence, "instrument bias", row(KV, 100.0, 1.0, fill=2, kind="refill and repeat"))
    (bias,) = (one for one in shifts_of(both) if one.cause == "instrument bias")
    assert bias.spread is not None
    joint = bias.spread + both.error
    gain = joint[1, 0] / joint[0, 0]
    away = math.log(46.92 / 46.0) - bias.effect[0]
    assert found.mean[0, 0] == pytest.approx(both.mean[1] + bias.effect[1] + gain * away)
    assert found.covariance[0, 0, 0] == pytest.approx(joint[1, 1] - gain * joint[0, 1])


def test_a_slip_says_what_ought_to_stand_there() -> None:
    evidence = run_of(row(KV, 40.0, 64.0))
    found, _ = only(evidence, "slip", row(KV, 40.0, 1.0, fill=2, kind="refill and repeat"))
    assert found.mean[found.share.argmax(), 0] == pytest.approx(math.log(46.0), abs=1e-9)


def test_air_stays_in_its_fill() -> None:
    """Same fill again shows it, a refill doesn't."""
    evidence = run_of(row(RHO, 40.0, 854.0), coupled=True)
    again, refill = row(RHO, 40.0, 1.0, kind="same fill again"), row(RHO, 40.0, 1.0, fill=2, kind="refill and repeat")
    found, _ = only(evidence, "air bubble", again, refill)
    low, usual_one = found.share @ found.mean
    assert low == pytest.approx(854.0, abs=0.2)
    assert usual_one == pytest.approx(858.0, abs=0.5)


# --- What to measure next ---


def test_what_can_be_measured_next() -> None:
    evidence = usual(*FOUR)
    kinds = ["original record", "refill and repeat", "same fill again", "another instrument", "retained sample"]
    expected = [Candidate(kind, *place) for place in FOUR for kind in kinds]
    assert set(candidates(evidence)) == set(expected)
    assert len(candidates(evidence)) == len(expected)
    with_oil = set(candidates(replace(evidence, reference_oils=(OIL,)))) - set(expected)
    assert with_oil == {Candidate("reference oil", *place) for place in FOUR[:3]}, "no density is certified at 100 °C"
    near = replace(OIL, liquid=replace(OIL.liquid, viscosities=((40.05, 50.0),), densities=((40.06, 850.0),)))
    assert set(candidates(replace(evidence, reference_oils=(near,)))) - set(expected) == {
        Candidate("reference oil", KV, 40.0)
    }


@pytest.mark.parametrize(
    ("only", "nodes", "other"), [(40.0, (40.0, 100.0), 100.0), (40.0, (40.0,), 60.0), (100.0, (100.0,), 80.0)]
)
def test_a_new_fill_gives_a_second_temperature(only: float, nodes: tuple[float, ...], other: float) -> None:
    """The usual one that is furthest, else 20 K nearer to 60 °C; a density only where the instrument gives one."""
    course = replace(
        TYPICAL, viscosity=Course(tuple(Node(T, 3.0, 0.01) for T in nodes), 0.95), density=Course((), 0.98)
    )
    evidence = run_of(Row(KV, only, 1, 20.0), course=course)
    found = [(one.quantity, one.temperature_C) for one in candidates(evidence) if one.kind == "refill and repeat"]
    assert found == [(KV, only), (KV, other)]
    known = {one.kind: one.quantity for one in candidates(replace(evidence, course=TYPICAL, before=BEFORE))}
    assert known["refill and repeat"] == RHO
    assert known["same fill again"] == KV


def test_two_determinations_at_one_temperature_are_one_candidate() -> None:
    evidence = run_of(row(KV, 40.0), row(KV, 40.04, 46.0, fill=2), row(RHO, 40.0, kind="refill and repeat", fill=3))
    found = [one for one in candidates(evidence) if one.kind == "same fill again"]
    assert found == [Candidate("same fill again", KV, 40.0)]


def test_the_best_fill_by_brute_force() -> None:
    """Bubble or noise in one density: the gain of a refill, by drawing what it shows."""
    evidence = run_of(row(RHO, 40.0, 856.2), coupled=True)
    odds = {"noise": 0.9, "air bubble": 0.05}
    weighed = weigh(evidence, odds)
    wanted = [Candidate("refill and repeat", RHO, 40.0)]
    choice = Discrimination(weighed, odds, wanted).best
    found = predict(evidence, [row(RHO, 40.0, 1.0, fill=2, kind="refill and repeat")], odds)
    rng = np.random.default_rng(5)
    weights = found.share * [weighed.probabilities[one] for one in found.cause]
    chosen = rng.choice(len(weights), 20_000, p=weights / weights.sum())
    sd = np.sqrt(found.covariance[:, 0, 0])
    drawn = rng.normal(found.mean[chosen, 0], sd[chosen])
    dense = weights * stats.norm.pdf(drawn[:, np.newaxis], found.mean[:, 0], sd)
    by_cause = np.stack([dense[:, found.cause == one].sum(axis=1) for one in ("noise", "air bubble")])
    right = ((by_cause / by_cause.sum(axis=0)) ** 2).sum(axis=0).mean()
    gain = float(right) - sum(one**2 for one in weighed.probabilities.values())
    if choice is None:
        assert gain < 0.05
    else:
        assert choice.gain == pytest.approx(gain, abs=0.05)
        assert choice.rows == ((RHO, 40.0),)


def test_a_fill_is_taken_whole() -> None:
    evidence = measured(kv40=45.3)
    odds = {"noise": 0.9, "cell temperature": 0.02, "air bubble": 0.02, "changed": 0.02}
    every = Discrimination(weigh(evidence, odds), odds)
    assert every.best is not None
    assert len(every.best.rows) in (2, 4), "both quantities, at one temperature more or at all"
    chance = every.decides("cell temperature", "noise")
    assert 0.0 <= chance <= 1.0
    assert chance == every.decides("noise", "cell temperature")


def test_a_record_is_read_for_a_slip_and_only_where_it_would_show() -> None:
    weighed = weigh(measured(kv40=64.0))
    every = Discrimination(weighed)
    assert every.best is not None
    assert (every.best.kind, every.best.quantity, every.best.temperature_C) == ("original record", KV, 40.0)
    assert (every.decides("slip", "changed"), every.decides("changed", "noise")) == (0.95, 0.0)
    only_records = [Candidate("original record", *place) for place in FOUR]
    odds = {"noise": 0.9, "changed": 0.1}
    assert Discrimination(weigh(measured(kv40=64.0), odds), odds, only_records).best is None


def test_what_hardly_decides_is_not_proposed() -> None:
    """Noise and a bias that is smaller than the spread."""
    odds = {"noise": 0.9, "instrument bias": 0.1}
    again = [Candidate("same fill again", KV, 40.0)]
    found = Discrimination(weigh(usual((KV, 40.0)), odds), odds, again)
    assert found.best is None
    assert found.decides("noise", "instrument bias") == 0.0


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


# --- The instrument's day ---


def test_a_cell_that_earlier_samples_find_warm_is_likelier_here() -> None:
    """Odds change by 0.8 + 0.2 B at most, B how much likelier the samples' offset is: up by much, down by a fifth."""
    evidence = measured(kv40=44.9)
    odds = {"noise": 0.9, "cell temperature": 0.01, "solvent": 0.01}

    def share(*offsets: tuple[float, float, float]) -> float:
        found = weigh(replace(evidence, day_offsets=offsets), odds).probabilities
        return found["cell temperature"] / (1.0 - found["cell temperature"])

    alone = share()
    assert share((40.0, 0.5, 0.1)) > 3.0 * alone
    assert 0.8 * alone <= share((40.0, 0.0, 0.02)) < alone
    assert 0.8 * alone <= share((40.0, -0.5, 0.1)) < alone
    assert share((60.0, 0.5, 0.1)) == pytest.approx(alone), "not a temperature of this run"


def test_one_sample_with_a_fault_of_its_own_hardly_moves_the_days_offset() -> None:
    """The median of 0.9, 1.0 and 2.8 K; 1.2533 σ/√n with σ by the median deviation, 0.1 · 1.4826, or as stated."""
    assert median_of_offsets([(0.9, 0.2), (2.8, 0.2), (1.0, 0.2)]) == pytest.approx((1.0, 1.2533 * 0.2 / math.sqrt(3)))
    apart = median_of_offsets([(0.0, 0.2), (2.0, 0.2)])
    assert apart == pytest.approx((1.0, 1.2533 * 1.4826 / math.sqrt(2)))
