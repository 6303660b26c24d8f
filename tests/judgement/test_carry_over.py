"""Carry-over of an instrument: shares that were put in come back, nothing of later counts, and what a check says."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from labcalc.judgement import CarryOver, gather, gather_record, judge, month_of, report_month
from labcalc.judgement.carry_over.effect import class_in_force, expected_effects, residue_check, runs_at_risk
from labcalc.judgement.carry_over.run_order import CellSequence, cell_sequence
from labcalc.judgement.carry_over.shares import DIRECTIONS, Contrast, InstrumentCarryOver, RunBefore, carry_over_of
from labcalc.judgement.checks import Check
from labcalc.judgement.month.oils import month_carry_overs
from labcalc.judgement.record.measurements import Material
from tests.judgement.conftest import HEADER, LAB

TYPICAL = LAB.replace(
    "typical = [",
    """typical = [
  { quantity = "kinematic viscosity", temperature_C = 40, mean = 46.0, standard_deviation = 0.5 },""",
).replace(
    "[report]",
    """[[product]]
name = "Thick oil"
samples = ["T-*"]
precision_class = "formulated oils"
typical = [{ quantity = "kinematic viscosity", temperature_C = 40, mean = 460.0, standard_deviation = 20.0 }]

[[product]]
name = "Thin oil"
samples = ["F-*"]
precision_class = "gas oils"
typical = [
  { quantity = "kinematic viscosity", temperature_C = 40, mean = 3.0, standard_deviation = 0.5 },
  { quantity = "density", temperature_C = 40, mean = 820.0, standard_deviation = 2.0 },
]

[report]""",
)

LEVELS = {"R": ("RO-1", 50.0, 850.0), "S": ("S", 46.0, 858.0), "T": ("T", 460.0, 890.0), "F": ("F", 3.0, 820.0)}

Record = Callable[..., Material]


def _checked(place: RunBefore | None, material: Material) -> Check:
    assert place is not None
    return residue_check(place, class_in_force(place, material.laboratory))


def sequence(order: str, thicker: float, thinner: float, *, noise: float = 0.0, seed: int = 1, start: int = 1) -> str:
    """Runs half an hour apart, ten a day: the definition step by step, each share for what it follows."""
    generator, rows, held = np.random.default_rng(seed), "", math.nan
    for number, step in enumerate(order, start):
        name, level, density = LEVELS[step]
        k = 0.0 if math.isnan(held) else thicker if held > level else thinner
        held = level if math.isnan(held) else math.exp((1.0 - k) * math.log(level) + k * math.log(held))
        day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=number // 10, hours=8, minutes=30 * (number % 10))
        value = held * math.exp(noise * generator.standard_normal())
        sample = name if "-" in name else f"{name}-{number}"
        rows += f"N{number},{sample},{day:%Y-%m-%d %H:%M},VD,40,{value:.9g},{density}\n"
    return rows


ORDER = "RSTRFSTFRTSRFTRSFRTFSTRSFTSRTFRSTF" * 4


@pytest.fixture
def recorded(tmp_path: Path) -> Record:
    """Gather a record that is written inline."""

    def call(record: str, *, lab: str = TYPICAL, today: str = "") -> Material:
        (tmp_path / "lab.toml").write_text(lab, encoding="utf-8")
        (tmp_path / "record").mkdir(exist_ok=True)
        (tmp_path / "record" / "all.csv").write_text(HEADER + record, encoding="utf-8")
        if today:
            (tmp_path / "today.csv").write_text(HEADER + today, encoding="utf-8")
            return gather([tmp_path / "today.csv"], tmp_path / "lab.toml")
        return gather_record(tmp_path / "lab.toml")

    return call


def found(material: Material) -> InstrumentCarryOver:
    one = material.carry_over("VD")
    assert one is not None
    return one


def check(material: Material, run: str) -> Check:
    return next(one for one in judge(material.dossier(run)).checks if one.name == "Carry-over")


LATER = pd.Timestamp("2026-06-01", tz="Europe/Lisbon")


def test_both_shares_that_were_put_in_come_back(recorded: Record) -> None:
    thick, thin = found(recorded(sequence(ORDER, 0.004, 0.001, noise=1e-6))).shares_at(LATER)
    assert thick.value == pytest.approx(0.004, abs=2e-5)
    assert thin.value == pytest.approx(0.001, abs=5e-6)
    assert DIRECTIONS == ("thicker", "thinner")


def simulated(generator: np.random.Generator, share: float, upsets: int) -> CellSequence:
    """150 runs, ten a day, of eight oils whose lots differ by 1 % and days by 0.06 %; repeatability 0.14 %."""
    number, nominal = 150, np.log(np.array([2.9, 15.0, 20.0, 31.0, 46.0, 68.0, 97.0, 118.0]))
    oil, day = generator.integers(0, 8, number), np.arange(number) // 10
    lot = 3 * oil + generator.integers(0, 3, number)
    truth = nominal[oil] + 0.01 * generator.standard_normal(24)[lot]
    before = np.roll(truth, 1)
    residue = np.where((np.arange(number) % 10 > 0) & (before > truth), share * (before - truth), 0.0)
    found = truth + residue + 0.0006 * generator.standard_normal(15)[day] + 0.0014 * generator.standard_normal(number)
    found[generator.choice(number, upsets, replace=False)] += 0.02
    values = {"kinematic viscosity": np.exp(found)[:, None], "density": np.full((number, 1), np.nan)}
    level = np.exp(nominal[oil])[:, None]
    minutes = 1440 * day + 40 * (np.arange(number) % 10)
    texts = np.full(number, "x", dtype=object)
    return CellSequence(
        instrument="VD",
        runs=np.arange(number).astype(str).astype(object),
        samples=texts,
        started=pd.Timestamp("2026-01-05 08:00", tz="UTC") + pd.to_timedelta(minutes, unit="min"),
        pause_h=np.where(np.arange(number) % 10 > 0, 0.3, 18.0),
        temperatures_C=np.array([40.0]),
        first=values,
        last=values,
        level=level,
        spread=0.01 * level,
        material=lot.astype(str).astype(object),
        kind=texts,
        precision_class=texts,
    )


@pytest.mark.parametrize("upsets", [0, 2])
def test_the_intervals_hold_the_shares_in_nineteen_cases_of_twenty(upsets: int) -> None:
    """Lots, days, weights that grow with the record and results set aside: 95 % to four Monte Carlo errors."""
    generator, cases = np.random.default_rng(17), 200
    inside = np.zeros(2)
    for _ in range(cases):
        shares = carry_over_of(simulated(generator, 0.0035, upsets)).shares_at(LATER)
        for place, (share, true) in enumerate(zip(shares, (0.0035, 0.0), strict=True)):
            inside[place] += share.interval[0] <= true <= share.interval[1]
    assert inside / cases == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / cases))


def test_nothing_later_than_the_run_counts(recorded: Record) -> None:
    """The dossier of a run is the same whether or not the record goes on after it."""
    record = sequence(ORDER, 0.004, 0.001, noise=0.001)
    lines = record.splitlines(keepends=True)
    shortened = recorded("".join(lines[:71])).dossier("N71")
    assert repr(recorded(record).dossier("N71").in_sequence) == repr(shortened.in_sequence)
    assert recorded(record).dossier("N71").digest != recorded(record).dossier("N72").digest


def test_an_upset_is_set_aside_and_does_not_move_the_share(recorded: Record) -> None:
    record = sequence(ORDER, 0.004, 0.001, noise=0.0005)
    lines = record.splitlines(keepends=True)
    at = next(n for n, line in enumerate(lines) if n > 60 and ",S-" in line)
    cells = lines[at].split(",")
    lines[at] = ",".join([*cells[:5], f"{float(cells[5]) * 1.02:.6g}", cells[6]])
    upset = found(recorded("".join(lines)))
    assert upset.aside[at]
    assert upset.shares_at(LATER)[0].value == pytest.approx(
        found(recorded(record)).shares_at(LATER)[0].value, abs=1.5e-4
    )


def test_the_shares_of_the_sample_laboratory() -> None:
    """The sample laboratory was made with 0.20 % and 0.35 % after a thicker sample, and none after a thinner."""
    material = gather_record()
    for instrument, share in (("VD-1", 0.0020), ("VD-2", 0.0035)):
        carried = material.carry_over(instrument)
        assert carried is not None
        thick, thin = carried.shares_at(LATER)
        assert thick.interval[0] <= share <= thick.interval[1]
        assert thin.interval[0] <= 0.0 <= thin.interval[1]
        assert thick.shows
        assert not thin.shows


def test_after_a_night_nothing_is_said(recorded: Record) -> None:
    material = recorded(sequence(ORDER, 0.004, 0.001))
    place = found(material).run_before("N10")
    assert place is not None
    assert not place.followed
    assert place.direction == ""
    assert "nothing tells what was in the cell" in _checked(place, material).finding


def test_a_thin_oil_after_a_thick_one_is_doubtful(recorded: Record) -> None:
    """k ln(460/3) = 0.004 · 5.03 = 2.0 % against r of gas oils, ASTM D445-24 (memory)."""
    material = recorded(sequence(ORDER + "SSSTF", 0.004, 0.001, noise=1e-4))
    said = check(material, f"N{len(ORDER) + 5}")
    assert said.state == "doubtful"
    assert said.finding.startswith(
        "+2.0 % expected in kinematic viscosity at 40 °C from T-140, which ran before; limit"
    )
    assert "; 0.3998" in said.finding
    assert check(material, f"N{len(ORDER) + 2}").state == "met"


def test_too_few_changes_say_how_many_are_needed(recorded: Record) -> None:
    said = check(recorded(sequence("RSSRRS" * 5 + "RTF", 0.004, 0.0)), "N33")
    assert said.state == "not checked"
    assert "6 are needed, after a thicker sample" in said.finding


def test_a_share_known_badly_says_how_many_changes_it_takes(recorded: Record) -> None:
    said = check(recorded(sequence(ORDER[:40] + "TS", 0.001, 0.0, noise=0.006, seed=4)), "N42")
    assert said.state == "not checked"
    assert "too uncertain to tell" in said.finding


def test_effects_by_hand() -> None:
    viscosity = Contrast("kinematic viscosity", 40.0, 10.0, 1000.0)
    assert viscosity.effect(0.005) == pytest.approx(100.0 * (100.0**0.005 - 1.0)), "0.5 % of 1000 in 10: 10.23 mm²/s"
    assert 10.0 * (1.0 + viscosity.effect(0.005) / 100.0) == pytest.approx(10.23, abs=5e-3)
    assert 10.0 * (1.0 + viscosity.effect_at_most(0.005) / 100.0) == pytest.approx(14.95), "linear mixing"
    density = Contrast("density", 40.0, 840.0, 860.0)
    assert density.effect(0.005) == pytest.approx(0.1)


def test_runs_at_one_instrument_in_the_order_of_time(recorded: Record) -> None:
    """A second fill is what the next run finds; the first fill is what tells of the run before."""
    rows = (
        "A,S-1,2026-03-02 08:00,VD,40,46.0,858.0\nA,S-1,2026-03-02 08:10,VD,40,46.2,858.0\n"
        "B,S-2,2026-03-02 08:40,VD,40,45.8,858.0\nB,S-2,2026-03-02 08:50,VD,100,6.8,820.0\n"
        "C,RO-1,2026-03-02 09:10,W,40,50.0,850.0\n"
    )
    material = recorded(rows)
    table = material.record[material.record["instrument"] == "VD"]
    cells = cell_sequence("VD", table, material.laboratory)
    assert cells.runs.tolist() == ["A", "B"]
    assert cells.before("kinematic viscosity")[1].tolist()[0] == 46.2
    assert cells.first["kinematic viscosity"][0, 0] == 46.0
    assert cells.pause_h[1] == pytest.approx(0.5)
    assert cells.step_before[1] > 0.0


def test_without_a_repeatability_nothing_is_compared(recorded: Record) -> None:
    lab = TYPICAL.replace('precision_class = "gas oils"\n', "")
    material = recorded(sequence(ORDER + "TF", 0.004, 0.001, noise=1e-4), lab=lab)
    place = material.dossier(f"N{len(ORDER) + 2}").in_sequence
    assert place is not None
    assert expected_effects(place, class_in_force(place, material.laboratory)) == ()
    assert _checked(place, material).finding.endswith("no repeatability is stated to compare its effect with")


def test_the_planted_residue_is_found_and_gas_oils_after_thick_ones_are_doubtful() -> None:
    """BL-26-0525 holds 3 % of the gas oil before; the share of the sample laboratory explains the gas oils' excess."""
    material = gather()
    dossiers, doubtful = [material.dossier(run) for run in material.runs], {}
    for dossier in dossiers:
        said = _checked(dossier.in_sequence, material)
        if said.state == "doubtful":
            doubtful[dossier.sample] = said.finding
    leading = {d.sample: judge(d).leading for d in dossiers if d.sample in ("BL-26-0525", "MX15-26-0570")}
    assert {name: one and one.cause for name, one in leading.items()} == {
        "BL-26-0525": "residue",
        "MX15-26-0570": "dilution",
    }, "one account of each, by one ranking"
    assert len(doubtful) == 10
    assert all(name.startswith("GO-") for name in doubtful)
    named = runs_at_risk((dossier.in_sequence for dossier in dossiers), material.laboratory)
    assert [one.sample for one in named] == list(doubtful)


def test_the_month_names_the_runs_and_what_to_do() -> None:
    report = report_month(gather_record(), "2026-03")
    by_name = {one.instrument: one for one in report.carry_overs}
    assert list(by_name) == ["VD-1", "VD-2"]
    for name, share in (("VD-1", 0.0020), ("VD-2", 0.0035)):
        one = by_name[name]
        assert one.shares[0].interval[0] <= share <= one.shares[0].interval[1]
        assert not one.shares[1].shows
        assert all(run.sample[:3] in ("GO-", "BL-") and run.direction == "thicker" for run in one.at_risk), (
            "the thinnest"
        )
        action = next(action for action in report.actions if action.about == f"{name}, carry-over")
        assert all(f"{run.sample} after {run.sample_before}" in " ".join(action.details) for run in one.at_risk)
        assert not action.urgent
    assert by_name["VD-1"].ratio_at(0.6) == pytest.approx(math.exp(math.log(1.006) / by_name["VD-1"].shares[0].value))


def test_a_month_says_the_same_of_a_run_as_its_own_report() -> None:
    material = gather_record()
    month = month_of("2026-03", material.laboratory.time_zone)
    carry_overs = month_carry_overs(material, material.record[month.holds(material.record["measured_at"])], month)
    named = {run.run for one in carry_overs for run in one.at_risk}
    dossiers = [material.dossier(run) for run in sorted(named)[:4]]
    assert all(_checked(one.in_sequence, material).state == "doubtful" for one in dossiers)


def january(material: Material) -> CarryOver:
    (one,) = month_carry_overs(material, material.record, month_of("2026-01", material.laboratory.time_zone))
    return one


def test_a_record_that_tells_no_share_moves_no_result(recorded: Record) -> None:
    alone = january(recorded(sequence("RS" * 8, 0.0, 0.0)))
    assert not alone.shares[0].known
    assert not any(share.shows for share in alone.shares)
    assert alone.ratio_at(0.6) == math.inf
