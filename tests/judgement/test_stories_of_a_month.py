"""What a month is told of by whose fault: carry-over into checks, one temperature of a certificate, unfit baselines.

All is planted in drawn laboratories (``checks_by_hand``) or reckoned by hand; the thresholds are our own promises.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labcalc.judgement import Material
from labcalc.judgement.carry_over.shares import Contrast, RunBefore
from labcalc.judgement.checks import IMPORTANT, URGENT, Action
from labcalc.judgement.month import whose_fault
from labcalc.judgement.month.checks import Checks, checks_of
from labcalc.judgement.month.oils import with_carried
from labcalc.statistics import CarriedShare
from tests.judgement.checks_by_hand import (
    OF_DENSITY,
    SCATTER,
    WHOLE,
    Fault,
    Plan,
    baseline_of,
    material,
    month_of_days,
    of_reference_oils,
)
from tests.judgement.test_chart_states import decision
from tests.judgement.test_control import KV
from tests.judgement.test_month_actions import checks, comparison

PLAN = Plan(measured=WHOLE, days=43, digits=(5, 2))


def of_faults(
    folder: Path, seed: int, fault: Fault | None, plan: Plan = PLAN, baseline: int = 20, **more: Any
) -> Checks:
    given = material(folder, plan, seed, fault, baseline_of(baseline), **more)
    return checks_of(given, month_of_days(baseline, baseline + 21))


def told(found: Checks, about: str) -> Action:
    (one,) = [one for one in of_reference_oils(found) if one.about == about]
    return one


# --- Carry-over ---


def test_what_the_run_before_added_by_hand() -> None:
    """0.6 % of 1000 mm²/s in 10: expm1(0.006 ln 100) = 2.80 %, ± 0.05 / 0.6 of it; of 900 kg/m³ in 830: +0.42."""
    share = CarriedShare(0.006, 0.0005, 100, (0.005, 0.007), 1e-6, 60)
    contrasts = (
        Contrast(KV, 40.0, 10.0, 1000.0),
        Contrast("density", 40.0, 830.0, 900.0),
    )
    place = RunBefore("1", "RO-1", "gear", 0.5, "thicker", contrasts, share, "base oils")
    known = SimpleNamespace(shares_at=lambda _: (share,), runs_before=lambda runs: [place] * ("1" in runs))
    of = cast(Material, SimpleNamespace(carry_over=lambda name: known if name == "VD" else None))
    rows = [
        comparison("1", 10.28, 0.05, quantity=KV, certified=10.0),
        comparison("1", 830.4, certified=830.0),
        comparison("2", 850.0),
        comparison("1", 850.0, instrument="W", quantity="dynamic viscosity"),
    ]
    found = with_carried(pd.concat(rows, ignore_index=True), of)
    effect = math.expm1(0.006 * math.log(100.0)) * 10.28
    assert found["carried"].tolist() == pytest.approx([effect, 0.006 * 70.0, 0.0, 0.0])
    assert found["carried_u"].tolist() == pytest.approx([effect / 12.0, 0.006 * 70.0 / 12.0, 0.0, 0.0])


def test_a_check_that_carry_over_explains_is_no_fault_of_oil_or_instrument() -> None:
    """+0.60 with +0.50 by carry-over leaves 0.10; +0.80 leaves 0.55 of +0.25, of the limit 0.50; 0.2 explains 0.6 not:
    it is less than half."""
    table = pd.concat([comparison("1", 850.6), comparison("2", 850.8), comparison("3", 850.6)], ignore_index=True)
    added = table.assign(carried=[0.50, 0.25, 0.2], carried_u=0.0)
    found = list(whose_fault.single_checks(checks(comparisons=added)))
    assert [(one.about, one.severity) for one in found] == [
        ("VD, single checks", URGENT),
        ("VD, carry-over into checks", IMPORTANT),
    ]
    assert found[0].finding.startswith("2 of 3 reference-oil checks")
    assert found[1].finding == (
        "what the run before left in the cell, not the instrument or the oil: 1 of 3 reference-oil checks lay outside "
        "their limit: 2026-02-01, RO-1, density at 40 °C, +0.60 kg/m³, limit ±0.50, +0.50 by carry-over"
    )
    assert found[1].details[0].startswith("1: 2026-02-01, RO-1")


# --- Single checks ---


def test_a_check_beyond_its_limit_by_chance_stops_nothing(tmp_path: Path) -> None:
    """Limits of 3.2 s: 1 result of 700 lies outside by chance; one of 20 s is none, whatever else lies outside."""
    share = {False: 0, True: 0}
    for outlier in share:
        for seed in range(8):

            def wrong(name: str, oil: str, quantity: str, _: float, days: np.ndarray, on: bool = outlier) -> np.ndarray:
                size = 20.0 * (SCATTER if quantity == KV else OF_DENSITY)
                return np.where((name == "V2") & (oil == "THIN") & (days == 29) & on, size, 0.0)

            given = material(tmp_path, PLAN, seed, wrong, baseline_of(20))
            scale = given.comparisons["certified"].where(given.comparisons["quantity"] == KV, 20.0)
            given.comparisons["limit"] = scale * 3.2 * np.hypot(SCATTER, 0.1) / 100.0
            found = checks_of(given, month_of_days(20, 41))
            share[outlier] += any(one.severity == URGENT for one in whose_fault.single_checks(found))
    assert share[False] <= 1
    assert share[True] >= 7


def test_an_excluded_check_is_no_single_check(tmp_path: Path) -> None:
    table = pd.concat([comparison("1", 850.6), comparison("2", 850.0)], ignore_index=True)
    assert len(list(whose_fault.single_checks(checks(comparisons=table)))) == 1

    def wrong(name: str, oil: str, _: str, __: float, days: np.ndarray) -> np.ndarray:
        return np.where((name == "V2") & (oil == "THIN") & (days == 29), 5.0, 0.0)

    out = decision("exclude", run="V2-THIN-29")
    assert "V2-THIN-29" in set(of_faults(tmp_path, 1, wrong).unexplained["run"])
    assert "V2-THIN-29" not in set(of_faults(tmp_path, 1, wrong, decisions=(out,)).comparisons["run"])


def test_bottles_that_were_mixed_up_are_named() -> None:
    table = pd.concat(
        [
            comparison("1", 50.1, 0.3, quantity=KV, certified=10.0),
            comparison("2", 50.0, 0.3, quantity=KV, certified=50.0, sample="RO-2"),
        ],
        ignore_index=True,
    )
    (found,) = whose_fault.single_checks(checks(comparisons=table))
    assert found.finding.endswith("+40 mm²/s, limit ±0.30: it reads as RO-2 does, were the bottles mixed up?")


# --- Certificate, baseline, scatter, actions ---


def test_a_certificate_that_is_wrong_at_one_temperature_is_named_with_it(tmp_path: Path) -> None:
    def wrong(_: str, oil: str, quantity: str, at: float, days: np.ndarray) -> np.ndarray:
        return np.where((oil == "THIN") & (quantity == KV) & (at == 100.0), 0.8, 0.0 * days)

    for seed in range(4):
        biased = of_faults(tmp_path, seed, wrong).biased
        (whose,) = [one.attribution for one in biased if one.attribution and one.attribution.oil == "THIN lot A"]
        assert (whose.cause, whose.temperature_C, whose.instrument) == ("certificate", 100.0, "")
        assert whose.size == pytest.approx(0.8, abs=0.1)
        assert "from its certificate at 100 °C on every instrument since its first day" in whose.finding


def test_limits_that_rest_on_a_slip_or_a_drift_are_named_and_stop_nothing(tmp_path: Path) -> None:
    def slip(name: str, oil: str, _: str, at: float, days: np.ndarray) -> np.ndarray:
        drift = 0.02 * days - 0.2 if name == "V3" and oil == "THICK" else 0.0 * days
        return np.where((name == "V2") & (oil == "THIN") & (days == 7), 40.0, 1.2 * drift * (days < 20))

    for seed in range(3):
        found = of_faults(tmp_path, seed, slip)
        named = told(found, "Baselines")
        assert "V2-THIN-7 lies far from the others" in " ".join([named.finding, *named.details])
        assert not [one for one in of_reference_oils(found) if one.about == "V2, less scatter"]
        stops = [one for one in whose_fault.moved(found) if one.severity == URGENT]
        assert not [one for one in stops if one.about == "V3, THICK lot A"]


def test_scatter_that_doubled_is_told_of_all_charts_together(tmp_path: Path) -> None:
    generator = np.random.default_rng(1)

    def wide(name: str, _: str, quantity: str, at: float, days: np.ndarray) -> np.ndarray:
        more = SCATTER * math.sqrt(3.0) * generator.standard_normal(days.size)
        return np.where((name == "V2") & (quantity == KV) & (days >= 30), more, 0.0 * at)

    named, plan = 0, Plan(oils=("THIN", "MID", "THICK"), measured=WHOLE, days=53, digits=(5, 2))
    for seed in range(6):
        about = {one.about for one in of_reference_oils(of_faults(tmp_path, seed, wide, plan, 30))}
        named += "V2, more scatter" in about
        assert not {"V1, more scatter", "V3, more scatter"} & set(about)
    assert named >= 5


def test_a_drift_is_dated_near_its_beginning(tmp_path: Path) -> None:
    """0.02 % a day (0.13 s) from day 24 on, told some ten days later; another oil's bottle doesn't date it."""

    def drift(name: str, oil: str, quantity: str, at: float, days: np.ndarray) -> np.ndarray:
        of_oil = np.where((oil == "THIN") & (days >= 21), -0.5, 0.0)
        return np.where(quantity == KV, (name == "V2") * 0.02 * np.clip(days - 23, 0, None) + of_oil, 0.0 * at)

    dates, held, away = pd.bdate_range("2026-01-05", periods=60), [], []
    for seed in range(8):
        given = material(tmp_path, Plan(measured=WHOLE, days=60), seed, drift, baseline_of(20))
        found = checks_of(given, month_of_days(36, 58))
        for one in found.moved:
            if one.instrument == "V2" and one.attribution and one.attribution.cause in ("instrument", "temperature"):
                began = dates[24].tz_localize("UTC")
                held.append(one.earliest.normalize() <= began <= one.latest.normalize())
                away.append(abs((one.since.normalize() - began).days))
    assert len(held) >= 6
    assert np.mean(held) >= 0.85
    assert np.median(away) <= 5.0


def test_the_chance_of_a_mean_grows_where_days_are_alike(tmp_path: Path) -> None:
    """Variance of a mean of m of an autoregression: (1 + 2 Σ (1 − k/m) φᵏ) / m, by its definition."""
    stream = of_faults(tmp_path, 1, None).streams["V1"][0]
    place, phi = stream.away.size - 1, 0.4

    def grown(m: int) -> float:
        return 1.0 + 2.0 * sum((1.0 - k / m) * phi**k for k in range(1, m))

    m, n = int(stream.shift.window[place]), int(stream.number)
    t = stats.t.isf(stream.shift.chance[place] / 2.0, stream.degrees_of_freedom)
    widened = math.sqrt((grown(m) / m + grown(n) / n) / (1.0 / m + 1.0 / n))
    assert stream.chance_at(place, phi) == pytest.approx(2.0 * stats.t.sf(t / widened, stream.degrees_of_freedom))
    assert stream.chance_at(place, 0.0) == pytest.approx(stream.shift.chance[place])
