"""Algorithm A, Q and Hampel: printed constants, the equations that they solve, wild results, equivariance."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import integrate, optimize, stats

from labcalc.statistics import algorithm_a, q_hampel, robust

SEVEN = [4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]


def solved(results: np.ndarray) -> tuple[float, float]:
    """Solve the two equations of Algorithm A by another route than by iterating them."""
    start = np.array([np.median(results), stats.median_abs_deviation(results, scale="normal")])

    def missing(estimate: np.ndarray) -> list[float]:
        pulled = np.clip((results - estimate[0]) / estimate[1], -1.5, 1.5)
        return [float(pulled.sum()), float(np.var(pulled, ddof=1) - 1.0 / 1.133392655462487**2)]

    found = optimize.root(missing, start, tol=1e-13)
    assert found.success
    return float(found.x[0]), float(found.x[1])


def test_seven_results() -> None:
    """statsmodels 0.15.0, robust.scale.Huber(c=1.5), exact constants: 5.3861 and 1.1446 (computed elsewhere)."""
    found = algorithm_a(SEVEN)
    assert found.mean == pytest.approx(5.3861, abs=5e-5)
    assert found.deviation == pytest.approx(1.1446, abs=5e-5)
    assert found.number == 7


def test_seven_results_with_the_printed_constant(monkeypatch: pytest.MonkeyPatch) -> None:
    """ISO 13528 prints 1.134: 5.3865 and 1.1460 (computed elsewhere), 0.12 % more than with the exact 1.1334."""
    monkeypatch.setattr(robust, "_SPREAD_FACTOR", 1.134)
    found = algorithm_a(SEVEN)
    assert found.mean == pytest.approx(5.3865, abs=5e-5)
    assert found.deviation == pytest.approx(1.1460, abs=5e-5)


def test_constants() -> None:
    """ISO 13528 and ISO 5725-5 print 1.483 and 1.134 (memory); exact by the normal distribution, integrated here."""
    constants = [robust._MEDIAN_FACTOR, robust._SPREAD_FACTOR]
    pulled, _ = integrate.quad(lambda x: min(x * x, 2.25) * stats.norm.pdf(x), -12.0, 12.0, points=[-1.5, 1.5])
    assert constants == pytest.approx([1.0 / stats.norm.ppf(0.75), 1.0 / math.sqrt(pulled)], rel=1e-9)
    assert constants == pytest.approx([1.483, 1.134], abs=1e-3)


@pytest.mark.parametrize("seed", range(6))
def test_it_solves_its_equations(seed: int) -> None:
    results = np.random.default_rng(seed).standard_t(3, 15 + seed)
    found = algorithm_a(results)
    mean, deviation = solved(results)
    assert found.mean == pytest.approx(mean, abs=1e-9)
    assert found.deviation == pytest.approx(deviation, rel=1e-9)


def test_levels_are_independent() -> None:
    table = np.random.default_rng(2).standard_normal((20, 4)) * [0.1, 1.0, 10.0, 100.0] + [1.0, 10.0, 100.0, 1e4]
    table[3, 1] = np.nan
    together = algorithm_a(table)
    alone = [algorithm_a(level[np.isfinite(level)]) for level in table.T]
    assert together.mean == pytest.approx([float(one.mean) for one in alone], rel=1e-11)
    assert together.deviation == pytest.approx([float(one.deviation) for one in alone], rel=1e-9)
    assert together.number.tolist() == [20, 19, 20, 20]


def test_normal_results_keep_their_spread() -> None:
    """Simulated, 4000 rounds of 30: s* is unbiased to 1 % and x* needs 1.05 σ/√p, so that 1.25 is on the safe side."""
    drawn = np.random.default_rng(7).standard_normal((30, 4000))
    found = algorithm_a(drawn)
    assert np.mean(found.deviation) == pytest.approx(1.0, abs=0.015)
    assert np.std(found.mean) * math.sqrt(30) == pytest.approx(1.03, abs=0.04)


def test_wild_results_don_t_carry_it_away() -> None:
    good = np.random.default_rng(5).normal(46.0, 0.1, 27)
    wild = np.append(good, [460.0, 4.6, 99.0])
    found, without = algorithm_a(wild), algorithm_a(good)
    assert abs(found.mean - without.mean) < 0.03
    assert found.deviation < 1.4 * without.deviation
    assert np.std(wild) > 100.0 * found.deviation


@given(
    st.lists(st.floats(-20.0, 20.0), min_size=5, max_size=10, unique=True).filter(
        lambda v: float(stats.median_abs_deviation(v)) > 0.07
    ),
    st.floats(0.1, 100.0),
    st.floats(-1000.0, 1000.0),
)
def test_shift_and_scale(results: list[float], scale: float, shift: float) -> None:
    found, moved = algorithm_a(results), algorithm_a(scale * np.array(results) + shift)
    assert moved.mean == pytest.approx(scale * found.mean + shift, rel=1e-9, abs=1e-6)
    assert moved.deviation == pytest.approx(scale * found.deviation, rel=1e-6)


def test_large_numbers_with_small_differences() -> None:
    """Centred before squaring: a thousand million and hundredths keep what the binary inputs hold."""
    results = np.random.default_rng(4).normal(0.0, 0.01, 20)
    found, moved = algorithm_a(results), algorithm_a(results + 1e9)
    assert moved.deviation == pytest.approx(found.deviation, rel=1e-4)


def test_most_results_equal() -> None:
    found = algorithm_a([46.0, 46.0, 46.0, 46.0, 46.0, 47.0])
    assert (found.mean, found.deviation) == (pytest.approx(46.0, abs=1e-9), 0.0)
    spread = algorithm_a([46.0, 46.0, 46.0, 46.2, 46.4, 47.0])
    assert 0.0 < spread.deviation < 0.5


def test_refusals() -> None:
    with pytest.raises(ValueError, match="2 results at a level: 3 or more were expected"):
        algorithm_a([1.0, 2.0])
    with pytest.raises(ValueError, match="1 results at a level: 3 or more were expected"):
        algorithm_a([[1.0, 2.0], [1.0, np.nan], [2.0, np.nan]])
    with pytest.raises(ValueError, match="a series of numbers, or laboratories × levels"):
        algorithm_a([1.0, 2.0, np.inf])


def by_the_letter(results: list[float]) -> tuple[float, float, int]:
    """Algorithm A as ISO 13528, C.3.1 tells it (memory), with the exact constants: x*, s* and the rounds taken."""
    mean = statistics.median(results)
    start = deviation = 1.482602218505602 * statistics.median(abs(one - mean) for one in results)
    rounds, moved = 0, math.inf
    while moved > 1e-12 * max(deviation, start):
        rounds += 1
        low, high = mean - 1.5 * deviation, mean + 1.5 * deviation
        pulled = [min(max(one, low), high) for one in results]
        before = mean, deviation
        mean, deviation = statistics.fmean(pulled), 1.133392655462487 * statistics.stdev(pulled)
        moved = max(abs(mean - before[0]), abs(deviation - before[1]))
    return mean, deviation, rounds


@pytest.mark.parametrize("seed", range(8))
def test_algorithm_a_round_by_round(seed: int) -> None:
    results = np.random.default_rng(seed).standard_t(2, 9).tolist()
    found = algorithm_a(results)
    mean, deviation, rounds = by_the_letter(results)
    assert (found.mean, found.deviation) == (pytest.approx(mean, abs=1e-11), pytest.approx(deviation, rel=1e-11))
    assert found.rounds == rounds


def test_the_plain_deviation_starts_where_most_results_are_equal() -> None:
    """By hand: s² = 35/132, and 1.5 s* reaches further than 7/12, so that nothing is pulled in."""
    found = algorithm_a([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    assert found.deviation == pytest.approx(1.133392655462487 * math.sqrt(35.0 / 132.0))
    assert found.mean == pytest.approx(5.0 / 12.0)


def test_an_iteration_without_an_end_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    rounds = algorithm_a(SEVEN).rounds
    monkeypatch.setattr(robust, "_ROUNDS", rounds)
    assert algorithm_a(SEVEN).rounds == rounds
    monkeypatch.setattr(robust, "_ROUNDS", rounds - 1)
    with pytest.raises(ArithmeticError, match=rf"didn't settle in {rounds - 1} rounds: \[4\.5, 4\.9"):
        algorithm_a(SEVEN)


@pytest.mark.parametrize(
    "call",
    [
        lambda: q_hampel([[[1.0, 2.0, 3.0]]]),
        lambda: algorithm_a([[[1.0, 2.0, 3.0]]]),
        lambda: algorithm_a(1.0),
    ],
)
def test_tables_that_are_none_are_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"expected|a series of numbers"):
        call()


# --- Q and Hampel: a printed example; by the definitions in another way; by simulation ---

ATRAZINE = """.040 .055 .178 .202 .206 .227 .228 .230 .230 .235 .236 .237 .243 .244 .245 .2555 .260 .264 .267 .270 .273
    .274 .274 .278 .2811 .287 .287 .288 .289 .295 .296 .311 .331 .4246"""


def test_atrazine_in_drinking_water() -> None:
    """ISO 13528:2022, Annex E.3, tables E.4 and E.5, 34 laboratories [µg/L]: x*, s* as printed (seen in the tests of a
    general library of such statistics)."""
    results = [float(one) for one in ATRAZINE.split()]
    for estimate, mean, deviation in ((q_hampel, 0.2600, 0.0426), (algorithm_a, 0.2570, 0.0395)):
        found = estimate(results)
        assert (found.mean, found.deviation) == pytest.approx((mean, deviation), abs=5e-5)


def test_mercury_and_replicates_by_algorithm_a() -> None:
    """ISO 13528:2022, Annex E.7 (21 results of table E.6): 0.031 61, 0.0164; E.13 (25 averages): 1.57 (seen so)."""
    mercury = [0.013, 0.013, 0.0135, 0.014, 0.014, 0.016, 0.017, 0.019, 0.0239, 0.037, 0.039]
    mercury += [0.04, 0.04, 0.04, 0.0424, 0.044, 0.045, 0.045, 0.046, 0.049, 0.053]
    found = algorithm_a(mercury)
    assert (found.mean, found.deviation) == (pytest.approx(0.03161, abs=5e-6), pytest.approx(0.0164, abs=5e-5))
    averages = [2.15, 1.85, 1.80, 1.80, 1.90, 1.90, 1.90, 2.05, 2.35, 2.03, 2.08, 1.25]
    averages += [1.13, 1.00, 1.08, 1.20, 1.35, 1.23, 1.23, 0.90, 1.48, 1.20, 1.73, 1.43, 1.28]
    assert algorithm_a(averages).mean == pytest.approx(1.57, abs=5e-3)


@pytest.mark.parametrize("unit", [0.1, 1e-3, 7.0])
def test_ties_are_ties_in_every_unit(unit: float) -> None:
    """12.3 − 12.2 isn't 5.1 − 5.0 in binary: results in steps of a unit give as many units as whole numbers do."""
    random = np.random.default_rng(17)
    for number in range(4, 31):
        whole = random.normal(random.uniform(-500.0, 500.0), 10.0 ** random.uniform(0.0, 1.7), number).round()
        found, expected = q_hampel(whole * unit), q_hampel(whole)
        assert found.deviation / unit == pytest.approx(float(expected.deviation), rel=1e-9)
        assert found.mean / unit == pytest.approx(float(expected.mean), rel=1e-9)


