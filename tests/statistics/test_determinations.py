"""Patterns of repeated determinations: rank tables by hand, scipy.stats as the reference library, false alarms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labcalc.statistics import determination_patterns, kendall_trend, theil_sen_slope


def names(determinations: list[float], deviation: float, **choices: float) -> list[str]:
    return [one.name for one in determination_patterns(determinations, deviation, **choices).found]


def test_a_first_one_that_differs_points_to_what_was_in_the_cell() -> None:
    found = determination_patterns([30.51, 30.86, 30.87, 30.85, 30.88], 0.03)
    first = found.patterns[0]
    assert first.found
    assert first.place == 1
    assert first.suspicion.startswith("residue of the sample before")
    assert first.statistic == pytest.approx(abs(30.51 - 30.865) / (0.03 * math.sqrt(1.25)))
    assert first.limit == pytest.approx(1.959964, abs=1e-6)
    assert found.determinations == (30.51, 30.86, 30.87, 30.85, 30.88), "nothing is left out"


@pytest.mark.parametrize(
    ("previous", "cause"),
    [(3.0, "residue of the sample before"), (30.83, "residue of the sample before"), (400.0, "residue of solvent")],
)
def test_the_side_of_the_sample_before_tells_residues_apart(previous: float, cause: str) -> None:
    found = determination_patterns([30.51, 30.86, 30.87, 30.85, 30.88], 0.03, previous=previous)
    assert found.patterns[0].suspicion.startswith(cause)


def test_a_rest_that_does_not_agree_is_no_case_of_the_first() -> None:
    assert "first differs" not in names([30.51, 30.86, 30.40, 30.85, 31.10], 0.03)


@pytest.mark.parametrize(("sign", "name"), [(1.0, "rises steadily"), (-1.0, "falls steadily")])
def test_a_steady_trend(sign: float, name: str) -> None:
    found = determination_patterns([sign * one for one in (1.00, 1.02, 1.03, 1.05, 1.07, 1.08)], 0.05)
    assert name in [one.name for one in found.found]
    assert found.slope == pytest.approx(sign * 0.0166667, abs=1e-6)
    assert found.patterns[1].statistic == pytest.approx(2 / math.factorial(6))


def test_four_in_a_row_are_no_trend_yet() -> None:
    trend = determination_patterns([1.0, 2.0, 3.0, 4.0], 1.0).patterns[1]
    assert not trend.found
    assert trend.why_not.startswith("4 determinations")


@pytest.mark.parametrize(("odd", "name"), [(8.9, "single low"), (11.1, "single high")])
def test_a_single_one(odd: float, name: str) -> None:
    found = determination_patterns([10.00, 10.01, odd, 10.02, 9.99, 10.01], 0.5)
    (single,) = found.found
    assert (single.name, single.place) == (name, 3)
    assert single.limit == pytest.approx(1.887, abs=5e-4), "Grubbs, n = 6, 5 % two-sided: ISO 5725-2 table 5 (memory)"


def test_three_are_kept_and_measured_again() -> None:
    single = determination_patterns([10.00, 10.01, 11.0], 0.02).patterns[2]
    assert not single.found
    assert single.why_not.endswith("keep all, and measure again")


def test_a_wide_spread_by_chi_square_and_by_f() -> None:
    determinations = [10.0, 10.3, 9.8, 10.1]
    known = determination_patterns(determinations, 0.1).patterns[3]
    estimated = determination_patterns(determinations, 0.1, degrees_of_freedom=20).patterns[3]
    assert known.statistic == pytest.approx(np.var(determinations, ddof=1) / 0.01)
    assert known.limit == pytest.approx(7.815 / 3, abs=5e-4), "chi-square table, 3 degrees, 5 % (memory)"
    assert estimated.limit == pytest.approx(3.098, abs=5e-4), "F table, 3 and 20 degrees, 5 % (memory)"
    assert known.found
    assert estimated.found
    assert known.suspicion == "control of the bath, timing or noise"


def test_two_equal_and_all_equal() -> None:
    assert names([10.0, 10.0], 0.1) == []
    assert names([10.0] * 6, 0.1) == []
    assert names([10.0, 10.5], 0.1) == ["wide spread"]


@pytest.mark.parametrize("number", [5, 7, 9])
def test_kendall_and_theil_sen_as_scipy_has_them(number: int) -> None:
    for seed in range(5):
        results = np.random.default_rng(seed).normal(size=number)
        tau, p_value = kendall_trend(results)
        theirs = stats.kendalltau(np.arange(number), results, method="exact")
        assert (tau, p_value) == pytest.approx((theirs.statistic, theirs.pvalue))
        assert theil_sen_slope(results) == pytest.approx(stats.theilslopes(results)[0])


@pytest.mark.parametrize(("significance", "any_of_five"), [(0.05, 0.13), (0.01, 0.03)])
def test_false_alarms_are_as_stated(significance: float, any_of_five: float) -> None:
    generator, cases = np.random.default_rng(3), 1500
    found: dict[str, int] = {}
    alarmed = 0
    for results in generator.normal(10.0, 0.1, (cases, 5)):
        patterns = determination_patterns(results, 0.1, significance=significance).found
        alarmed += bool(patterns)
        for one in patterns:
            kind = one.name.split()[0] if one.place else one.name
            found[kind] = found.get(kind, 0) + 1
    error = 4 * math.sqrt(significance * (1 - significance) / cases)
    assert found["first"] / cases == pytest.approx(significance, abs=error)
    assert found["single"] / cases == pytest.approx(significance, abs=error)
    assert found["wide spread"] / cases == pytest.approx(significance, abs=error)
    assert alarmed / cases == pytest.approx(any_of_five, abs=4 * math.sqrt(any_of_five / cases))


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"deviation": 0.0}, "standard deviation 0: more than 0 was expected"),
        ({"deviation": 0.1, "significance": 0.2}, "significance 0.2: 0.05 or 0.01 was expected"),
    ],
)
def test_choices_that_are_none_are_refused(choices: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=f"^{message}$"):
        determination_patterns([1.0, 2.0, 3.0], **choices)


def test_limits_of_the_von_neumann_ratio_of_few() -> None:
    """Simulated, 200 000 series each (error 0.002): 5 % of independent series lie below."""
    from labcalc.statistics.precision.determinations import _VON_NEUMANN_5_PERCENT

    for number, limit in _VON_NEUMANN_5_PERCENT.items():
        drawn = np.random.default_rng(number).standard_normal((200_000, number))
        ratio = np.sum(np.diff(drawn) ** 2, axis=1) / (np.var(drawn, axis=1) * number)
        assert np.quantile(ratio, 0.05) == pytest.approx(limit, abs=0.008)


def test_every_pattern_of_three_by_hand() -> None:
    """First against the mean of the two others, their variance against the deviation's; no trend, no single one yet."""
    found = determination_patterns([12.0, 10.0, 10.2], 0.2, degrees_of_freedom=10, significance=0.01)
    assert (found.mean, found.median) == (pytest.approx(32.2 / 3.0), 10.2)
    assert found.deviation == pytest.approx(np.std([12.0, 10.0, 10.2], ddof=1))
    assert found.slope == pytest.approx(-0.9)
    first, trend, single, spread = found.patterns
    assert (first.name, first.place, first.found) == ("first differs", 1, True)
    assert first.statistic == pytest.approx(1.9 / (0.2 * math.sqrt(1.5)))
    assert first.limit == pytest.approx(stats.t.ppf(0.995, 10))
    assert (trend.name, trend.found, trend.suspicion) == ("falls steadily", False, "")
    assert (single.name, single.found, single.place) == ("single high", False, 0)
    assert spread.statistic == pytest.approx(found.deviation**2 / 0.04)
    assert (spread.limit, spread.found) == (pytest.approx(stats.f.ppf(0.99, 2, 10)), True)
    assert found.found == (first, spread)


