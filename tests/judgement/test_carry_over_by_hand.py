"""Carry-over by hand: the order of runs, what a share does to a result, both sides of every edge, and every word of it.

Small residues mix in ln ν: a share k of ν₀ before changes ν by the factor (ν₀ / ν) ** k. D445 as shipped (memory):
formulated oils at 40 °C r = 0.74 %, gas oils r = 0.0043 (x + 1); ISO 12185 as shipped (memory): r = 0.2 kg/m³.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats

from labcalc.exports import TIDY_COLUMNS
from labcalc.judgement.carry_over.effect import (
    ExpectedEffect,
    class_in_force,
    expected_effects,
    residue_check,
    runs_at_risk,
    worst_effect,
)
from labcalc.judgement.carry_over.run_order import CellSequence, cell_sequence, coldest
from labcalc.judgement.carry_over.shares import Contrast, RunBefore, carry_over_of
from labcalc.judgement.checks import Check
from labcalc.judgement.month.actions import _carried_over
from labcalc.judgement.month.oils import CarryOver
from labcalc.lab import CertifiedValue, Laboratory, Product, ReferenceLot, ReferenceMaterial, TypicalValue
from labcalc.statistics import CarriedShare

KV = "kinematic viscosity"
ZONE = "Europe/Lisbon"
Array = NDArray[np.float64]

NAN = math.nan


# --- The order of runs ---

VALUES = (CertifiedValue(KV, 40.0, 50.0, 0.1), CertifiedValue("density", 40.0, 850.0, 0.1))
LABORATORY = Laboratory(
    references=(
        ReferenceMaterial("Oil R", ("RO-*",), (ReferenceLot("A", date(2026, 1, 1), date(2026, 12, 31), VALUES),)),
    ),
    products=(
        Product("Oil 46", ("S-*",), "formulated oils", typical=(TypicalValue(KV, 40.04, 46.0, 0.5),)),
        Product("Gas oil", ("G-*",), "gas oils"),
    ),
)


def row(run: str, clock: str, viscosity: float | None, density: float | None = 850.0, **more: Any) -> dict[str, Any]:
    given = {"run": run, "sample": run, "role": "sample", "temperature_C": 40.0}
    given |= {"measured_at": pd.Timestamp(f"2026-03-02 {clock}", tz=ZONE)}
    return given | {"kinematic_viscosity_mm2_s": viscosity, "density_kg_m3": density} | more


def cells(*rows: dict[str, Any]) -> CellSequence:
    return cell_sequence("VD", pd.DataFrame(list(rows), columns=list(TIDY_COLUMNS)), LABORATORY)


def test_first_and_last_fill_of_a_run() -> None:
    found = cells(
        row("S-1", "08:00", 46.0),
        row("S-1", "08:20", 46.2, 851.0),
        row("S-1", "08:30", None, 852.0),
        row("G-1", "09:00", 3.0),
        row("G-1", "09:10", 1.2, temperature_C=100.02),
        row("G-1", "09:20", 2.9, temperature_C=NAN),
    )
    assert found.runs.tolist() == ["S-1", "G-1"]
    assert found.temperatures_C.tolist() == [40.0, 100.0]
    np.testing.assert_array_equal(found.first[KV], [[46.0, NAN], [3.0, 1.2]])
    np.testing.assert_array_equal(found.last[KV], [[46.2, NAN], [3.0, 1.2]])
    np.testing.assert_array_equal(found.last["density"], [[852.0, NAN], [850.0, 850.0]])
    np.testing.assert_array_equal(found.before(KV), [[NAN, NAN], [46.2, NAN]])
    np.testing.assert_array_equal(found.pause_h, [NAN, 0.5])
    assert found.started[1] == pd.Timestamp("2026-03-02 09:00", tz=ZONE)


@pytest.mark.parametrize(("clock", "followed"), [("14:00:00", True), ("14:00:01", False)])
def test_a_run_is_followed_for_six_hours(clock: str, followed: bool) -> None:
    found = cells(row("S-1", "07:00", 46.0), row("S-1", "08:00", 46.0), row("G-1", clock, 3.0))
    assert found.followed.tolist() == [False, followed]
    assert np.isfinite(found.before(KV)[1, 0]) == followed
    assert np.sign(found.step_before[1]) == pytest.approx(1.0 if followed else NAN, nan_ok=True)


def test_thicker_thinner_or_nothing_to_tell() -> None:
    """By the coldest temperature that both have; the same viscosity counts as not thicker."""
    found = cells(
        row("1", "08:00", 46.0),
        row("2", "08:10", 46.0),
        row("3", "08:20", 45.0),
        row("3", "08:25", 9.0, temperature_C=100.0),
        row("4", "08:30", 8.0, temperature_C=100.0),
        row("5", "08:40", 3.0),
    )
    np.testing.assert_array_equal(np.sign(found.step_before) > 0.0, [False, False, True, True, False])
    np.testing.assert_array_equal(np.isnan(found.step_before), [True, False, False, False, True])
    np.testing.assert_array_equal(coldest(np.array([[NAN, 2.0], [1.0, 2.0], [NAN, NAN]])), [2.0, 1.0, NAN])


def test_what_is_known_of_each_material() -> None:
    found = cells(
        row("1", "08:00", 46.0, sample="RO-1", role="reference", lot="a "),
        row("2", "08:10", 46.0, sample="RO-1", role="reference", lot="B"),
        row("3", "08:20", 46.0, sample="S-1"),
        row("4", "08:30", 46.0, sample="x", product="Oil 46", lot="L"),
        row("5", "08:40", 46.0, sample="x", product="Unknown"),
        row("6", "08:50", 46.0, sample="Z-1", role="reference"),
    )
    np.testing.assert_array_equal(found.level[:, 0], [50.0, NAN, 46.0, 46.0, NAN, NAN])
    np.testing.assert_array_equal(found.spread[:, 0], [0.0, NAN, 0.5, 0.5, NAN, NAN])
    assert found.material.tolist() == ["RO-1 a ", "RO-1 B", "Oil 46", "Oil 46 L", "Unknown", "Z-1 "]
    assert found.kind.tolist() == ["reference oil", "reference oil", "product", "lot", "product", "reference oil"]
    assert found.precision_class.tolist() == [
        "base oils",
        "base oils",
        "formulated oils",
        "formulated oils",
        "",
        "base oils",
    ]


# --- What a share does ---


def test_a_viscosity_by_hand() -> None:
    one = Contrast(KV, 40.0, 10.0, 1000.0)
    assert one.unit == "%"
    assert one.effect(0.01) == pytest.approx(100.0 * (100.0**0.01 - 1.0))
    assert one.effect_at_most(0.01) == pytest.approx(100.0 * 0.01 * 99.0)


def test_a_density_by_hand() -> None:
    one = Contrast("density", 40.0, 840.0, 860.0)
    assert one.unit == "kg/m³"
    assert (one.effect(0.01), one.effect_at_most(0.01)) == pytest.approx((0.2, 0.2))


def share(value: float, half_width: float = 0.0, changes: int = 20, why_not: str = "") -> CarriedShare:
    interval = (value - half_width, value + half_width)
    return CarriedShare(value, half_width / 2.0, 30, interval, 0.001, changes, why_not)


def contrast(value: float = 840.0, before: float = 860.0) -> Contrast:
    return Contrast("density", 40.0, value, before)


def place(*contrasts: Contrast, of: CarriedShare | None = None, **more: Any) -> RunBefore:
    given = {"run": "S1", "sample": "S-1", "sample_before": "T-1", "pause_h": 0.5, "direction": "thicker"}
    return RunBefore(**(given | {"contrasts": contrasts, "share": of, "precision_class": "formulated oils"} | more))


def checked(one: RunBefore | None, laboratory: Laboratory = LABORATORY) -> Check:
    return residue_check(one, (lambda *_: None) if one is None else class_in_force(one, laboratory))


@pytest.mark.parametrize(
    ("of", "state", "part", "largest"),
    [
        (share(0.0125), "doubtful", 1.25, 1.25),
        (share(0.01), "met", 1.0, 1.0),
        (share(0.0075, 0.0025), "met", 0.75, 1.0),
        (share(0.0075, 0.005), "not checked", 0.75, 1.25),
        (share(-0.02), "met", 0.0, 0.0),
        (share(-0.0025, 0.015), "not checked", 0.0, 1.25),
    ],
)
def test_an_effect_may_be_as_large_as_the_repeatability(
    of: CarriedShare, state: str, part: float, largest: float
) -> None:
    """20 kg/m³ times 0.01 is r = 0.2; the edge is widened by binary dust."""
    (found,) = expected_effects(place(contrast(840.0, 860.0), of=of), class_in_force(place(), LABORATORY))
    assert (found.part, found.largest_part) == pytest.approx((part, largest))
    assert found.limit == pytest.approx(0.2)
    assert ExpectedEffect(found.contrast, of, 0.2 * (1.0 + 1e-12), found.statement).state == state
    thinner = ExpectedEffect(contrast(840.0, 820.0), of, 0.2 * (1.0 + 1e-12), found.statement)
    assert (thinner.part, thinner.state) == (pytest.approx(part), state), "downwards as well"


def test_the_limit_of_a_viscosity_is_relative() -> None:
    """Gas oils: 0.0043 (3 + 1) / 3 = 0.573 %."""
    one = place(Contrast(KV, 40.0, 3.0, 46.0), of=share(0.002), precision_class="gas oils")
    (found,) = expected_effects(one, class_in_force(one, LABORATORY))
    assert found.limit == pytest.approx(100.0 * 0.0043 * 4.0 / 3.0)
    assert (found.effect, found.at_most) == pytest.approx(
        (100.0 * ((46.0 / 3.0) ** 0.002 - 1.0), 100.0 * 0.002 * 43.0 / 3.0)
    )


def test_without_a_share_a_statement_or_a_contrast_there_is_no_effect() -> None:
    known = class_in_force(place(), LABORATORY)
    assert expected_effects(place(contrast(), of=None), known) == ()
    assert expected_effects(place(contrast(), of=share(0.01, why_not="too few")), known) == ()
    assert expected_effects(place(contrast(840.0, 840.0), of=share(0.01)), known) == ()
    assert (
        expected_effects(
            place(contrast(), of=share(0.01), precision_class=""), class_in_force(place(precision_class=""), LABORATORY)
        )
        == ()
    )


def test_the_worst_effect_takes_up_most_of_its_repeatability() -> None:
    one = place(contrast(840.0, 850.0), contrast(840.0, 830.0), contrast(840.0, 860.0), of=share(0.004, 0.002))
    effects = expected_effects(one, class_in_force(one, LABORATORY))
    worst = worst_effect(effects)
    assert worst is effects[2]
    assert worst_effect(effects[:2]) is effects[0], "the first of two alike"
    assert worst_effect(()) is None
    below = expected_effects(replace(one, share=share(-0.001, 0.003)), class_in_force(one, LABORATORY))
    assert worst_effect(below) is below[2], "all parts are 0: the far end decides"


def test_runs_at_risk_are_those_that_follow_and_are_doubtful() -> None:
    risky, fine = place(contrast(), of=share(0.02)), place(contrast(), of=share(0.005))
    late = replace(risky, pause_h=6.5)
    found = runs_at_risk([None, risky, fine, late, replace(risky, run="S9", pause_h=6.0)], LABORATORY)
    assert [(one.run, one.sample, one.sample_before, one.direction) for one in found] == [
        ("S1", "S-1", "T-1", "thicker"),
        ("S9", "S-1", "T-1", "thicker"),
    ]
    assert found[0].worst.effect == pytest.approx(0.4)


# --- What the check says ---


@pytest.mark.parametrize(
    ("one", "finding"),
    [
        (None, "the record gives no time or instrument: which run came before can't be told"),
        (place(pause_h=NAN), "the record holds no run before this one on the instrument"),
        (
            place(pause_h=6.6),
            "the run before, T-1, ended 7 h earlier; after more than 6 h nothing tells what was in the cell",
        ),
        (place(direction=""), "the run before, T-1, has no viscosity at a temperature of this one"),
        (
            place(contrast(), precision_class="none"),
            "the run before was T-1; no repeatability is stated to compare its effect with",
        ),
        (
            place(contrast(), of=share(NAN, why_not="2 results after a sample of another level; 6 are needed")),
            "how much stays in the cell is not known (2 results after a sample of another level; 6 are needed, after a "
            "thicker sample); the run before was T-1",
        ),
    ],
)
def test_what_can_not_be_told_says_why(one: RunBefore | None, finding: str) -> None:
    found = checked(one)
    assert (found.state, found.finding) == ("not checked", finding)


def test_a_known_share_is_told_with_its_uncertainty() -> None:
    found = checked(place(contrast(), of=share(0.005, 0.0012)))
    assert (found.state, found.finding) == (
        "met",
        "+0.10 kg/m³ expected in density at 40 °C from T-1, which ran before; limit 0.20 kg/m³; 0.50 % ± 0.12 % of a "
        "thicker sample stays in the cell (20 changes)",
    )
    assert found.basis.endswith("; the limit is 1 r, close to 3 standard deviations")
    doubtful = checked(place(contrast(840.0, 820.0), of=share(0.02, 0.0012), direction="thinner"))
    assert doubtful.finding == (
        "−0.40 kg/m³ expected in density at 40 °C from T-1, which ran before; limit 0.20 kg/m³; 2.00 % ± 0.12 % of a "
        "thinner sample stays in the cell (20 changes)"
    )


def test_a_doubtful_viscosity_tells_what_it_is_at_most() -> None:
    """10 ** 0.02 - 1 = 4.7 %; in proportion to volume 0.02 · 9 = 18 %."""
    found = checked(place(Contrast(KV, 40.0, 46.0, 460.0), of=share(0.02, 0.001)))
    assert found.state == "doubtful"
    assert found.finding.startswith(
        f"+4.7 % expected in {KV} at 40 °C from T-1, which ran before; limit 0.74 %; 2.00 % "
    )
    assert found.finding.endswith("(20 changes); mixed in proportion to volume at most +18 %")
    assert "proportion" not in checked(place(Contrast(KV, 40.0, 46.0, 460.0), of=share(0.002))).finding


@pytest.mark.parametrize(("changes", "needed"), [(20, 80), (1, 6)])
def test_an_uncertain_share_says_how_many_changes_it_takes(changes: int, needed: int) -> None:
    """The far end takes up 2 r: half the width is needed, four times the changes; 6 at the least."""
    found = checked(place(contrast(), of=share(0.0, 0.02, changes)))
    assert found.state == "not checked"
    assert found.finding.endswith(f", too uncertain to tell: some {needed} changes are needed")


# --- Shares from a record ---


def sequence(number: int = 80, upset: int | None = None, seed: int = 5) -> CellSequence:
    """Four materials in a random order, of two kinds; every tenth run comes after a night."""
    generator = np.random.default_rng(seed)
    nominal = np.log(np.array([3.0, 15.0, 46.0, 460.0]))
    oil = generator.integers(0, 4, number)
    truth = nominal[oil]
    before = np.roll(truth, 1)
    k = np.where(before > truth, 0.004, 0.001)
    followed = np.arange(number) % 10 > 0
    noise = np.where(oil < 2, 0.001, 0.004) * generator.standard_normal(number)
    found = truth + np.where(followed, k * (before - truth), 0.0) + noise
    if upset is not None:
        found[upset] += 0.1
    values = {KV: np.exp(found)[:, None], "density": np.full((number, 1), NAN)}
    texts = oil.astype(str).astype(object)
    return CellSequence(
        instrument="VD",
        runs=np.arange(number).astype(str).astype(object),
        samples=texts,
        started=pd.Timestamp("2026-01-05 08:00", tz="UTC") + pd.to_timedelta(6 * np.arange(number), unit="h"),
        pause_h=np.where(followed, 0.3, 18.0),
        temperatures_C=np.array([40.0]),
        first=values,
        last=values,
        level=np.exp(truth)[:, None],
        spread=0.1 * np.exp(truth)[:, None],
        material=texts,
        kind=np.where(oil < 2, "thin", "thick").astype(object),
        precision_class=texts,
    )


def by_loops(cells: CellSequence, first: int, last: int) -> tuple[Array, Array, int, list[int], set[int]]:
    """The definition row by row: each result less its material's mean before, over the scatter of its kind before.

    Scatter: the 68.27 % quantile of |rest| of ten rows and more before; a row 5 of it off is set aside. Twice, the
    second time with the shares known so far. Shares by the normal equations.
    """
    y, before, own = np.log(cells.first[KV][:, 0]), np.log(cells.before(KV)[:, 0]), np.log(cells.level[:, 0])
    left = before.copy()  # the known level of the sample before, where its result is within 30 % of it
    for i in range(1, len(y)):
        if not math.isnan(before[i]) and abs(math.exp(before[i] - own[i - 1]) - 1.0) <= 0.3:
            left[i] = own[i - 1]
    x = np.zeros((len(y), 2))
    for i in range(len(y)):
        if not math.isnan(before[i]):
            x[i, 0 if before[i] > y[i] else 1] = left[i] - own[i]
    keep, slopes = np.isfinite(before), np.zeros((len(y), 2))

    def freed(keep: NDArray[np.bool_]) -> Array:
        rows = np.full((len(y), 3), NAN)
        for i in np.flatnonzero(keep):
            past = [j for j in np.flatnonzero(keep) if j < i and cells.material[j] == cells.material[i]]
            if past:
                z = np.column_stack([x, y - own])
                rows[i] = math.sqrt(len(past) / (len(past) + 1.0)) * (z[i] - z[past].mean(axis=0))
        return rows

    rows = freed(keep)
    for _ in range(2):
        rest, scale = rows[:, 2] - (slopes * rows[:, :2]).sum(axis=1), np.full(len(y), NAN)
        for kind in set(cells.kind):
            here = [i for i in range(len(y)) if cells.kind[i] == kind and math.isfinite(rest[i])]
            for n, i in enumerate(here):
                scale[i] = np.quantile(np.abs(rest[here[: max(n, 10)]]), 0.6827)
        keep = keep & ~(np.abs(rest) > 5.0 * scale)
        rows = freed(keep) / scale[:, None]
        for i in range(len(y)):
            told = [j for j in range(i) if np.isfinite(rows[j]).all()]
            a = rows[told][:, :2]
            slopes[i] = (
                np.linalg.solve(a.T @ a, a.T @ rows[told][:, 2]) if told and np.linalg.matrix_rank(a) == 2 else 0.0
            )
        unscaled = freed(keep)
        last_rows, rows = rows, unscaled
    told = [j for j in range(first, last) if np.isfinite(last_rows[j]).all()]
    a, b = last_rows[told][:, :2], last_rows[told][:, 2]
    k = np.linalg.solve(a.T @ a, a.T @ b)
    degrees = len(told) - 2
    u = np.sqrt(np.diag(np.linalg.inv(a.T @ a)) * float(((b - a @ k) ** 2).sum()) / degrees)
    changed = [
        sum(abs(before[j] - y[j]) >= math.log(2.0) and bool(before[j] > y[j]) is thick for j in told)
        for thick in (True, False)
    ]
    return k, u, degrees, changed, {int(i) for i in np.flatnonzero(np.isfinite(before) & ~keep)}


@pytest.mark.parametrize("upset", [None, 55])
def test_shares_by_their_definition(upset: int | None) -> None:
    cells = sequence(upset=upset)
    found = carry_over_of(cells)
    k, u, degrees, changed, aside = by_loops(cells, 0, 80)
    shares = found.shares_at(pd.Timestamp("2026-06-01", tz="UTC"))
    assert [one.value for one in shares] == pytest.approx(k.tolist(), rel=1e-6)
    assert [one.standard_uncertainty for one in shares] == pytest.approx(u.tolist(), rel=1e-6)
    assert [(one.degrees_of_freedom, one.changes) for one in shares] == [(degrees, n) for n in changed]
    t = stats.t.ppf(0.975, degrees)
    assert [one.interval[1] for one in shares] == pytest.approx((k + t * u).tolist(), rel=1e-6)
    assert set(np.flatnonzero(found.aside).tolist()) == aside
    assert (upset in aside) == (upset is not None)


def test_a_moment_sees_half_a_year_back_and_nothing_at_or_after_it() -> None:
    cells = sequence()
    cells = replace(cells, started=pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(5 * np.arange(80), unit="D"))
    found = carry_over_of(cells)
    moment = cells.started[50]
    first, last = found.rows_at(pd.DatetimeIndex([moment, moment + pd.Timedelta(seconds=1)]))
    assert (first.tolist(), last.tolist()) == ([14, 15], [50, 51]), "180 days are 36 runs, five days apart"
    k, *_ = by_loops(cells, 14, 50)
    assert [one.value for one in found.shares_at(moment)] == pytest.approx(k.tolist(), rel=1e-6)
    run = found.run_before("50") if cells.pause_h[50] < 6.0 else found.run_before("51")
    assert run is not None
    between = found.runs_between(cells.started[10], cells.started[13])
    assert [one.run for one in between] == ["10", "11", "12"]
    assert found.run_before("none") is None


def test_a_run_knows_its_place_and_its_share() -> None:
    cells = sequence()
    found = carry_over_of(cells)
    run = found.run_before("41")
    assert run is not None
    thick = cells.first[KV][40, 0] > cells.first[KV][41, 0]
    k, *_ = by_loops(cells, 0, 41)
    assert run.direction == ("thicker" if thick else "thinner")
    assert run.share is not None
    assert run.share.value == pytest.approx(k[0 if thick else 1], rel=1e-6)
    (one,) = run.contrasts
    assert (one.value, one.before) == (cells.first[KV][41, 0], cells.last[KV][40, 0])
    first, night = found.run_before("0"), found.run_before("40")
    assert first is not None
    assert night is not None
    assert (first.sample_before, first.direction, first.contrasts, first.share) == ("", "", (), None)
    assert (night.sample_before, night.direction, night.followed) == (str(cells.samples[39]), "", False)


def test_results_far_from_their_level_and_excluded_runs_tell_nothing() -> None:
    """At 4 mm²/s with a standard deviation of 0.125: 3.625 is three of it away; a certified value has none."""
    cells = sequence()
    own, level, spread = (values.copy() for values in (cells.first[KV], cells.level, cells.spread))
    own[10:16], level[10:16, 0], spread[10:16] = 4.0, (4.0, 3.625, 3.624, 4.376, 2.0, 4.0), 0.125
    spread[14] = 0.0
    values = {**cells.first, KV: own}
    found = carry_over_of(replace(cells, first=values, last=values, level=level, spread=spread), frozenset({"15"}))
    assert np.isfinite(found.residual[11:16]).tolist() == [True, False, False, True, False]
    assert found.residual[11] == pytest.approx(math.log(4.0 / 3.625))
    assert found.contrast[14] == pytest.approx(math.log(4.0 / 2.0))


# --- In a month's actions ---


def carry_over(*effects: float, thick: CarriedShare) -> CarryOver:
    one = place(*(contrast(840.0, 840.0 + effect / thick.value) for effect in effects), of=thick)
    risk = [
        runs_at_risk([replace(one, contrasts=(each,), sample=f"S-{n}")], LABORATORY)[0]
        for n, each in enumerate(one.contrasts)
    ]
    return CarryOver("VD", (thick, share(0.001, 0.002)), 9, tuple(risk), 0)


def test_what_is_carried_over_is_told_with_the_ratio_that_moves_a_result() -> None:
    """A share of 1 % moves a result by 0.2 % from a ratio of 1.002 ** (1 / 0.01) = 1.22 on."""
    found = list(_carried_over((carry_over(0.3, -0.25, thick=share(0.01, 0.001)),)))
    (action,) = found
    assert action.finding == (
        "2 results moved by more than the repeatability, the most +0.30 kg/m³ (S-0 after T-1): 1.0 % of the sample "
        "before stays in the cell"
    )
    assert action.what_to_do.endswith("thin to thick, or rinse once more after a sample more than 1 times as thick.")
    assert list(_carried_over((carry_over(thick=share(0.01)),))) == []
    tiny = next(_carried_over((carry_over(0.3, thick=share(1e-4)),)))
    assert tiny.what_to_do.endswith("order runs from thin to thick."), "a ratio beyond a million is none"
    assert "1 result moved by more" in tiny.finding


def test_the_ratio_that_moves_a_result() -> None:
    one = carry_over(thick=share(0.004, 0.001))
    assert [share.shows for share in one.shares] == [True, False]
    assert one.ratio_at(0.6) == pytest.approx(1.006**250.0)
    none = replace(one, shares=(share(0.001, 0.002), share(0.001, 0.002)))
    assert none.ratio_at(0.6) == math.inf


def test_a_share_that_nothing_significant_supports_holds_no_run_back() -> None:
    """By itself a doubtful effect; with a probability of 1 % of so large a share by chance it stays open."""
    (shown,) = expected_effects(place(contrast(), of=share(0.02, 0.005)), class_in_force(place(), LABORATORY))
    assert (shown.part, shown.state) == (pytest.approx(2.0), "doubtful")
    assert replace(shown, share=replace(shown.share, p_value=0.01)).state == "not checked"