def q_by_steps(results: list[float]) -> float:
    """Q as ISO 13528, C.5.2.2 tells it (memory), by walking up the steps of H1 one by one."""
    apart = sorted(round(abs(one - other), 9) for i, one in enumerate(results) for other in results[:i])
    share = [sum(each <= step for each in apart) / len(apart) for step in apart]
    equal = sum(each == 0.0 for each in apart) / len(apart)
    wanted, x_below, g_below = 0.25 + 0.75 * equal, 0.0, 0.0
    for step in sorted({each for each in apart if each > 0.0}):
        below = max([h for each, h in zip(apart, share, strict=True) if each < step], default=0.0)
        here = 0.5 * (below + share[apart.index(step)])
        if here >= wanted:
            found = x_below + (step - x_below) * (wanted - g_below) / (here - g_below)
            return found / (math.sqrt(2.0) * statistics.NormalDist().inv_cdf(0.625 + 0.375 * equal))
        x_below, g_below = step, here
    raise AssertionError


@pytest.mark.parametrize("seed", range(8))
def test_q_and_hampel_by_another_route(seed: int) -> None:
    """Rounded results with ties; the mean solves Σψ = 0, found by bisection beside the median."""
    results = (np.random.default_rng(seed).standard_t(2, 11 + seed) * 4.0).round(1 - seed % 2).tolist()
    found = q_hampel(results)
    assert found.deviation == pytest.approx(q_by_steps(results), rel=1e-12)

    def psi(mean: float) -> float:
        q = (np.array(results) - mean) / float(found.deviation)
        size = np.abs(q)
        height = np.select([size <= 1.5, size <= 3.0, size <= 4.5], [size, 1.5, 4.5 - size], 0.0)
        return float(np.sum(np.sign(q) * height))

    near = 0.6 * float(found.deviation)
    mean = optimize.brentq(psi, float(np.median(results)) - near, float(np.median(results)) + near, xtol=1e-13)
    assert found.mean == pytest.approx(mean, abs=1e-10)