def test_two_determinations_have_no_first() -> None:
    first = determination_patterns([10.0, 12.0], 0.1).patterns[0]
    assert (first.found, first.place) == (False, 0)
    assert first.why_not == "two determinations: neither is the one that differs"


@pytest.mark.parametrize(("previous", "cause"), [(3.0, "residue of solvent"), (400.0, "residue of the sample before")])
def test_a_first_one_above_the_rest(previous: float, cause: str) -> None:
    found = determination_patterns([31.2, 30.86, 30.87, 30.85, 30.88], 0.03, previous=previous)
    assert found.patterns[0].suspicion.startswith(cause)


def test_the_edges_of_four_and_five() -> None:
    """Grubbs, n = 4, 5 % two-sided 1.481 (ISO 5725-2 table 5, memory); five in a row: p 2/5! = 0.0167."""
    single = determination_patterns([10.0, 10.01, 9.99, 11.0], 5.0).patterns[2]
    assert (single.found, single.place, single.name) == (True, 4, "single high")
    assert single.limit == pytest.approx(1.481, abs=5e-4)
    trend = determination_patterns([1.0, 2.0, 3.0, 4.0, 5.0], 5.0).patterns[1]
    assert (trend.found, trend.place, trend.limit) == (True, 0, 0.05)
    assert trend.statistic == pytest.approx(2.0 / 120.0)
    assert trend.suspicion == "evaporation, a cooling bath, or dirt that builds up"
    stricter = determination_patterns([1.0, 2.0, 3.0, 4.0, 5.0], 5.0, significance=0.01).patterns[1]
    assert not stricter.found
    long = determination_patterns(np.arange(8.0), 5.0).patterns[1]
    assert long.found
    for deviation in (-0.1, math.inf, math.nan):
        with pytest.raises(ValueError, match="more than 0 was expected"):
            determination_patterns([1.0, 2.0], deviation)


def test_a_trend_is_no_wide_spread() -> None:
    steady, scattered = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [4.0, 1.0, 6.0, 2.0, 5.0, 3.0]
    assert names(steady, 0.1) == ["rises steadily"]
    assert names(scattered, 0.1) == ["wide spread"]
    flat = determination_patterns([2.0] * 5, 0.1)
    assert [one.statistic for one in flat.patterns] == [0.0, 1.0, 0.0, 0.0]
    assert kendall_trend([1.0, 2.0]) == (1.0, 1.0)
    assert theil_sen_slope([1.0, 3.0]) == 2.0
    for call in (kendall_trend, theil_sen_slope):
        with pytest.raises(ValueError, match="needs 2 or more"):
            call([1.0])
    assert kendall_trend([1.0, 1.0, 1.0]) == (0.0, pytest.approx(1.0))
