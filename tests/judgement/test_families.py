"""Checks that are made together hold a good run back as seldom as they say, and lose no fault; oils are invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.judgement.control.status import ChartState
from labcalc.judgement.record.dossier import fill_scatter
from labcalc.judgement.run.validity import CHART_SIGNIFICANCE, control_chart_check
from labcalc.statistics import family_repeatability, individuals_limits
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from tests.benchmarks.held_back import Noise, simulated


@pytest.mark.parametrize("pairs", [1, 2, 4, 8])
def test_all_pairs_of_a_run_keep_the_wider_limit(pairs: int) -> None:
    """Simulation: r = 1.96 √2 s holds one pair in 95 %; the wider limit all pairs in 97 %."""
    drawn = np.random.default_rng(5).normal(size=(200_000, pairs, 2))
    worst = np.abs(drawn[..., 0] - drawn[..., 1]).max(axis=1)
    limit = family_repeatability(1.959964 * np.sqrt(2.0), pairs)
    assert np.mean(worst > limit) == pytest.approx(0.03, abs=0.0025)


@pytest.mark.parametrize("number", [10, 20, 60])
@pytest.mark.parametrize("source", ["moving range", "standard deviation"])
def test_a_chance_is_as_rare_as_it_says(number: int, source: str) -> None:
    """Simulation: baselines and one more result each; told to be that rare in 5 and 1 %, by ten results in less."""
    generator, told = np.random.default_rng(number), []
    for _ in range(4000):
        limits = individuals_limits(generator.normal(size=number), sigma_from=source, constants="exact")  # type: ignore[arg-type]
        told.append(limits.chance_beyond(abs(float(generator.normal()) - limits.centre) / limits.sigma))
    shares = [float(np.mean(np.array(told) < level)) for level in (0.05, 0.01)]
    assert 0.45 < shares[0] / 0.05 < 1.25
    assert 0.4 < shares[1] / 0.01 < 1.5


@pytest.mark.parametrize("source", ["moving range", "standard deviation"])
def test_a_chance_by_known_limits_and_an_average(source: str) -> None:
    """Eight results behind the centre: a prediction's factor is √(1 + 1/8); an EWMA has 0.4/(2 - 0.4) = 0.25."""
    limits = individuals_limits([1.0, 2.0, 1.5, 1.2, 1.9, 1.4, 1.6, 1.7], sigma_from=source)  # type: ignore[arg-type]
    freedom = 7.0 if source == "standard deviation" else limits.tail_degrees_of_freedom
    expected = 2.0 * stats.t.sf(3.0 / np.sqrt(1.0 + 1.0 / 8.0), freedom)
    assert limits.chance_beyond(3.0) == pytest.approx(expected, rel=1e-9)
    expected = 2.0 * stats.t.sf(3.0 * np.sqrt(0.25 / (0.25 + 1.0 / 8.0)), freedom)
    assert limits.chance_beyond(3.0, weight=0.4) == pytest.approx(expected, rel=1e-9)
    assert limits.chance_beyond(limits.reach()) == pytest.approx(2.0 * stats.norm.sf(3.0)), "what limits promise"
    assert STANDARD_LIMITS.chance_beyond(3.0) == pytest.approx(2.0 * stats.norm.sf(3.0))


def state(chance: float, status: str = "in control") -> ChartState:
    return ChartState("a chart", status, "a finding", 0.5, chance)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("chances", "said"),
    [
        ((0.004, *[0.5] * 7), "met"),
        ((0.001, *[0.5] * 7), "doubtful"),
        ((0.004, 0.0024, *[0.5] * 6), "met"),
        ((0.004, 0.0024, 0.003, 0.0035, *[0.5] * 4), "doubtful"),
        ((0.004,), "doubtful"),
    ],
)
def test_one_signal_of_many_charts_asks_for_the_oil_again(chances: tuple[float, ...], said: str) -> None:
    """Simes: the k-th smallest of m chances times m/k, the least over k: 8 · 0.004, 8 · 0.004/4."""
    states = [state(one, "signal" if one < 0.005 else "in control") for one in chances]

    class Told:
        charts, shifts = tuple(states), ()

    found = control_chart_check(Told())  # type: ignore[arg-type]
    least = min(len(chances) * one / (k + 1) for k, one in enumerate(sorted(chances)))
    assert found.state == said == ("met" if least > CHART_SIGNIFICANCE else "doubtful")
    assert ("repeat that oil" in found.finding) is (said == "met")


def test_what_has_moved_and_stayed_away_is_doubtful_whatever_single_results_say() -> None:
    class Told:
        charts, shifts = (state(0.5),), ("the thin oil reads +0.3 %", "another")

    found = control_chart_check(Told())  # type: ignore[arg-type]
    assert (found.state, found.finding) == (
        "doubtful",
        "the thin oil reads +0.3 % (and 1 more): it has moved and stayed away",
    )
    Told.shifts = Told.shifts[:1]
    assert "more" not in control_chart_check(Told()).finding  # type: ignore[arg-type]
    Told.shifts = ()
    assert control_chart_check(Told()).state == "met"  # type: ignore[arg-type]


def rows(count: int, apart: float, product: str = "Oil") -> pd.DataFrame:
    """Runs a day apart whose second fill is 2 % · ``apart`` from the first, once above, once below."""
    lines = []
    for run in range(count):
        day = pd.Timestamp("2026-01-05 08:00", tz="UTC") + pd.Timedelta(days=run)
        for fill, sign in ((0, 0.0), (1, 1.0 if run % 2 else -1.0)):
            lines.append(
                (f"R{run}", product, day, 40.0, 50.0 * np.exp(sign * apart), np.nan, 850.0 + sign * 0.1 * fill)
            )
    names = ["run", "product", "measured_at", "temperature_C"]
    return pd.DataFrame(
        lines, columns=[*names, "kinematic_viscosity_mm2_s", "dynamic_viscosity_mPa_s", "density_kg_m3"]
    )


def test_own_scatter_by_hand() -> None:
    """Each difference 0.002: one standard deviation of a fill is 0.002/√2, of a density 0.1/√2; 30 runs are needed."""
    found = fill_scatter(rows(40, 0.002))
    late = pd.Timestamp("2026-06-01", tz="UTC")
    nu, rho = (found.at(late, "Oil", quantity, 40.04) for quantity in ("kinematic viscosity", "density"))
    assert nu is not None
    assert rho is not None
    assert (nu.size, nu.number) == (pytest.approx(0.002 / np.sqrt(2.0)), 40)
    assert rho.size == pytest.approx(0.1 / np.sqrt(2.0))
    assert found.at(late, "Oil", "dynamic viscosity", 40.0) is None
    assert found.at(pd.Timestamp("2026-02-03 08:00", tz="UTC"), "Oil", "density", 40.0) is None, "29 runs earlier"
    assert found.at(late, "Another", "density", 40.0) is None, "fills of one product say nothing of another's"
    assert fill_scatter(rows(40, 0.0)).at(late, "Oil", "kinematic viscosity", 40.0) is None, "rounded to nothing"


@pytest.mark.slow
def test_good_runs_are_seldom_held_back_and_faults_seldom_released() -> None:
    """At most 8 % and 2 %: the promise of README; faults of 4 to 12 standard deviations."""
    found = simulated(4, 11, Noise(), faulty=0.25)
    assert found.good > 600
    assert found.held <= 0.08 * found.good
    faulty, released = sum(found.faulty.values()), sum(found.released.values())
    assert faulty > 200
    assert released <= 0.02 * faulty + 2.0 * np.sqrt(0.02 * faulty)
