"""Control charts by hand: what sets limits, where signals lie, what is told of a chart at a run and over a month.

Densities of an invented reference oil, so that a chart is the result less 850 kg/m³. "Trade" limits: the centre ±
2.66 mean moving ranges (ASTM D6299, memory), so σ = 2.66 MR / 3; EWMA: λ = 0.4, limits ± 3 σ √(0.4 / 1.6) = 1.5 σ,
however few results there are; where limits widen with few, it is said.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.judgement import Chart, control_charts
from labcalc.judgement.control.charts import concerns
from labcalc.judgement.control.status import ChartState, Sight, chart_status, sight_of, sights_of, states_at
from labcalc.lab import Baseline, CertifiedValue, ControlChoices, Decision, Laboratory, ReferenceLot, ReferenceMaterial
from labcalc.statistics import (
    Beyond,
    ChartLimits,
    ChartSight,
    chart_sight,
    individuals_limits,
)
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from tests.judgement.test_control import KV, laboratory, moment, one_chart, series, whole

STEADY = (0.00, 0.10, 0.02, 0.12, 0.01, 0.11, 0.03, 0.09)
"""Mean 0.06; moving ranges 0.10 + 0.08 + 0.10 + 0.11 + 0.10 + 0.08 + 0.06 = 0.63 over 7: 0.09, so σ = 0.0798."""

SIGMA = 2.66 * 0.09 / 3.0

FIRST, LAST = moment("2026-01-01"), moment("2027-01-01")


def densities(*away: float, **more: Any) -> pd.DataFrame:
    """One result a day from 5 January on, 08:00, by its distance from the certified 850 kg/m³."""
    return series([850.0 + one for one in away], certified=850.0, quantity="density", **more)


def lab(**control: object) -> Laboratory:
    return laboratory(**{"baseline_results": 8, "settled_results": 8, "limits": "three sigma"} | control)


def decision(what: str, run: str = "", **about: Any) -> Decision:
    when = about.pop("when", datetime.fromisoformat("2026-02-20T10:00:00+00:00"))
    return Decision("I. Duarte", when, what, "because", run=run, **about)


def state(chart: Chart, at: str = "2026-01-31 08:00") -> ChartState:
    (found,) = states_at([chart], moment(at))
    return found


# --- Limits ---


def test_limits_by_hand() -> None:
    limits = one_chart(densities(*STEADY), lab()).limits
    assert limits is not None
    assert (limits.centre, limits.sigma, limits.number) == (pytest.approx(0.06), pytest.approx(SIGMA), 8)
    assert not limits.provisional
    assert limits.sigma_from == "moving range"
    assert (limits.lower, limits.upper) == pytest.approx((0.06 - 3.0 * SIGMA, 0.06 + 3.0 * SIGMA))


def test_limits_of_few_results_stand_further_out() -> None:
    """A prediction (Hahn and Meeker 1991, 4.7): t as rare as 3 σ, √(1 + 1/8); of an EWMA √(1 + 1.6/(8 · 0.4)).

    Results rounded to 0.1 have s for σ, so that t has exactly 7 degrees of freedom.
    """
    values = np.array([0, 5, 1, 5, 0, 6, 2, 4]) * 0.1
    s, centre, t = float(np.std(values, ddof=1)), float(np.mean(values)), stats.t.isf(stats.norm.sf(3.0), 7)
    chart = one_chart(densities(*values), lab(limits="by baseline size"))
    assert chart.limits is not None
    assert chart.ewma is not None
    assert chart.limits.upper == pytest.approx(centre + t * s * math.sqrt(1.0 + 1.0 / 8.0))
    assert chart.ewma.upper == pytest.approx(centre + t * 0.5 * s * math.sqrt(1.0 + 1.6 / (8.0 * 0.4)))
    beyond, within = (centre + t * s * math.sqrt(9.0 / 8.0) * factor for factor in (1.01, 0.99))
    for value, signals in ((beyond, ["1 beyond 3 s"]), (within, [])):
        found = one_chart(densities(*values, value), lab(limits="by baseline size", ewma_weight=0.0))
        assert [one.what for one in found.signals] == signals


@pytest.mark.parametrize(
    ("number", "control", "expected"),
    [
        (7, {}, ("too few", ("7 results in the baseline; limits need 8",))),
        (8, {}, ("in control", ())),
        (8, {"settled_results": 9}, ("provisional", ("limits from 8 results only (the first 8 results of the lot)",))),
        (1, {}, ("too few", ("1 result in the baseline; limits need 8",))),
        (2, {"fewest_results": 2, "settled_results": 2}, ("in control", ())),
    ],
)
def test_how_many_results_set_limits(number: int, control: dict[str, int], expected: object) -> None:
    assert whole(one_chart(densities(*STEADY[:number]), lab(**control))) == expected


def test_a_baseline_without_a_result_is_told() -> None:
    """Both results of the lot are excluded."""
    excluded = [decision("exclude", run=f"A{n}") for n in range(2)]
    assert whole(one_chart(densities(0.0, 0.1), lab(), *excluded))[1] == ("0 results in the baseline; limits need 8",)


@pytest.mark.parametrize(
    ("step", "sigma_from"), [(0.02, "moving range"), (0.03, "standard deviation")], ids=["0.29 of s", "0.43 of s"]
)
def test_coarse_rounding_changes_what_the_spread_comes_from(step: float, sigma_from: str) -> None:
    """Step over standard deviation, 0.3 at the most; s is 0.07 for both."""
    values = np.array([0, 7, 2, 9, 0, 9, 4, 7]) * 0.02 if step == 0.02 else np.array([0, 5, 1, 5, 0, 6, 2, 4]) * 0.03
    s = float(np.std(values, ddof=1))
    assert (step / s > 0.3) == (sigma_from == "standard deviation")
    limits = one_chart(densities(*values.tolist()), lab()).limits
    assert limits is not None
    mean_range = float(np.abs(np.diff(values)).mean())
    assert limits.sigma_from == sigma_from
    assert limits.sigma == pytest.approx(s if sigma_from == "standard deviation" else 2.66 * mean_range / 3.0)


# --- Which results set them ---


@pytest.mark.parametrize(
    ("baselines", "places", "words"),
    [
        ([], range(8), "the first 8 results of the lot"),
        ([Baseline(date(2026, 1, 6), date(2026, 1, 9))], range(1, 5), "2026-01-06 to 2026-01-09"),
        (
            [Baseline(date(2025, 1, 1), date(2026, 1, 4)), Baseline(date(2026, 1, 5), date(2026, 1, 5))],
            [0],
            "2026-01-05 to 2026-01-05",
        ),
        ([Baseline(date(2026, 1, 6), date(2026, 1, 9), lot="B")], range(8), "the first 8 results of the lot"),
        ([Baseline(date(2026, 1, 6), date(2026, 1, 9), lot="a")], range(1, 5), "2026-01-06 to 2026-01-09"),
        ([Baseline(date(2026, 1, 6), date(2026, 1, 9), instrument="vd")], range(1, 5), "2026-01-06 to 2026-01-09"),
        ([Baseline(date(2026, 1, 6), date(2026, 1, 9), "A", "other")], range(8), "the first 8 results of the lot"),
        ([Baseline(date(2027, 1, 6), date(2027, 1, 9))], range(8), "the first 8 results of the lot"),
    ],
)
def test_a_period_sets_the_limits_where_it_holds(baselines: list[Baseline], places: Sequence[int], words: str) -> None:
    chart = one_chart(densities(*STEADY, 0.05, 0.07), lab(baselines=tuple(baselines)))
    assert np.flatnonzero(chart.in_baseline).tolist() == list(places)
    assert chart.baseline == words
    assert chart.baseline_end == chart.measured_at[max(places)]


def test_an_excluded_result_makes_room_for_the_next() -> None:
    chart = one_chart(densities(*STEADY, 0.05, 0.07), lab(), decision("exclude", run="A2"))
    assert np.flatnonzero(chart.in_baseline).tolist() == [0, 1, 3, 4, 5, 6, 7, 8]
    expected = [math.nan, 0.10, math.nan, 0.02, 0.11, 0.10, 0.08, 0.06, 0.04, 0.02]
    assert chart.moving_ranges == pytest.approx(expected, nan_ok=True), "over the gap: |0.12 - 0.10|"


def test_without_a_result_there_is_no_end_of_a_baseline() -> None:
    excluded = [decision("exclude", run=f"A{n}") for n in range(2)]
    assert one_chart(densities(0.0, 0.1), lab(), *excluded).baseline_end is None


def test_a_new_lot_stands_on_the_spread_of_the_old_until_it_is_settled() -> None:
    """s² of both lots by degrees of freedom where the F-test finds no difference; its own from settled_results on."""
    new = densities(*STEADY, 0.06, start="2026-03-01", lot="B")
    for settled, source in ((8, "moving range"), (9, "old lot")):
        old, fresh = control_charts(pd.concat([densities(*STEADY), new]), lab(settled_results=settled))
        assert fresh.limits is not None
        assert old.limits is not None
        assert fresh.limits.sigma_from == source
        degrees, variance = old.limits.sigma_degrees_of_freedom, float(np.var(STEADY, ddof=1))
        pooled = math.sqrt((degrees * SIGMA**2 + 7.0 * variance) / (degrees + 7.0))
        assert fresh.limits.sigma == pytest.approx(pooled if source == "old lot" else SIGMA)
        assert (fresh.limits.centre, fresh.limits.number) == (pytest.approx(0.06), 8)


def test_a_lot_charted_in_another_unit_lends_no_spread() -> None:
    """Without a certified value a chart holds the results themselves."""
    bare = densities(*STEADY, start="2026-03-01", lot="C").assign(certified=math.nan)
    _, fresh = control_charts(
        pd.concat([series([50.0 + one for one in STEADY]), bare.assign(quantity=KV)]), lab(settled_results=9)
    )
    assert (fresh.unit, fresh.limits and fresh.limits.sigma_from) == ("mm²/s", "moving range")


# --- What speaks against a baseline ---


def test_screening_needs_eight_results_that_differ() -> None:
    rising = [0.01 * n for n in range(9)]
    assert one_chart(densities(*rising[:7]), lab(baseline_results=7)).screening == ()
    assert one_chart(densities(*rising[:8]), lab()).screening != ()
    assert one_chart(densities(*[0.5] * 9), lab()).screening == ()


def test_neighbours_that_resemble_each_other_are_named() -> None:
    """Von Neumann's ratio Σ(Δx)² / Σ(x - x̄)² of the ramp 0..7: 7 / 42 = 0.17 against its 5 % limit for n = 8, 1.0."""
    found = one_chart(densities(*(0.01 * n for n in range(8))), lab()).screening
    assert found[-1].startswith("neighbours resemble each other: von Neumann ratio 0.17, limit ")
    limit = float(found[-1].rsplit(" ", 1)[1])
    assert limit == pytest.approx(4.0 * stats.beta.ppf(0.05, *[(63.0 / 6.0 - 1.0) / 2.0] * 2), abs=0.005)


