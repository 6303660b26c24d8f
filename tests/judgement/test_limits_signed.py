"""Limits that are due, signed and in force; lots side by side; checks in control in a budget.

Expected values: by hand and by SciPy's tests; promises by simulation of invented instruments (no source).
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.errors import DecisionError
from labcalc.judgement import Chart, Result, by_component, control_charts, lots_compared, month_of, panels_of
from labcalc.judgement.control.panels import LotsCompared, checks_in_control
from labcalc.judgement.control.watch import watched
from labcalc.judgement.month.oils import LimitsDue, limits_due
from labcalc.lab import Decision, DecisionChoices, Laboratory
from labcalc.lab.decisions import Decided, _Held, decision_of, stated_decision
from tests.judgement.conftest import Judge
from tests.judgement.test_control import KV, ZONE, laboratory, moment, noise, series
from tests.judgement.test_uncertainty import BUDGET

MARCH, JUNE = (month_of(name, ZONE) for name in ("2026-03", "2026-06"))
SIGNED_AT = datetime.fromisoformat("2026-03-31T18:00:00+01:00")


def percents(*away: float, **more: Any) -> pd.DataFrame:
    """One result a day from 5 January on, by its distance in percent of the certified 50 mm²/s."""
    return series([50.0 * (1.0 + one / 100.0) for one in away], **more)


def charts(table: pd.DataFrame, *decisions: Decision, lab: Laboratory | None = None) -> tuple[Chart, ...]:
    return control_charts(table, lab or laboratory(), decisions)


def due(*some: Chart, month: Any = MARCH) -> tuple[LimitsDue, ...]:
    return limits_due(some, month, laboratory().control)


def sign(one: LimitsDue, in_force: str = "2026-04-01", when: datetime = SIGNED_AT, month: str = "2026-03") -> Decision:
    given = one.decided() | {"month": month, "in_force": date.fromisoformat(in_force)}
    return Decision("R. Vaz", when, "limits", "pooled, no difference", **given)


# --- When limits are due ---


@pytest.mark.parametrize(("number", "is_due"), [(29, False), (30, True), (49, True)])
def test_limits_are_due_at_thirty_results_in_control(number: int, is_due: bool) -> None:
    found = due(*charts(percents(*noise(number))))
    assert bool(found) == is_due
    if found:
        assert (found[0].number, found[0].later, found[0].chart.next_signed) == (number, number - 20, None)


def test_signed_limits_are_due_again_after_twenty_more() -> None:
    """30 results to 3 February; signed then; the 50th comes on 23 February."""
    values = noise(50)
    (first,) = due(*charts(percents(*values[:30])), month=month_of("2026-02", ZONE))
    by = sign(first, "2026-02-04", datetime.fromisoformat("2026-02-03T18:00:00+00:00"), "2026-02")
    assert by.results == 30
    assert not due(*charts(percents(*values[:49]), by))
    (again,) = due(*charts(percents(*values), by))
    assert (again.number, again.later, again.in_force.number) == (50, 20, 30)


def test_results_after_the_month_and_signals_do_not_count() -> None:
    table = percents(*noise(20), *noise(8, 5), 3.0, 0.0)
    assert not due(*charts(table)), "29 in control"
    assert not due(*charts(percents(*noise(40))), month=month_of("2026-01", ZONE)), "27 days of January"


def test_old_and_new_results_are_compared_by_f_and_welch() -> None:
    values = np.array([*noise(20, 1), *(0.02 + 1.3 * one for one in noise(25, 2))])
    (chart,) = charts(percents(*values))
    (found,) = due(chart)
    in_control = chart.in_control[20:]
    old, new = values[:20], values[20:][in_control]
    welch = stats.ttest_ind(new, old, equal_var=False)
    f = max(new.var(ddof=1), old.var(ddof=1)) / min(new.var(ddof=1), old.var(ddof=1))
    assert found.comparison is not None
    assert found.comparison.t == pytest.approx(float(welch.statistic), rel=1e-6)
    assert found.comparison.t_p_value == pytest.approx(float(welch.pvalue), rel=1e-6)
    assert found.comparison.f == pytest.approx(f, rel=1e-6)
    assert not found.differs
    assert found.proposed is not None
    values = np.concatenate([old, new])
    assert (found.proposed.number, found.proposed.centre) == (values.size, pytest.approx(values.mean()))
    assert found.proposed.sigma == pytest.approx(2.66 * np.abs(np.diff(values)).mean() / 3.0)


def test_a_small_p_is_told_as_judged_among_all_tests() -> None:
    """Half the spread: p of F lies between 0.05 / 8 and 0.05; of four charts it is no difference, of one it is."""
    (odd,) = charts(percents(*noise(20), *(0.56 * one for one in noise(15, 6))))
    (alone,) = due(odd)
    found = due(odd, *(chart for n in (1, 3, 5) for chart in charts(percents(*noise(40, n)))))
    assert alone.comparison is not None
    assert 0.05 / 8.0 < alone.comparison.f_p_value < 0.05 / 2.0
    assert alone.compared.endswith("they differ")
    assert [one.differs for one in found] == [False] * 4
    assert found[0].compared.endswith("chance, as p is judged among 8 tests")


def test_where_results_differ_new_limits_rest_on_the_new_ones_or_wait() -> None:
    calm = [0.2 * one for one in noise(25, 6)]
    (few,) = due(*charts(percents(*noise(20), *calm[:12])))
    assert few.differs
    assert few.proposed is None
    assert few.change == "none proposed: 12 results since, 20 are needed where they differ"
    (found,) = due(*charts(percents(*noise(20), *calm)))
    assert found.differs
    assert found.proposed is not None
    assert (found.proposed.number, found.proposed.centre) == (25, pytest.approx(np.mean(calm)))


# --- In force from a day on ---


def history(*decisions: Decision, values: Any = None) -> tuple[Chart, ...]:
    return charts(percents(*(noise(120) if values is None else values)), *decisions)


def test_what_was_judged_before_stays_judged() -> None:
    (alone,) = history()
    by = sign(*due(alone))
    before, after = history(by)
    cut = int((alone.measured_at < moment("2026-04-01")).sum())
    assert before.runs + after.runs == alone.runs
    assert before.limits == alone.limits
    assert [vars(one) for one in before.signals] == [vars(one) for one in alone.signals if one.position < cut]
    assert np.array_equal(before.averages, alone.averages[:cut])
    assert after.limits is not None
    assert (after.limits.centre, after.limits.sigma, after.limits.number) == (by.centre, by.sigma, by.results)
    assert (before.limits_rest_on.endswith(", not signed"), before.until) == (True, moment("2026-04-01"))
    assert after.limits_rest_on == "to 2026-03, signed by R. Vaz on 2026-03-31, in force from 2026-04-01"
    assert due(alone)[0].chart.next_signed is None
    assert due(before)[0].chart.next_signed == by


def test_what_streams_told_before_stays_told() -> None:
    tables = [percents(*noise(120, seed), quantity=KV, instrument="VD") for seed in (1,)]
    dense = series([850.0 + one for one in noise(120, 8)], certified=850.0, quantity="density")
    other = percents(*noise(120, 4)).assign(temperature_C=100.0, certified=50.0)
    table = pd.concat([*tables, dense, other]).sort_values("measured_at", kind="stable")
    old = watched(charts(table))
    by = sign(due(*[one for one in charts(table) if (one.quantity, one.temperature_C) == (KV, 40.0)])[0])
    new = watched(charts(table, by))
    groups = [[one for one in some if one.is_group] for some in (old, new)]
    (whole,) = groups[0]
    first, second = groups[1]
    number = first.moments.size
    assert np.array_equal(first.shift.chance, whole.shift.chance[:number])
    assert first.until == second.since == first.moments.dtype.type("2026-03-31T23:00", "us")
    assert number + second.moments.size == whole.moments.size


def test_limits_about_a_single_run_set_none() -> None:
    """Limits are of an instrument's chart: a line that names a run besides is about that run, and moves no limits."""
    table = percents(*noise(40))
    (found,) = due(*charts(table))
    by = sign(found, "2026-01-20", datetime.fromisoformat("2026-01-19T18:00:00+00:00"))
    assert len(charts(table, by)) == 2
    (alone,) = charts(table, replace(by, run=found.chart.runs[3]))
    assert (alone.signed, alone.next_signed) == (None, None)