def test_q_of_normal_results() -> None:
    """Simulated: consistent, as sure as a plain deviation of 72 % as many, in the limit 82 % (Müller, Uhlig)."""
    drawn = np.random.default_rng(3).standard_normal((40, 3000))
    found = q_hampel(drawn)
    assert np.median(found.deviation) == pytest.approx(1.0, abs=0.03)
    plain = drawn.std(axis=0, ddof=1)
    assert (plain.std() / plain.mean()) ** 2 / (found.deviation.std() / found.deviation.mean()) ** 2 == pytest.approx(
        0.72, abs=0.05
    )
    assert np.var(found.mean) * 40.0 < 1.10


@pytest.mark.parametrize("number", [8, 30])
def test_q_compares_as_a_deviation_of_seven_tenths(number: int) -> None:
    """Simulated, 4000 rounds: an own deviation of 25 results is called larger at 1 % in at most 1 % (F test)."""
    random = np.random.default_rng(number)
    spread, own = q_hampel(random.standard_normal((number, 4000))).deviation, random.standard_normal((25, 4000))
    p = stats.f.sf((own.std(axis=0, ddof=1) / spread) ** 2, 24, 0.7 * (number - 1))
    assert 0.003 < np.mean(p < 0.01) < 0.014


def test_q_and_hampel_stand_where_algorithm_a_leans() -> None:
    """A wild fifth: Hampel's mean doesn't see it, that of Algorithm A is pulled; levels stand by themselves."""
    good = np.random.default_rng(5).normal(46.0, 0.1, 24)
    wild = np.append(good, np.linspace(60.0, 66.0, 6))
    assert abs(q_hampel(wild).mean - q_hampel(good).mean) < 0.02 < abs(algorithm_a(wild).mean - algorithm_a(good).mean)
    table = np.column_stack([wild, np.append(good, [np.nan] * 6)])
    assert q_hampel(table).mean == pytest.approx([float(q_hampel(wild).mean), float(q_hampel(good).mean)], rel=1e-12)
    assert q_hampel([46.0, 46.0, 46.0]).deviation == 0.0