def test_a_baseline_that_is_not_normal_is_named() -> None:
    """A² by scipy, times 1 + 0.75/n + 2.25/n² (D'Agostino and Stephens 1986, memory), limit 0.752 (memory)."""
    values = [0.000, 0.011, 0.003, 0.012, 0.001, 0.014, 0.002, 0.013, 0.004, 0.5]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        statistic = float(stats.anderson(values, "norm").statistic)
    (normal,) = (one for one in one_chart(densities(*values), lab(baseline_results=10)).screening if "normal" in one)
    adjusted = statistic * (1.0 + 0.75 / 10.0 + 2.25 / 100.0)
    assert normal == f"not normal: Anderson-Darling A2* {adjusted:.2f}, limit 0.752 [memory]"


# --- Signals ---


def test_where_a_signal_lies_and_by_which_rule() -> None:
    """3 σ is 0.2394 about 0.06: 0.299 is within, 0.300 beyond; the EWMA of 0.300 alone moves 0.096 of its 0.1197."""
    chart = one_chart(densities(*STEADY, 0.299, 0.06, 0.06, 0.06, 0.300), lab())
    assert [(one.position, one.run, one.what) for one in chart.signals] == [(12, "A12", "1 beyond 3 s")]
    average = 0.0
    for one in (*STEADY, 0.299, 0.06, 0.06, 0.06, 0.300):
        average = 0.4 * (one - 0.06) + 0.6 * average
    assert chart.ewma is not None
    assert chart.ewma.values[-1] == pytest.approx(0.06 + average)
    assert (chart.ewma.lower, chart.ewma.upper) == pytest.approx((0.06 - 1.5 * SIGMA, 0.06 + 1.5 * SIGMA))


