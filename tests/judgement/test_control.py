"""Control charts of a small invented laboratory; a published chart where the numbers meet one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from labcalc.judgement import (
    COMPARISON_COLUMNS,
    Chart,
    control_charts,
)
from labcalc.judgement.control.status import chart_status, sights_of, states_at
from labcalc.lab import Baseline, CertifiedValue, ControlChoices, Decision, Laboratory, ReferenceLot, ReferenceMaterial
from labcalc.statistics import ewma_chart, ewma_run_length, run_rule_signals
from labcalc.statistics.charts.control_limits import STANDARD_LIMITS
from labcalc.statistics.charts.run_rules import NELSON
from tests.judgement.conftest import Judge

ZONE = "Europe/Lisbon"
KV = "kinematic viscosity"
DECIDED = datetime.fromisoformat("2026-02-20T10:00:00+00:00")

NIST_INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2."""


def lot(name: str, value: float = 50.0) -> ReferenceLot:
    certified = (CertifiedValue(KV, 40.0, value, 0.10), CertifiedValue("density", 40.0, 850.0, 0.1))
    return ReferenceLot(name, date(2026, 1, 1), date(2026, 12, 31), certified)


def laboratory(**control: object) -> Laboratory:
    oil = ReferenceMaterial("Oil R", ("RO-*",), (lot("A"), lot("B", 60.0)))
    return Laboratory(references=(oil,), control=replace(ControlChoices(), **control))  # type: ignore[arg-type]


def series(
    values: Sequence[float],
    *,
    start: str = "2026-01-05",
    lot: str = "A",
    certified: float = 50.0,
    quantity: str = KV,
    instrument: str = "VD",
) -> pd.DataFrame:
    """One result a day."""
    at = pd.date_range(f"{start} 08:00", periods=len(values), freq="D", tz=ZONE)
    fixed = {"sample": "RO-1", "lot": lot, "instrument": instrument, "quantity": quantity, "temperature_C": 40.0}
    rows = {"run": [f"{lot}{n}" for n in range(len(values))], "measured_at": at, "value": list(values), "limit": 0.3}
    return pd.DataFrame({**rows, **fixed, "certified": certified})[list(COMPARISON_COLUMNS)]


def noise(number: int, seed: int = 3, sigma: float = 0.05) -> list[float]:
    return list(np.random.default_rng(seed).normal(0.0, sigma, number))


def around(number: int, centre: float = 50.0, seed: int = 3) -> list[float]:
    return [centre + one for one in noise(number, seed)]


def moment(day: str) -> pd.Timestamp:
    return pd.Timestamp(day, tz=ZONE)


def one_chart(table: pd.DataFrame, lab: Laboratory, *decisions: Decision) -> Chart:
    (chart,) = control_charts(table, lab, decisions)
    return chart


def whole(chart: Chart) -> tuple[str, tuple[str, ...]]:
    status = chart_status(chart, moment("2026-01-01"), moment("2027-01-01"))
    return status.status, status.reasons


