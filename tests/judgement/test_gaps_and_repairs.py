"""Gaps between good checks, samples at risk, and whether a corrective action worked: known hours, results by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.judgement.checks import IMPORTANT, LATER
from labcalc.judgement.control.watch import watched
from labcalc.judgement.month import of_oils, whose_fault
from labcalc.judgement.month.checks import Checks, checks_of
from labcalc.judgement.month.moved import CheckedInstrument, Gap, Repair, longest_gaps, repairs_of
from labcalc.judgement.period import days_of
from labcalc.lab import Decision
from tests.judgement.checks_by_hand import SCATTER, Plan, baseline_of, material, month_of_days
from tests.judgement.test_control import KV

# --- Gaps ---


def instrument(checks: dict[str, bool], samples: tuple[str, ...]) -> CheckedInstrument:
    """Checks by their time, good or not, and the times of samples, in February 2026."""
    at = pd.to_datetime([f"2026-02-{one}" for one in samples])
    table = pd.DataFrame({"run": [f"S{n}" for n in range(len(samples))], "sample": "S", "at": at})
    moments = np.array([f"2026-02-{one}" for one in checks], dtype="datetime64[us]")
    return CheckedInstrument("V1", moments, np.array(list(checks.values())), table)


def gap(*given: Any) -> Gap:
    (found,) = longest_gaps({"V1": instrument(*given)}, days_of("2026-02-01", "2026-02-28", "UTC"))
    return found


def test_a_gap_by_hand() -> None:
    """Good on Monday the 2nd and Friday the 6th at 8; between them one that is bad, and five samples on four days."""
    checks = {"02 08:00": True, "04 08:00": False, "06 08:00": True}
    samples = ("02 10:00", "03 10:00", "04 10:00", "05 09:00", "05 15:00", "06 10:00", "06 11:00")
    found = gap(checks, samples)
    assert (found.first, found.samples, found.days) == (pd.Timestamp("2026-02-02 08:00", tz="UTC"), 5, 4)
    assert found.hours == pytest.approx(3 * 24 + 7), "to the last sample on the 5th at 15"
    assert found.checks_a_day == pytest.approx(3 / 5)


def test_a_weekend_without_work_is_no_gap() -> None:
    """Friday's samples after Friday's check, Monday's after Monday's: eight hours each."""
    days = [f"{day:02}" for day in (2, 3, 4, 5, 6, 9, 10)]
    found = gap({f"{day} 08:00": True for day in days}, tuple(f"{day} 16:00" for day in days))
    assert (found.hours, found.days, found.samples) == (8.0, 1, 1)


def test_samples_at_risk_lie_between_good_checks() -> None:
    of = instrument(
        {"02 08:00": True, "03 08:00": False, "05 08:00": True},
        ("02 07:00", "02 10:00", "03 10:00", "04 10:00", "05 09:00"),
    )
    began, end = pd.Timestamp("2026-02-03 08:00", tz="UTC"), pd.Timestamp("2026-03-01", tz="UTC")
    assert of.at_risk(began, began, end)["run"].tolist() == ["S1", "S2", "S3"]
    told = pd.Timestamp("2026-02-05 12:00", tz="UTC")
    assert of.at_risk(began, told, end)["run"].tolist() == ["S1", "S2", "S3", "S4"], "checks before it was told"
    never = instrument({"03 08:00": False}, ("02 10:00", "04 10:00", "05 09:00"))
    assert never.at_risk(began, began, end)["run"].tolist() == ["S0", "S1", "S2"], "no check is good: all of them"
    until = pd.Timestamp("2026-02-05", tz="UTC")
    assert never.at_risk(began, began, until)["run"].tolist() == ["S0", "S1"]


def samples(days: int, plan: Plan, hour: int = 14) -> pd.DataFrame:
    """One sample on each instrument and working day."""
    at = pd.bdate_range("2026-01-05", periods=days, tz="UTC") + pd.Timedelta(hours=hour)
    parts = [
        pd.DataFrame(
            {"run": [f"{name}-S{n}" for n in range(days)], "sample": "S", "instrument": name, "measured_at": at}
        )
        for name in plan.instruments
    ]
    return pd.concat(parts)


def test_days_without_a_check_are_an_action(tmp_path: Path) -> None:
    """V2 isn't checked on its days 30 to 33, so from the morning of day 29 on until the 14 o'clock of day 33."""
    plan = Plan(days=43, on=lambda name, oil, days: (name != "V2") | (days < 30) | (days > 33))
    found = checks_of(
        material(tmp_path, plan, 3, None, baseline_of(20), samples=samples(43, plan)), month_of_days(20, 41)
    )
    (told,) = [one for one in of_oils.gaps(found) if "V2" in one.about]
    dates = pd.bdate_range("2026-01-05", periods=43)
    hours = (dates[33] - dates[29]) / pd.Timedelta(hours=1) + 14 - 8 - 1 / 3
    assert told.finding.startswith(
        f"5 samples in {hours:.0f} h without a good check, from {dates[29]:%Y-%m-%d} 08:20 on"
    )
    assert told.severity == IMPORTANT
    quiet = checks_of(
        material(tmp_path, Plan(days=43), 3, None, baseline_of(20), samples=samples(43, plan)), month_of_days(20, 41)
    )
    assert list(of_oils.gaps(quiet)) == [], "weekends and nights are none"


def test_samples_since_the_last_good_check_rank_a_finding(tmp_path: Path) -> None:
    """V2 moves by 4 σ on day 30 and stays there: the samples of the days 29 to 41, since the last good check."""

    def moved(name: str, _: str, quantity: str, at: float, days: np.ndarray) -> np.ndarray:
        return np.where((name == "V2") & (quantity == KV) & (days >= 30), 4.0 * SCATTER, 0.0 * at)

    plan = Plan(days=43)
    checks = checks_of(
        material(tmp_path, plan, 3, moved, baseline_of(20), samples=samples(43, plan)), month_of_days(20, 41)
    )
    (found,) = [one for one in checks.moved if one.instrument == "V2"]
    runs = checks.at_risk(found)["run"].tolist()
    assert runs == [f"V2-S{n}" for n in range(29, 42)]
    of = checks.instruments["V2"]
    by_chance = replace(checks, instruments={"V2": replace(of, is_good=np.ones_like(of.is_good))})
    assert by_chance.at_risk(found)["run"].tolist() == runs[1:], "a check that looks good proves nothing of what lasts"
    assert by_chance.at_risk(replace(found, lasts=False))["run"].tolist() == ["V2-S30"]
    proven = [
        one.is_proven_since(replace(found, lasts=lasts)) for one in (checks, by_chance) for lasts in (True, False)
    ]
    assert proven == [False, False, False, True]
    (told,) = [one for one in whose_fault.moved(checks) if one.about.startswith("V2")]
    assert "13 samples since the last good check, the last on 3 March" in told.finding
    assert dict(told.facts)["runs"] == ", ".join(runs)
    limits, place = found.stream.charts[0].limits, found.stream.last_until(found.signalled.to_datetime64())
    assert limits is not None
    assert told.weight == pytest.approx(13 * abs(found.stream.size(place)) / limits.half_width)


# --- Repairs ---


def repaired(folder: Path, before: float, after: float, *, on: str = "V2") -> Checks:
    """V2's viscosities lie off by some σ from day 26 on, and after an action on the evening of day 34 by others."""
    evening = (pd.bdate_range("2026-01-05", periods=43)[34] + pd.Timedelta(hours=19)).isoformat()
    action = Decision(
        "I. Duarte", datetime.fromisoformat(f"{evening}+00:00"), "corrective action", "cleaned", instrument=on
    )

    def off(name: str, _: str, quantity: str, at: float, days: np.ndarray) -> np.ndarray:
        size = np.where(days > 34, after, np.where(days >= 26, before, 0.0)) * SCATTER
        return np.where((name == "V2") & (quantity == KV), size, 0.0 * at)

    given = material(folder, Plan(days=43), 3, off, baseline_of(20), decisions=(action,))
    return checks_of(given, month_of_days(20, 41))