def test_a_signal_after_an_excluded_result_stays_at_its_own_place() -> None:
    chart = one_chart(densities(*STEADY, 0.9, 0.06, 0.5), lab(), decision("exclude", run="A8"))
    assert [(one.position, one.run, one.what) for one in chart.signals] == [
        (10, "A10", "1 beyond 3 s; EWMA beyond its limits")
    ]
    assert chart.signals[0].measured_at == moment("2026-01-15 08:00")


def test_without_an_ewma_only_rules_signal() -> None:
    values = (*STEADY, *[0.2] * 6)
    assert len(one_chart(densities(*values), lab()).signals) > 0
    rules_only = one_chart(densities(*values), lab(ewma_weight=0.0))
    assert (rules_only.ewma, rules_only.signals) == (None, ())
    two_of_three = one_chart(densities(*values), lab(ewma_weight=0.0, rules=(Beyond(2, 3, 1.5),)))
    assert [one.position for one in two_of_three.signals] == [9, 10, 11, 12, 13], "(0.2 - 0.06) / σ = 1.75"
    assert two_of_three.signals[0].what == "2 of 3 beyond 1.5 s, same side"


def test_only_an_acceptance_closes_a_signal() -> None:
    values = (*STEADY, 0.5)
    for what, still in (("accept", False), ("corrective action", True)):
        chart = one_chart(densities(*values), lab(), decision(what, run="A8"))
        assert [one.is_open for one in chart.signals] == [still]
        assert [place for place, _ in chart.decisions] == [8]
    elsewhere = one_chart(densities(*values), lab(), decision("accept", run="A8", quantity=KV))
    assert (elsewhere.signals[0].is_open, elsewhere.decisions) == (True, ())


