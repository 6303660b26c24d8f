"""Every claim of a lesson: simulation beside theory, and the theory beside a reference library or a printed value."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labcalc.lessons import LESSONS, Agreement, repeats


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)
def test_simulation_agrees_with_theory(lesson: object) -> None:
    agreements = next(one.agreements() for one in LESSONS if one is lesson)
    assert len(agreements) >= 3
    for one in agreements:
        assert one.agrees, f"{one.what}: {one.apart:+.1f} standard errors apart"
        assert one.number >= 1000


def test_a_standard_error_is_what_simulations_scatter_with() -> None:
    """Distances in standard errors scatter with 1 about 0: over 400 simulations of each kind (our own simulation)."""
    apart = []
    for seed in range(400):
        drawn = np.random.default_rng(seed).exponential(size=500)
        apart.append(
            (
                Agreement.of_share("", math.exp(-1.0), drawn > 1.0).apart,
                Agreement.of_mean("", 1.0, drawn, "").apart,
                Agreement.of_spread("", 1.0, drawn, "").apart,
            )
        )
    assert np.std(apart, axis=0) == pytest.approx([1.0, 1.0, 1.0], abs=0.15)


def test_a_wrong_theory_does_not_agree() -> None:
    drawn = np.random.default_rng(1).standard_normal(10_000)
    assert not Agreement.of_spread("", 1.05, drawn, "").agrees
    assert not Agreement.of_mean("", 0.05, drawn, "").agrees
    assert not Agreement.of_share("", 0.55, drawn > 0.0).agrees


def test_repeats_against_the_normal_and_chi_squared_distributions() -> None:
    """scipy.stats; the factor as ISO 5725-6:1994, 4.1.2 prints it: 2.8, and ASTM E177: 2.8."""
    assert stats.norm.ppf(0.975) == pytest.approx(repeats.COVER_95, rel=1e-12)
    assert round(repeats.limit_factor(), 1) == 2.8
    for factor in (0.5, 1.0, 2.0, repeats.limit_factor()):
        assert repeats.share_within(factor) == pytest.approx(1.0 - 2.0 * stats.norm.sf(factor, scale=math.sqrt(2.0)))
    for pairs in (1, 5, 50):
        marks = [mark.value for mark in repeats.plot_pooled(pairs).marks]
        bounds = np.sqrt(stats.chi2.ppf([0.025, 0.975], pairs) / pairs)
        assert [marks[0], marks[2]] == pytest.approx(bounds.tolist())


def test_pooling_is_the_mean_of_the_variances_of_the_pairs() -> None:
    """Derivation: the variance of two results is half the square of their difference."""
    first, second = repeats.draw_pairs(np.random.default_rng(3), 20)
    both = np.column_stack([first, second])
    found = repeats.pooled_deviation(first - second)
    assert found == pytest.approx(math.sqrt(np.mean(np.var(both, axis=1, ddof=1))))


@pytest.mark.parametrize(("relative", "pairs"), [(0.10, 50), (0.05, 200), (0.20, 13), (0.50, 2)])
def test_pairs_needed(relative: float, pairs: int) -> None:
    """JCGM 100:2008, table E.1 (n = 50: 10 %) by its formula 1/√(2ν)."""
    assert repeats.pairs_needed(relative) == pairs