def of_viscosity(checks: Checks) -> Repair:
    (found,) = [one for one in checks.repairs if one.stream.quantity == KV]
    return found


@pytest.mark.parametrize(
    ("before", "after", "verdict", "severity"),
    [
        (4.0, 0.0, "it worked", LATER),
        (4.0, 4.0, "no change that can be told from chance", IMPORTANT),
        (3.0, 8.0, "it made it worse", IMPORTANT),
        (8.0, 5.5, "better, but still off", IMPORTANT),
        (4.0, -3.5, "better, but still off", IMPORTANT),
    ],
)
def test_whether_a_corrective_action_worked(
    before: float, after: float, verdict: str, severity: int, tmp_path: Path
) -> None:
    checks = repaired(tmp_path, before, after)
    found = of_viscosity(checks)
    assert found.verdict == verdict
    told = [one for one in of_oils.repairs(checks) if one.which == KV]
    assert [(one.severity, one.about.startswith("V2, action of 2026-02-20")) for one in told] == [(severity, True)]
    assert f"cleaned: {verdict}" in told[0].finding


def test_before_and_after_by_hand(tmp_path: Path) -> None:
    """Means of the days' distances: before since it was off, those of the month after; Welch by SciPy."""
    checks = repaired(tmp_path, 4.0, 0.0)
    found = of_viscosity(checks)
    stream = found.stream
    cut = int((stream.moments < np.datetime64(found.decision.when.replace(tzinfo=None))).sum())
    before, after = stream.away[stream.began(cut - 1) : cut], stream.away[cut : cut + 7]
    assert (found.before, found.after) == pytest.approx((before.mean(), after.mean()))
    assert found.change is not None
    assert found.change.numbers == (8, 7), "eight days of 4 σ tell it most clearly"
    test = stats.ttest_ind(after, before, equal_var=False)
    assert found.change.t_p_value == pytest.approx(test.pvalue)


def test_what_was_not_off_before_asks_for_nothing(tmp_path: Path) -> None:
    """The density was right before and after: its line would change nothing that anybody does."""
    checks = repaired(tmp_path, 4.0, 0.0)
    assert {one.which for one in of_oils.repairs(checks)} == {KV}
    assert list(of_oils.repairs(repaired(tmp_path, 0.0, 0.0))) == [], "a cleaning in good order"
    assert list(of_oils.repairs(repaired(tmp_path, 4.0, 4.0, on="V9"))) == []


def test_after_a_repair_that_worked_nothing_goes_on(tmp_path: Path) -> None:
    checks = repaired(tmp_path, 4.0, 0.0)
    (moved,) = [one for one in checks.moved if one.instrument == "V2"]
    assert not moved.lasts
    (stayed,) = [one for one in repaired(tmp_path, 4.0, 4.0).moved if one.instrument == "V2"]
    assert stayed.lasts
    streams = watched(list(moved.stream.charts))
    assert not streams[0].stops[-5:].any()
    assert [one.verdict for one in repairs_of(streams, checks.month)] == ["it worked"]