@pytest.mark.parametrize(
    ("about", "expected"),
    [
        ({}, True),
        ({"quantity": "density"}, True),
        ({"quantity": KV}, False),
        ({"temperature_C": 40.04}, True),
        ({"temperature_C": 39.96}, True),
        ({"temperature_C": 40.06}, False),
        ({"quantity": KV, "temperature_C": 40.0}, False),
        ({"quantity": "density", "temperature_C": 100.0}, False),
    ],
)
def test_what_a_decision_is_about(about: dict[str, Any], expected: bool) -> None:
    assert concerns(decision("exclude", run="A1", **about), "density", 40.0) is expected


def test_decisions_about_the_instrument_stand_in_the_order_of_time() -> None:
    def at(day: int, **about: Any) -> Decision:
        return decision("corrective action", when=datetime.fromisoformat(f"2026-02-{day:02}T10:00:00+00:00"), **about)

    late, early = at(9, instrument="vd"), at(3, instrument="VD", quantity="density")
    others = [at(4, instrument="W"), at(5, instrument="VD", quantity=KV), at(6, run="A1", instrument="VD")]
    chart = one_chart(densities(*STEADY), lab(), late, early, *others)
    assert chart.instrument_decisions == (early, late)


def test_between_holds_its_first_moment_and_not_its_last() -> None:
    chart = one_chart(densities(*STEADY), lab())
    inside = chart.between(moment("2026-01-06 08:00"), moment("2026-01-08 08:00"))
    assert np.flatnonzero(inside).tolist() == [1, 2]


def test_a_chart_is_named_by_its_oil_and_lot() -> None:
    assert one_chart(densities(*STEADY), lab()).name == "Oil R lot A, density at 40 °C"
    bare = densities(*STEADY).assign(sample="Z-1", lot=None)
    chart = one_chart(bare, lab())
    assert (chart.name, chart.valid_to, math.isnan(chart.certified_uncertainty)) == (
        "Z-1, density at 40 °C",
        None,
        True,
    )