def test_nothing_later_moves_signed_limits() -> None:
    (alone,) = history()
    by = sign(*due(alone))
    excluded = Decision("R. Vaz", SIGNED_AT, "exclude", "bubble", run=alone.runs[3])
    _, after = history(by, excluded)
    assert after.limits is not None
    assert (after.limits.centre, after.limits.sigma) == (by.centre, by.sigma)


def test_limits_never_hold_before_they_were_signed() -> None:
    (alone,) = history()
    late = sign(*due(alone), when=datetime.fromisoformat("2026-04-01T12:00:00+01:00"))
    before, _ = history(late)
    assert before.measured_at[-1] == moment("2026-04-01 08:00")
    stated = stated_decision(sign(*due(alone), in_force="2026-03-30"))
    with pytest.raises(DecisionError, match="in_force: 2026-03-30: the day on which they are signed"):
        decision_of(stated, "decisions.jsonl", 1)


@pytest.mark.parametrize(
    "name", ["oil", "instrument", "sigma", "centre", "in_force", "month", "temperature_C", "quantity"]
)
def test_what_limits_must_say(name: str) -> None:
    (alone,) = history()
    stated = stated_decision(sign(*due(alone)))
    assert replace(decision_of(stated, "", 0), number=0) == sign(*due(alone))
    with pytest.raises(DecisionError, match=name):
        decision_of({key: one for key, one in stated.items() if key != name}, "", 0)


