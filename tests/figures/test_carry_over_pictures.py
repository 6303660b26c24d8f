"""Carry-over in the monthly report: what is drawn stands in the table too, runs by name, text stays text."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from labcalc import figures
from labcalc.judgement import MonthReport, gather_record, month_of, report_month
from labcalc.judgement.month.oils import month_carry_overs
from tests.figures.test_run_pictures import HOSTILE
from tests.judgement.conftest import HEADER
from tests.judgement.test_carry_over import ORDER, TYPICAL, sequence


@pytest.fixture(scope="module")
def march() -> MonthReport:
    return report_month(gather_record(), "2026-03")


def of_record(march: MonthReport, folder: Path, record: str, lab: str = TYPICAL) -> MonthReport:
    """A report with the carry-over of another record."""
    (folder / "lab.toml").write_text(lab, encoding="utf-8")
    (folder / "record").mkdir()
    (folder / "record" / "all.csv").write_text(HEADER + record, encoding="utf-8")
    material = gather_record(folder / "lab.toml")
    january = month_of("2026-01", material.laboratory.time_zone)
    return replace(march, month=january, carry_overs=month_carry_overs(material, material.record, january))


def test_runs_that_were_moved_stand_by_name(march: MonthReport) -> None:
    shown = figures.show_carry_over(march)
    for one in march.carry_overs:
        for run in one.at_risk:
            assert f"{run.sample} after {run.sample_before}" in shown.text
            assert any(f"{run.sample} after {run.sample_before}, " in of for a in march.actions for of in a.details)


def test_a_share_that_is_not_known_says_what_to_measure(march: MonthReport, tmp_path: Path) -> None:
    shown = figures.show_carry_over(of_record(march, tmp_path, sequence("RS" * 8, 0.0, 0.0)))
    assert "not known: 0 results after a sample of another level; 6 are needed" in shown.text
    assert "told by 21 runs: workbook bench-calculations, page Carry-over." in shown.html
    assert "Runs moved beyond their repeatability: none." in shown.text


def test_names_stay_text(march: MonthReport, tmp_path: Path) -> None:
    lines = (
        sequence(ORDER, 0.004, 0.001, noise=5e-4)
        .replace(",VD,", f",{HOSTILE.replace(chr(34), '')},")
        .splitlines(keepends=True)
    )
    at = next(n for n, line in enumerate(lines) if n > 60 and ",S-" in line)
    cells = lines[at].split(",")
    lines[at] = ",".join([*cells[:5], f"{float(cells[5]) * 1.02:.6g}", cells[6]])
    report = of_record(march, tmp_path, "".join(lines))
    assert "<script" not in figures.show_carry_over(report).html


def test_without_a_run_that_is_said(march: MonthReport) -> None:
    empty = replace(march, carry_overs=())
    assert figures.show_carry_over(empty).text.startswith("No run with a time and an instrument")