def test_the_certificates_uncertainty_is_told_in_the_unit_of_the_chart() -> None:
    """U = 0.15 with k = 3 is 0.10 with k = 2: 0.2 % of 50 mm²/s; 0.10 mm²/s where the result itself is charted."""
    values = (CertifiedValue("density", 40.0, 850.0, 0.3), CertifiedValue(KV, 40.05, 50.0, 0.15, 3.0))
    oil = ReferenceMaterial("Oil R", ("RO-*",), (ReferenceLot("A", date(2026, 1, 1), date(2026, 12, 31), values),))
    named = replace(lab(), references=(oil,))
    percent = one_chart(series([50.0, 50.1]), named)
    assert (percent.certified_uncertainty, percent.valid_to) == (pytest.approx(0.2), date(2026, 12, 31))
    assert one_chart(series([50.0, 50.1], certified=math.nan), named).certified_uncertainty == pytest.approx(0.1)
    assert one_chart(densities(0.0, 0.1), named).certified_uncertainty == pytest.approx(0.3)
    hot = one_chart(series([50.0, 50.1]).assign(temperature_C=40.2), named)
    assert math.isnan(hot.certified_uncertainty)


# --- Over a period ---


def status(chart: Chart, first: str, last: str) -> tuple[str, tuple[str, ...], int]:
    found = chart_status(chart, moment(first), moment(last))
    return found.status, found.reasons, len(found.signals)


def test_signals_of_a_period_in_words() -> None:
    """Day 13 (A8) and the days after: 0.5 lies 5.5 σ off."""
    chart = one_chart(densities(*STEADY, 0.5, 0.5), lab())
    assert status(chart, "2026-01-13", "2026-01-14") == (
        "signal",
        ("1 signal on 2026-01-13: 1 beyond 3 s; EWMA beyond its limits",),
        1,
    )
    assert status(chart, "2026-01-01", "2026-02-01")[1] == (
        "2 signals from 2026-01-13 to 2026-01-14: 1 beyond 3 s; EWMA beyond its limits",
    )
    assert status(chart, "2026-01-01", "2026-01-13") == ("in control", (), 0)
    same_day = one_chart(
        densities(*STEADY, 0.5, 0.5).assign(
            measured_at=lambda t: [*t["measured_at"][:9], t["measured_at"][8] + pd.Timedelta(hours=2)]
        ),
        lab(),
    )
    assert status(same_day, "2026-01-01", "2026-02-01")[1][0].startswith("2 signals on 2026-01-13: ")


def test_every_reason_in_its_order() -> None:
    values = (*STEADY[:6], 0.3, 0.09, 0.0, 0.9)
    control = lab(baseline_results=9, settled_results=10, ewma_weight=0.0, rules=(Beyond(1, 1, 1.5),))
    accepted = decision("accept", run="A9")
    found = whole(one_chart(densities(*values), control, accepted))
    assert found == (
        "provisional",
        (
            "signal of 2026-01-14 accepted by I. Duarte: because",
            "1 signal within the baseline: look at it again",
            "limits from 9 results only (the first 9 results of the lot)",
        ),
    )
    still_open = whole(one_chart(densities(*values), control))
    assert still_open[0] == "signal"
    assert still_open[1][0] == "1 signal on 2026-01-14: 1 beyond 1.5 s"


def test_a_baseline_that_is_being_gathered_has_a_self_starting_chart() -> None:
    """By hand: five results of 0.1 with s 0.01 and one of 0.9 give T far beyond 3 with four degrees of freedom."""
    values = (0.10, 0.11, 0.09, 0.10, 0.10, 0.9, 0.1)
    chart = one_chart(densities(*values), lab(baseline_results=9, fewest_results=9))
    assert chart.limits is None
    assert [(one.position, one.what, one.is_open) for one in chart.signals] == [
        (5, "unlike the results before it", True)
    ]
    assert whole(chart)[0] == "signal"
    assert state(chart, "2026-01-10 08:00").finding.startswith("unlike the results before it; ")


# --- At a run ---


def test_a_chart_counts_for_30_days_and_a_result_at_the_very_moment_counts() -> None:
    chart = one_chart(densities(*STEADY), lab())
    last = moment("2026-01-12 08:00")
    assert len(states_at([chart], last + pd.Timedelta(days=30))) == 1
    assert states_at([chart], last + pd.Timedelta(days=30, seconds=1)) == ()
    assert len(states_at([chart], last + pd.Timedelta(days=2), days=2.0)) == 1
    assert states_at([chart], last + pd.Timedelta(days=2, seconds=1), days=2.0) == ()
    assert state(chart, "2026-01-12 08:00").status == "in control"
    assert state(chart, "2026-01-12 07:59").finding == "its baseline was still being gathered (7 of 8 results)"
    assert states_at([chart], moment("2026-01-05 07:59")) == ()