def test_limits_in_force_are_not_corrected_but_followed() -> None:
    (alone,) = history()
    by = replace(sign(*due(alone)), number=1)

    def corrected(when: str) -> Decided:
        other = replace(by, number=2, corrects=1, when=datetime.fromisoformat(when), in_force=date(2026, 6, 1))
        return _Held([by, other], laboratory()).decided()

    assert [one.number for one in corrected("2026-03-31T19:00:00+01:00").decisions] == [2]
    held = _Held([by], laboratory())
    problem = held.problem(replace(by, number=2, corrects=1, when=datetime.fromisoformat("2026-04-02T08:00:00+01:00")))
    assert problem == "the limits of 1 are in force and have judged: sign others from a later day"


def test_limits_that_a_second_person_confirms_hold_from_then() -> None:
    (alone,) = history()
    by = replace(sign(*due(alone)), number=1)
    asked = replace(laboratory(), decisions=DecisionChoices(second_person=date(2026, 1, 1)))
    assert _Held([by], asked).decided().decisions == ()
    when = datetime.fromisoformat("2026-04-03T12:00:00+01:00")
    confirmed = Decision("Q. Reis", when, "confirmed", decision=1, number=2)
    (held,) = _Held([by, confirmed], asked).decided().decisions
    before, after = history(held)
    assert (held.who, before.measured_at[-1], after.since) == ("R. Vaz", moment("2026-04-03 08:00"), pd.Timestamp(when))


def test_a_new_lot_takes_the_spread_that_was_in_force_when_it_began() -> None:
    old = percents(*noise(120))
    new = series([60.0 + 0.6 * one for one in noise(12, 9)], start="2026-03-10", lot="B", certified=60.0)
    table = pd.concat([old, new]).sort_values("measured_at", kind="stable")
    alone = charts(table)
    by = sign(due(alone[0])[0])
    again = charts(table, by)
    assert [one.lot for one in again] == ["A", "A", "B", "B"][: len(again)]
    first = next(one for one in again if one.lot == "B")
    fresh = next(one for one in alone if one.lot == "B")
    assert first.limits == fresh.limits


def test_signed_limits_keep_their_promise() -> None:
    """Of results without fault 0.27 % lie beyond limits, by however many they were signed; 5 % of charts "differ"."""
    rng, beyond, number, differing, total = np.random.default_rng(20), 0, 0, 0, 400
    for _ in range(total):
        values = rng.normal(0.0, 0.1, 100)
        (alone,) = charts(percents(*values[:45]))
        found = due(alone)
        if not found:  # too many false signals for thirty in control
            continue
        differing += found[0].differs
        if found[0].proposed is not None:
            away = np.abs(values[45:] - found[0].proposed.centre)
            beyond, number = beyond + int((away > found[0].proposed.half_width).sum()), number + away.size
    assert number > 20_000
    assert 0.0017 < beyond / number < 0.0042  # results of one chart share its limits: wider than a binomial
    assert differing / total < 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / total)


# --- Lots side by side ---