def test_limits_of_the_published_chart_of_individuals() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.2: centre 50.81, limits 55.8041 and 45.8159."""
    lab = laboratory(constants="handbook", limits="three sigma")
    # finer than a third of its spread, as the handbook takes it: 2.02
    chart = one_chart(series(NIST_INDIVIDUALS, certified=float("nan")), lab)
    assert chart.limits is not None
    assert chart.unit == "mm²/s"
    assert (round(chart.limits.centre, 2), round(chart.limits.upper, 4), round(chart.limits.lower, 4)) == (
        50.81,
        55.8041,
        45.8159,
    )


def test_viscosity_is_charted_in_percent_and_density_in_its_unit() -> None:
    viscosity = one_chart(series([50.5, 49.5]), laboratory())
    density = one_chart(series([850.5, 849.5], certified=850.0, quantity="density"), laboratory())
    assert (viscosity.plotted.round(6).tolist(), viscosity.unit) == ([1.0, -1.0], "%")
    assert (density.plotted.round(6).tolist(), density.unit) == ([0.5, -0.5], "kg/m³")
    assert (viscosity.certified_uncertainty, density.certified_uncertainty) == (0.2, 0.1)


def test_limits_come_from_the_baseline_and_hold_for_what_follows() -> None:
    lab = laboratory(baselines=(Baseline(date(2026, 1, 5), date(2026, 2, 3)),))
    values = around(30)
    steady = one_chart(series([*values, *around(5, seed=9)]), lab)
    shifted = one_chart(series([*values, *around(5, 50.3, seed=9)]), lab)
    assert steady.limits == shifted.limits
    assert whole(steady) == ("in control", ())
    assert whole(shifted)[0] == "signal"
    assert [one.run for one in shifted.signals if one.is_open] == ["A30", "A31", "A32", "A33", "A34"]


def test_a_slow_drift_is_found_by_the_moving_average_and_a_quiet_instrument_is_not_accused() -> None:
    lab = laboratory(baseline_results=30)
    drift = [one + 0.01 * day for day, one in enumerate(around(25, seed=5))]
    quiet, drifting = control_charts(
        pd.concat(
            [
                series([*around(30), *around(25, seed=5)], instrument="VD-1"),
                series([*around(30), *drift], instrument="VD-2"),
            ]
        ),
        lab,
    )
    assert whole(quiet) == ("in control", ())
    assert whole(drifting)[0] == "signal"
    assert drifting.signals[0].measured_at < moment("2026-02-20")


def test_nothing_is_dropped_but_by_a_decision() -> None:
    values = [*around(20), *around(10, seed=8)]
    values[7] = 50.9
    lab = laboratory()
    chart = one_chart(series(values), lab)
    assert chart.used.all()
    assert chart.signals[0].in_baseline
    assert "signals within it: 2026-01-12" in chart.screening
    decision = Decision("I. Duarte", DECIDED, "exclude", "bubble in the cell", run="A7")
    mended = one_chart(series(values), lab, decision)
    assert np.flatnonzero(~mended.used).tolist() == [7]
    assert mended.plotted[7] == chart.plotted[7]
    assert mended.decisions == ((7, decision),)
    assert mended.limits is not None
    assert chart.limits is not None
    assert mended.limits.sigma < chart.limits.sigma
    assert mended.in_baseline.sum() == 20


def test_a_decision_about_another_quantity_leaves_the_chart_alone() -> None:
    decision = Decision("I. Duarte", DECIDED, "exclude", "bubble in the cell", run="A7", quantity="density")
    assert one_chart(series(around(30)), laboratory(), decision).used.all()


def test_an_accepted_signal_stays_a_signal_with_its_decision() -> None:
    values = [*around(30), 50.4]
    decision = Decision("I. Duarte", DECIDED, "accept", "cell was cold, measured again", run="A30")
    lab = laboratory(baseline_results=30)
    chart = one_chart(series(values), lab, decision)
    assert [one.run for one in chart.signals] == ["A30"]
    assert whole(chart) == (
        "in control",
        ("signal of 2026-02-04 accepted by I. Duarte: cell was cold, measured again",),
    )


def test_too_few_results_set_no_limits_and_say_so() -> None:
    assert whole(one_chart(series(around(1)), laboratory())) == (
        "too few",
        ("1 result in the baseline; limits need 8",),
    )
    assert whole(one_chart(series([50.0] * 9), laboratory())) == (
        "too few",
        ("9 results that are all 0: limits need results that differ",),
    )


def test_limits_from_fewer_than_thirty_results_are_provisional() -> None:
    assert whole(one_chart(series(around(12)), laboratory())) == (
        "provisional",
        ("limits from 12 results only (the first 20 results of the lot)",),
    )


def test_a_new_lot_takes_over_the_spread_of_the_old_one() -> None:
    new = series(around(10, 60.1, seed=6), start="2026-02-10", lot="B", certified=60.0)
    old, fresh = control_charts(pd.concat([series(around(30)), new]), laboratory(baseline_results=30))
    assert fresh.limits is not None
    assert old.limits is not None
    assert fresh.limits.sigma_from == "old lot"
    degrees, variance = old.limits.sigma_degrees_of_freedom, np.var(fresh.plotted, ddof=1)
    pooled = np.sqrt((degrees * old.limits.sigma**2 + 9.0 * variance) / (degrees + 9.0))
    assert fresh.limits.sigma == pytest.approx(pooled)
    assert whole(fresh)[1] == (
        "limits from 10 results only (the first 30 results of the lot); spread from the lot before",
    )


def test_coarse_rounding_takes_the_standard_deviation_and_is_named() -> None:
    values = np.round(np.asarray(around(30)), 1).tolist()
    chart = one_chart(series(values), laboratory(baseline_results=30))
    assert chart.limits is not None
    assert chart.limits.sigma_from == "standard deviation"
    assert chart.screening[0].startswith("rounded to 0.1, 1.")


def test_dynamic_viscosity_that_follows_has_no_chart_of_its_own() -> None:
    table = pd.concat([series(around(9)), series(around(9, 42.0), quantity="dynamic viscosity", certified=np.nan)])
    assert [chart.quantity for chart in control_charts(table, laboratory())] == [KV]


def test_no_reference_oil_is_no_chart() -> None:
    assert control_charts(pd.DataFrame(columns=list(COMPARISON_COLUMNS)), laboratory()) == ()


def test_the_state_at_a_run_knows_nothing_later() -> None:
    values = [*around(30), 50.4, *around(5, seed=4)]
    lab = laboratory(baseline_results=30, limits="three sigma")
    charts = control_charts(series(values), lab)
    earlier = control_charts(series(values[:31]), lab)
    (at_signal,) = states_at(charts, moment("2026-02-04 09:00"))
    assert at_signal == states_at(earlier, moment("2026-02-04 09:00"))[0]
    assert at_signal.status == "signal"
    assert at_signal.finding.startswith(
        "1 beyond 3 s; EWMA beyond its limits: the last result is +0.79 % from the centre, limit ±0.33; "
    )
    (before,) = states_at(charts, moment("2026-01-20 09:00"))
    assert (before.status, before.finding) == (
        "too few",
        "its baseline was still being gathered (16 of 30 results)",
    )
    assert states_at(charts, moment("2026-06-01")) == ()
    assert states_at(charts, moment("2026-01-01")) == ()


def test_what_a_chart_can_see_is_said_in_numbers() -> None:
    """Known limits and an EWMA: half find one σ within 10 results by the exact run length, nine of ten within 26."""
    exact = ewma_run_length(0.4, 3.0, 1.0, individuals_limit=3.0)
    (sight,) = sights_of(ControlChoices(), [STANDARD_LIMITS])
    assert sight.figures.half == pytest.approx(exact.quantile(0.5), abs=1)
    assert sight.figures.most == pytest.approx(exact.quantile(0.9), rel=0.1)
    (trends,) = sights_of(ControlChoices(rules=NELSON, ewma_weight=0.0), [STANDARD_LIMITS])
    assert trends.figures.begun > 2.0 * sight.figures.begun, "eight tests give more false alarms than limits and EWMA"


def test_charts_in_control_signal_as_often_as_they_say() -> None:
    """Exact run length against 400 simulated charts of 100 results with known limits, within 4 standard errors."""
    length = ewma_run_length(0.4, 3.0, individuals_limit=3.0)
    expected = length.probability_within(100)
    z = np.random.default_rng(11).normal(size=(400, 100))
    rules = ControlChoices().rules
    signalled = sum(
        bool((run_rule_signals(row, rules).beyond | ewma_chart(row, STANDARD_LIMITS).beyond).any()) for row in z
    )
    assert signalled / 400 == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 400))


RECORD = "".join(f"R{n},RO-1,2026-02-{n + 1:02} 07:00,VD,40,{value:.3f},850.0\n" for n, value in enumerate(around(24)))


def test_a_run_is_told_the_state_of_its_charts(judged: Judge) -> None:
    good = judged(record=RECORD + "R99,RO-1,2026-03-02 07:00,VD,40,50.02,850.0\n")
    bad = judged(record=RECORD + "R99,RO-1,2026-03-02 07:00,VD,40,50.30,850.0\n")
    young = judged()
    checks = [next(c for c in one.checks if c.name.startswith("Control charts")) for one in (good, bad, young)]
    assert [check.state for check in checks] == ["met", "doubtful", "not checked"]
    assert checks[0].finding.startswith(
        "Reference oil lot A, kinematic viscosity at 40 °C: the moving average (EWMA) is +"
    )
    assert "1 beyond 3 s" in checks[1].finding
    assert checks[1].finding.endswith(
        "limits from 20 results, the first 20 results of the lot, not signed, provisional (1 of 2 charts signals)"
    )
    assert checks[2].finding == (
        "Reference oil lot A, density at 40 °C: 1 result in the baseline; limits need 8 (the same or alike on 2 charts)"
    )


def test_a_run_of_a_day_that_was_later_accepted(judged: Judge, tmp_path: Path) -> None:
    (tmp_path / "decisions.jsonl").write_text(
        '{"who": "I. Duarte", "when": "2026-03-02T12:00:00+00:00", "what": "accept", '
        '"why": "new bottle", "run": "R99"}\n',
        encoding="utf-8",
    )
    judgement = judged(record=RECORD + "R99,RO-1,2026-03-02 07:00,VD,40,50.30,850.0\n")
    check = next(c for c in judgement.checks if c.name.startswith("Control charts"))
    assert check.state == "met"
    assert "accepted by I. Duarte: new bottle" in check.finding