@pytest.mark.parametrize(("value", "away"), [(0.16, "+0.10"), (-0.04, "−0.10")])
def test_how_far_the_last_result_is_from_the_centre(value: float, away: str) -> None:
    chart = one_chart(densities(*STEADY, value), lab(ewma_weight=0.0))
    found = state(chart)
    assert found.distance == pytest.approx(0.10 / (3 * SIGMA))
    assert found.finding == (
        f"the last result is {away} kg/m³ from the centre, limit ±0.24; limits from 8 results, the first "
        "8 results of the lot, not signed"
    )


def test_the_moving_average_is_told_where_it_is_the_further_of_the_two() -> None:
    """After four results at 0.12: 0.06 (1 - 0.6⁴) and what is left of the baseline, of 1.5 σ; alone 0.06 of 3 σ."""
    values = (*STEADY, *[0.12] * 4)
    average = 0.0
    for one in values:
        average = 0.4 * (one - 0.06) + 0.6 * average
    found = state(one_chart(densities(*values), lab()))
    assert found.distance == pytest.approx(abs(average) / (1.5 * SIGMA))
    assert found.finding.startswith(
        f"the moving average (EWMA) is {average:+#.2g} kg/m³ from the centre, limit ±0.12; limits from 8"
    )
    back = state(one_chart(densities(*values, -0.14), lab()))
    assert back.finding.startswith("the last result is −0.20 kg/m³ from the centre, limit ±0.24")


def test_the_average_is_that_of_the_results_used() -> None:
    chart = one_chart(densities(*STEADY, 0.9, *[0.12] * 4), lab(), decision("exclude", run="A8"))
    without = state(one_chart(densities(*STEADY, *[0.12] * 4), lab()))
    assert state(chart) == without
    earlier = state(chart, "2026-01-16 08:00")
    assert earlier.distance < state(chart).distance


def test_an_excluded_last_result_says_so_and_has_no_distance() -> None:
    found = state(one_chart(densities(*STEADY, 0.9), lab(), decision("exclude", run="A8")))
    assert found.finding.startswith("the last result is excluded by a decision; limits from 8 results")
    assert (found.status, math.isnan(found.distance)) == ("in control", True)


def test_states_stand_worst_first_and_the_furthest_before() -> None:
    def chart(instrument: str, *values: float, **control: Any) -> Chart:
        table = densities(*STEADY, *values).assign(sample=f"Z-{instrument}", lot="")
        return one_chart(table, lab(ewma_weight=0.0, **control))

    charts = [
        chart("near", 0.07),
        chart("far", 0.16),
        chart("provisional", 0.06, settled_results=9),
        chart("none", fewest_results=9),
        chart("signal", 0.5),
        chart("signal more", 0.6),
        chart("worst", 0.9),
    ]
    names = [one.name.split(",")[0] for one in states_at(charts, moment("2026-01-31"))]
    assert names == [f"Z-{one}" for one in ("worst", "signal more", "signal", "none", "provisional", "far", "near")]


def test_the_lot_last_measured_speaks_for_its_oil() -> None:
    both = pd.concat([densities(*STEADY), densities(*STEADY, start="2026-01-08", lot="B")])
    charts = control_charts(both, lab())
    assert [one.name for one in states_at(charts, moment("2026-01-31"))] == ["Oil R lot B, density at 40 °C"]
    assert [one.name for one in states_at(charts[::-1], moment("2026-01-31"))] == ["Oil R lot B, density at 40 °C"]
    assert [one.name for one in states_at(charts, moment("2026-01-07 09:00"))] == ["Oil R lot A, density at 40 °C"]
    at_once = control_charts(pd.concat([densities(*STEADY), densities(*STEADY, lot="B")]), lab())
    assert [one.name for one in states_at(at_once, moment("2026-01-31"))] == ["Oil R lot B, density at 40 °C"]