def lots(old: list[float], new: list[float], **more: Any) -> LotsCompared:
    both = [percents(*old), series([60.0 * (1.0 + one / 100.0) for one in new], lot="B", certified=60.0, **more)]
    found = charts(pd.concat(both).sort_values("measured_at", kind="stable"))
    (compared,) = lots_compared(panels_of(found, JUNE.twelve_months))
    return compared


def test_lots_are_compared_by_the_days_on_which_both_ran() -> None:
    """The old lot runs ten days; the new one from the sixth on: five days with both, by scipy's Welch."""
    old, new = noise(10), [0.05 + one for one in noise(10, 7)]
    found = lots(old, new, start="2026-01-10")
    welch = stats.ttest_ind(new[:5], old[5:], equal_var=False)
    assert (found.days, found.comparison is not None) == (5, True)
    assert found.comparison is not None
    assert found.comparison.t == pytest.approx(float(welch.statistic), rel=1e-6)
    assert found.comparison.degrees_of_freedom == pytest.approx(float(welch.df), rel=1e-6)
    assert found.comparison.interval == pytest.approx(tuple(welch.confidence_interval()), rel=1e-6)
    assert found.last == moment("2026-01-14")


@pytest.mark.parametrize(
    ("shift", "verdict"),
    [
        (0.0, "no difference beyond chance"),
        (0.15, "more than chance makes, within what both certificates allow (±0.26)"),
        (0.8, "more than chance makes, and more than both certificates allow (±0.26)"),
    ],
)
def test_a_difference_of_lots_is_held_against_chance_and_certificates(shift: float, verdict: str) -> None:
    """U 0.10 of 50 and of 60 mm²/s: √(0.2² + 0.1667²) % = 0.26 %; noise of 0.05 %."""
    assert lots(noise(12), [shift + one for one in noise(12, 7)]).verdict == verdict


def test_lots_that_never_ran_together_say_so() -> None:
    found = lots(noise(5), noise(5), start="2026-02-01")
    assert (
        found.words == "Oil R, lot B against lot A: no day on which both were measured, only certificates compare them"
    )


# --- Checks in control ---


def test_site_record_by_hand() -> None:
    """Lot A: 10 results ±0.1; lot B: 6 results of ±0.3 about 0.2: s² = (10·0.01 + 6·0.09) / 14, mean 1.2 / 16."""
    a = percents(*[0.1, -0.1] * 5)
    b = series([60.0 * (1.0 + one / 100.0) for one in [0.5, -0.1] * 3], start="2026-01-20", lot="B", certified=60.0)
    (found,) = checks_in_control(charts(pd.concat([a, b])), moment("2026-02-01"), 1.0)
    assert found.sigma == pytest.approx(math.sqrt(0.64 / 14.0))
    assert (found.number, found.degrees_of_freedom, found.level) == (16, 14.0, 60.0)
    assert found.bias == pytest.approx(1.2 / 16.0)
    assert found.bias_uncertainty == pytest.approx(math.hypot(1.2 / 16.0, found.sigma / math.sqrt(15.0)))
    assert found.words("mm²/s") == "from 16 checks of VD in control since 2026-01-05, Oil R, 60 mm²/s"
    assert checks_in_control(charts(pd.concat([a, b])), moment("2026-01-24"), 1.0) == ()  # 14 by then


def test_checks_that_signal_and_later_ones_do_not_count() -> None:
    table = percents(*noise(30), 3.0, *noise(9, 2))
    (alone,) = charts(table)
    (found,) = checks_in_control([alone], alone.measured_at[-1], 1.0)
    assert found.number == int(alone.in_control[:-1].sum())
    assert found.number < 39


FROM_CONTROL = BUDGET + "from_control = true\n"


def record(kinematic: Any, density: Any, start: str = "2026-01-10") -> str:
    days = pd.date_range(f"{start} 07:00", periods=len(kinematic), freq="D")
    rows = zip(days, kinematic, density, strict=True)
    return "".join(f"R{n},RO-1,{day:%Y-%m-%d %H:%M},VD,40,{nu},{rho}\n" for n, (day, nu, rho) in enumerate(rows))


def viscosity(judged: Judge, lab: str, past: str) -> Result:
    found = judged(lab=lab, record=past).results
    return next(one for one in found if (one.quantity, one.temperature_C) == (KV, 40.0))


def test_a_budget_from_checks_in_control_names_them(judged: Judge) -> None:
    """By hand: s and bias of 50 checks in percent, for 46.12 mm²/s; certificate 0.10/2 of 50 in proportion."""
    rng = np.random.default_rng(4)
    nu, rho = np.round(50.03 + rng.normal(0.0, 0.04, 50), 4), np.round(850.0 + rng.normal(0.0, 0.03, 50), 3)
    past = record(nu, rho)
    found, usual = viscosity(judged, FROM_CONTROL, past), viscosity(judged, BUDGET, past)
    away = 100.0 * (nu / 50.0 - 1.0)
    parts = by_component(found.effects)
    assert list(parts) == ["reference oil", "site precision", "bias of checks"]
    assert list(by_component(usual.effects)) == [
        "reference oil",
        "temperature",
        "repeatability",
        "resolution",
        "adjustment",
    ]
    assert parts["reference oil"] == pytest.approx(46.12 / 50.0 * 0.05)
    s = float(np.std(away, ddof=1))
    assert parts["site precision"] == pytest.approx(0.4612 * s, rel=0.06)  # those that signal are left out
    (site,) = (one.source for one in found.effects if one.component == "site precision")
    number = int(site.degrees_of_freedom) + 1
    assert 47 <= number <= 50
    assert site.source == f"from {number} checks of VD in control since 2026-01-10, Reference oil, 50 mm²/s"
    bias = math.hypot(float(away.mean()), s / math.sqrt(50.0))
    assert parts["bias of checks"] == pytest.approx(0.4612 * bias, rel=0.06)


def test_a_result_of_fewer_fills_than_a_check_adds_what_it_lacks(judged: Judge) -> None:
    """Checks of two fills, a result of one: r²/2.77² (1 - 1/2) beside their s², r 0.0074 x of 46.12 mm²/s."""
    rng = np.random.default_rng(4)
    once = record(50.0 + rng.normal(0.0, 0.04, 40).round(4), 850.0 + rng.normal(0.0, 0.03, 40).round(4), "2026-01-20")
    twice = once + once.replace(" 07:00", " 07:05")
    parts = by_component(viscosity(judged, FROM_CONTROL, twice).effects)
    assert parts["repeatability"] == pytest.approx(math.sqrt(0.5) * 0.0074 * 46.12 / 2.77, rel=1e-3)
    assert "repeatability" not in by_component(viscosity(judged, FROM_CONTROL, once).effects)


def test_too_few_checks_leave_the_budget_and_say_so(judged: Judge) -> None:
    past = record(50.0 + 0.01 * np.arange(14), 850.0 + 0.01 * np.arange(14), "2026-02-16")
    found, usual = viscosity(judged, FROM_CONTROL, past), viscosity(judged, BUDGET, past)
    assert by_component(found.effects) == by_component(usual.effects)
    said = [one.source.source for one in found.effects if one.component == "repeatability"]
    assert said[0].endswith("; from_control: fewer than 15 checks in control at such a level")


@pytest.mark.parametrize(("of_bias", "of_paper"), [(0.05, 0.1), (0.05, 0.01), (0.0, 0.01)])
def test_uncertainty_from_checks_covers_what_it_promises(of_bias: float, of_paper: float) -> None:
    """Invented instruments with a bias of their own, days and fills: U (95 %) holds the true value so often.

    The certificate lies off by a normal error of its U/2; the sample is measured on a day after its checks.
    """
    rng, held, total = np.random.default_rng(11), 0, 500
    for _ in range(total):
        bias, paper = rng.normal(0.0, of_bias), rng.normal(0.0, of_paper)
        checks = bias - paper + rng.normal(0.0, 0.06, 18) + rng.normal(0.0, 0.04, 18)
        (found,) = checks_in_control(charts(percents(*checks)), moment("2026-03-01"), 1.0) or (None,)
        if found is None:
            continue
        error = bias + rng.normal(0.0, 0.06) + rng.normal(0.0, 0.04)
        parts = (found.sigma, found.bias_uncertainty, of_paper)
        u = math.hypot(*parts)
        degrees = u**4 / sum(part**4 / found.degrees_of_freedom for part in parts[:2])
        held += abs(error) <= float(stats.t.ppf(0.975, math.floor(degrees))) * u
    assert held / total > 0.94