def test_a_signal_at_the_run_is_told_and_an_older_one_is_not() -> None:
    chart = one_chart(densities(*STEADY, 0.5, 0.06), lab(ewma_weight=0.0))
    assert state(chart, "2026-01-13 08:00").status == "signal"
    assert state(chart).status == "in control"
    accepted = state(one_chart(densities(*STEADY, 0.5), lab(), decision("accept", run="A8")))
    assert accepted.status == "in control"
    assert accepted.finding.endswith(
        "the first 8 results of the lot, not signed; "
        "signal (1 beyond 3 s; EWMA beyond its limits) accepted by I. Duarte: because"
    )


# --- What a chart can see ---

THREE_SIGMA = (Beyond(1, 1, 3.0),)


def of_size(number: int) -> ChartLimits:
    """Limits whose standard deviation is that of the results: n - 1 degrees of freedom."""
    return individuals_limits(np.arange(float(number)), sigma_from="standard deviation")


def test_known_limits_see_by_their_tail() -> None:
    """p = 2 Φ(-3) at a result; one begins with p (1 - p). After a shift of one σ Φ(-2) + Φ(-4) = 0.0228 a result:
    half have it within 31 results, nine of ten within 100 (simulated: 10 %)."""
    (sight,) = sights_of(ControlChoices(rules=THREE_SIGMA, ewma_weight=0.0), [STANDARD_LIMITS])
    alarm, shift = 2.0 * stats.norm.sf(3.0), stats.norm.sf(2.0) + stats.norm.sf(4.0)
    assert (sight.number, sight.charts) == (0, 1)
    assert sight.figures.begun == pytest.approx(alarm * (1.0 - alarm), rel=0.1)
    found = [math.log(left) / math.log(1.0 - shift) for left in (0.5, 0.1)]
    assert (sight.figures.half, sight.figures.most) == pytest.approx(found, rel=0.1)


def test_the_commonest_baseline_and_the_smallest_are_told() -> None:
    choices = ControlChoices(rules=THREE_SIGMA, ewma_weight=0.0)
    told = sights_of(choices, [of_size(n) for n in (20, 8, 30, 20, 12, 20)])
    assert [(one.number, one.charts) for one in told] == [(20, 3), (8, 1)]
    assert [(one.number, one.charts) for one in sights_of(choices, [of_size(8), of_size(8), of_size(20)])] == [(8, 2)]
    assert told[0].figures.half < told[1].figures.half, "the smaller baseline sees less"
    assert sights_of(choices, []) == ()


def test_figures_are_those_of_the_nearest_size() -> None:
    choices = ControlChoices(rules=THREE_SIGMA, ewma_weight=0.0)
    assert sight_of(choices, of_size(21)) == chart_sight(THREE_SIGMA, 0.0, 3.0, 20.0, 20.0)
    assert sight_of(choices, of_size(2000)) == chart_sight(THREE_SIGMA, 0.0, 3.0, math.inf, math.inf)
    as_known = replace(of_size(20), as_known=True)
    assert sight_of(choices, as_known) == chart_sight(THREE_SIGMA, 0.0, 3.0, 20.0, 20.0, as_known=True)


def test_a_chart_without_rules_and_average_sees_nothing() -> None:
    (sight,) = sights_of(ControlChoices(rules=(), ewma_weight=0.0), [of_size(20)])
    assert sight.figures == ChartSight(0.0, 0.0, math.inf, math.inf)


@pytest.mark.parametrize(
    ("sight", "words"),
    [
        (
            Sight(20, 3, ChartSight(0.004, 0.011, 19.0, 88.0)),
            "Limits from 20 results (3 charts): 0.40 false alarms begin in 100 results, in one chart of ten more than "
            "1.1; a shift of one standard deviation is found within 19 results in every second chart, within 88 in "
            "nine of ten.",
        ),
        (
            Sight(8, 1, ChartSight(0.004, 0.011, 120.0, math.inf)),
            "Limits from 8 results (1 chart): 0.40 false alarms begin in 100 results, in one chart of ten more than "
            "1.1; a shift of one standard deviation is found within 120 results in every second chart.",
        ),
        (
            Sight(0, 2, ChartSight(0.004, 0.011, math.inf, math.inf)),
            "Limits that are known (2 charts): 0.40 false alarms begin in 100 results, in one chart of ten more than "
            "1.1; most never find a shift of one standard deviation.",
        ),
    ],
)
def test_sights_in_words(sight: Sight, words: str) -> None:
    assert sight.sentence == words
