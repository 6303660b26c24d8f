"""The quality of a month: small invented laboratories, hand calculation, and the sample laboratory's planted drift."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from labcalc.errors import MonthError
from labcalc.judgement import MonthReport, gather_record, month_of, report_month
from tests.judgement.conftest import HEADER, LAB

Report = Callable[..., MonthReport]

SECOND_LOT = """
[[reference.lot]]
lot = "B"
valid_from = 2026-02-01
valid_to = 2026-12-31
certified = [{ quantity = "kinematic viscosity", temperature_C = 40, value = 60.00, expanded_uncertainty = 0.10 }]

[[product]]"""

TWO_LOTS = LAB.replace("\n[[product]]", SECOND_LOT, 1)


@pytest.fixture
def reported(tmp_path: Path) -> Report:
    """Report on a month of a record that is written inline."""

    def call(
        record: str,
        month: str = "",
        *,
        lab: str = LAB,
        decisions: Sequence[dict[str, str]] = (),
        header: str = HEADER,
    ) -> MonthReport:
        (tmp_path / "lab.toml").write_text(lab, encoding="utf-8")
        (tmp_path / "record").mkdir(exist_ok=True)
        in_order = sorted(record.splitlines(keepends=True), key=lambda line: line.split(",")[2])
        (tmp_path / "record" / "all.csv").write_text(header + "".join(in_order), encoding="utf-8")
        lines = "".join(json.dumps(one) + "\n" for one in decisions)
        (tmp_path / "decisions.jsonl").write_text(lines, encoding="utf-8")
        return report_month(gather_record(tmp_path / "lab.toml"), month)

    return call


def references(month: str, values: Sequence[float], *, sample: str = "RO-1", instrument: str = "VD") -> str:
    """One reference-oil result a day, from the first of the month on."""
    return "".join(
        f"{month}-{n}{instrument},{sample},{month}-{n:02} 07:00,{instrument},40,{value:.3f},850.0\n"
        for n, value in enumerate(values, 1)
    )


def around(number: int, centre: float = 50.0, seed: int = 3) -> list[float]:
    return [centre + one for one in np.random.default_rng(seed).normal(0.0, 0.05, number)]


QUIET = references("2026-01", around(28)) + references("2026-02", around(28, seed=7))


def test_a_month_without_a_run_says_so(reported: Report) -> None:
    report = reported(QUIET, "2026-07")
    assert report.notices == ("The record holds no run in 2026-07: there is nothing to report.",)
    assert [(one.about, one.finding) for one in report.actions] == [("Record", "no run in 2026-07")]
    assert report.verdict == "to be watched"
    assert (report.oils, report.carry_overs, report.runs) == ((), (), 0)
    assert report.duplicates.sets.empty


def test_a_month_with_one_result_says_so(reported: Report) -> None:
    report = reported(QUIET + "S1,S-1,2026-03-02 08:00,VD,40,46.1,858.1\n" + references("2026-03", [50.02]), "2026-03")
    assert report.notices[:3] == (
        "The month holds one run of a reference oil.",
        "The month holds one run of a sample.",
        "VD: Reference oil lot A, density at 40 °C has one result this month: no spread and no test.",
    )
    viscosity = next(one for one in report.oils if one.chart.quantity == "kinematic viscosity")
    assert (viscosity.number, viscosity.bias, viscosity.site) == (1, None, None)
    assert math.isnan(viscosity.deviation)


def test_the_last_month_of_the_record_is_taken(reported: Report) -> None:
    assert reported(QUIET).month.name == "2026-02"


def test_a_quiet_month(reported: Report) -> None:
    """Bias and index by hand; R of ASTM D445-24, base oils at 40 °C: 1.36 % (memory)."""
    report = reported(QUIET)
    (viscosity,) = [one for one in report.oils if one.chart.quantity == "kinematic viscosity"]
    later = np.round(around(28, seed=7), 3) * 2.0 - 100.0
    assert viscosity.mean == pytest.approx(later.mean())
    assert viscosity.bias is not None
    assert viscosity.bias.standard_uncertainty == pytest.approx(math.hypot(later.std(ddof=1) / math.sqrt(28), 0.1))
    assert viscosity.index is not None
    assert viscosity.index.index == pytest.approx(1.36 / (2.77 * later.std(ddof=1)))
    assert viscosity.status.status == "provisional"
    assert not any(one.urgent for one in report.actions)


def test_a_shifted_instrument_comes_first_and_what_to_do_is_said_in_order(reported: Report) -> None:
    shifted = references("2026-02", around(12, 50.30, seed=7))
    report = reported(references("2026-01", around(31)) + shifted)
    first = report.actions[0]
    assert (first.rank, first.about, first.urgent) == (1, "VD, Reference oil lot A", True)
    assert "it can't be told from VD as a whole" in first.finding, "one oil alone"
    assert first.what_to_do.startswith("Stop releasing these results. Run this oil fresh from its bottle, and a second")
    assert not any(one.about == "VD, single checks" for one in report.actions), "beneath it"
    assert report.verdict == "needs action"
    assert report.reason.startswith("VD, Reference oil lot A: since 1 February: ")


def test_an_accepted_signal_needs_no_action_but_stays(reported: Report) -> None:
    decided = [
        {"who": "I. Duarte", "when": "2026-02-10T10:00:00+00:00", "what": "accept", "why": "new bottle", "run": run}
        for run in ("2026-02-3VD", "2026-02-4VD", "2026-02-99VD")
    ]
    values = [*around(2), 50.28, *around(9, seed=5)]
    report = reported(references("2026-01", around(31)) + references("2026-02", values), decisions=decided)
    (viscosity,) = [one for one in report.oils if one.chart.quantity == "kinematic viscosity"]
    assert viscosity.status.status != "signal"
    assert [one.run for one in viscosity.status.signals] == ["2026-02-3VD"]
    assert len(report.decisions) == 3
    assert report.notices[-1] == (
        "A decision of I. Duarte (accept) is about run 2026-02-99VD, which the record does not hold."
    )


def test_a_change_of_lot_in_the_month_is_named(reported: Report) -> None:
    """Lot A until the 14th, then lot B: told apart by the days on which their certificates hold."""
    lab = TWO_LOTS.replace("2026-03-31", "2026-02-14").replace("2026-02-01", "2026-02-15")
    report = reported(references("2026-02", [*around(14), *around(14, 60.1, seed=8)]), lab=lab)
    assert report.notices[0] == "The month holds no run of a sample."
    assert report.notices[1] == (
        "VD: Reference oil went over to lot B on 2026-02-15; the new lot has a chart of its own; "
        "beneath the instrument's charts it is compared with the lot before, by the days on which both were measured."
    )
    viscosity = [one for one in report.oils if one.chart.quantity == "kinematic viscosity"]
    assert [(one.chart.lot, one.number) for one in viscosity] == [("A", 14), ("B", 14)]


def test_a_certificate_that_runs_out_is_named_before_and_after(reported: Report) -> None:
    before = reported(QUIET, "2026-02")
    assert before.notices[-1] == (
        "The certificate of Reference oil lot A is valid to 2026-03-31: "
        "results after that day prove nothing about bias; run the next lot beside it before."
    )
    named = {"header": HEADER.replace("Sample,", "Sample,Lot,"), "rows": QUIET.replace(",RO-1,", ",RO-1,A,")}
    after = reported(named["rows"], "2026-02", lab=LAB.replace("2026-03-31", "2026-02-10"), header=named["header"])
    assert after.notices[-1].startswith("The certificate of Reference oil lot A is valid to 2026-02-10: ")
    expired = next(one for one in after.actions if one.about == "Reference oil lot A")
    assert expired.finding == "its certificate ran out on 2026-02-10; 18 results of a chart came after it"
    assert expired.urgent


def test_an_instrument_without_a_reference_oil_is_named(reported: Report) -> None:
    report = reported(QUIET + "S1,S-1,2026-02-02 08:00,VX,40,46.1,858.1\n", "2026-02")
    assert (report.actions[0].about, report.actions[0].finding) == (
        "VX",
        "1 sample run, and no reference oil in the month: nothing shows that it was right",
    )


def test_repeats_beyond_their_limit_and_a_worse_precision_are_actions(reported: Report) -> None:
    """The month's duplicates are those of the report on duplicates; their findings stand in its action list."""

    def repeats(*pairs: tuple[float, float]) -> str:
        return "".join(
            f"S{n},S-{n},2026-02-0{n} 08:{fill}0,VD,40,46.1,{value}\n"
            for n, pair in enumerate(pairs, 1)
            for fill, value in enumerate(pair)
        )

    rows = repeats((858.0, 858.1), (857.0, 857.6))
    report = reported(QUIET + rows, "2026-02")
    assert [one.sample for one in report.duplicates.beyond] == ["S-2"]
    found = {one.about: one for one in report.actions}
    assert found["Repeats"].finding == "beyond their limit: S-2: density at 40 °C 0.600 kg/m³ apart (limit 0.200)"
    worse = reported(QUIET + repeats((858.0, 858.6), (857.0, 856.4), (860.0, 860.6), (850.0, 849.4)), "2026-02")
    assert {one.about: one for one in worse.actions}["Precision of duplicates"].finding == (
        "worse than its limit: formulated oils, density at 40 °C, 2.77 s 1.2 kg/m³ against r 0.20 kg/m³"
    )
    decision = {
        "who": "I. Duarte",
        "when": "2026-02-10T10:00:00+00:00",
        "what": "exclude",
        "why": "bubble",
        "run": "S2",
    }
    mended = reported(QUIET + rows, "2026-02", decisions=[decision])
    assert mended.duplicates.beyond == ()
    assert not {"Repeats", "Precision of duplicates"} & {one.about for one in mended.actions}


def test_charts_without_limits_say_why(reported: Report) -> None:
    report = reported(references("2026-02", around(3)))
    assert [(one.about, one.finding) for one in report.actions] == [
        ("Control limits", "none on 2 of 2 charts (3 results in the baseline; limits need 8)")
    ]


def test_a_lot_that_no_certificate_fits_is_named(reported: Report) -> None:
    assert reported(references("2027-02", around(20))).notices[-1] == (
        "lab.toml holds no certificate that fits Reference oil: its results can show a change, but not a bias."
    )


def test_workload_counts_runs(reported: Report) -> None:
    report = reported(QUIET + "S1,S-1,2026-02-02 08:00,VD,40,46.1,858.1\n", "2026-02")
    assert report.workload.sum().to_dict() == {"sample": 1, "reference": 28}
    assert (report.runs, report.reference_runs) == (1, 28)


WRONG = ["2026-13", "2026-3", "03-2026", "March", "2026-03-01", "0001-01", "２０２６-03", ""]


@pytest.mark.parametrize("month", WRONG)
def test_a_wrong_month_is_named(month: str) -> None:
    with pytest.raises(MonthError, match=r"is no month; year and month are expected, such as 2026-03$"):
        month_of(month, "Europe/Lisbon")


def test_a_month_begins_and_ends_at_midnight_in_the_laboratory() -> None:
    month = month_of("2026-03", "Europe/Lisbon")
    assert (month.first.isoformat(), month.last.isoformat()) == (
        "2026-03-01T00:00:00+00:00",
        "2026-04-01T00:00:00+01:00",
    )


def test_a_laboratory_without_a_record_says_so(tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('[laboratory]\nname = "L"\ntime_zone = "UTC"\n', encoding="utf-8")
    with pytest.raises(MonthError) as refused:
        gather_record(lab)
    assert str(refused.value) == (
        f"{lab}: laboratory.earlier_exports is missing: it says which exports make up the record"
    )
    lab.write_text(LAB, encoding="utf-8")
    with pytest.raises(MonthError, match=r"no file fits 'record/\*\.csv': the record is empty$"):
        gather_record(lab)


@pytest.fixture(scope="module")
def march() -> MonthReport:
    return report_month(gather_record(), "2026-03")


def test_the_planted_drift_of_the_sample_laboratory_is_found(march: MonthReport) -> None:
    first = march.actions[0]
    assert (first.about, first.urgent) == ("VD-2, kinematic viscosity", True)
    assert "all its oils read +0.20 ± 0.071 %: the instrument has moved, not an oil" in first.finding
    assert "it can't be told from the temperature of the cell of VD-2" in first.finding
    signals = [signal for one in march.oils for signal in one.status.signals]
    assert min(signal.measured_at for signal in signals).strftime("%Y-%m-%d") > "2026-03-09"


def test_its_quiet_instrument_is_not_accused(march: MonthReport) -> None:
    assert {one.about for one in march.actions if one.about.startswith("VD-1")} == {"VD-1, carry-over"}
    statuses = {(one.chart.instrument, one.chart.quantity): one.status.status for one in march.oils}
    assert statuses[("VD-2", "density")] == "provisional"
    assert march.expected_false_alarms == pytest.approx(16 * 22 * march.sights[0].figures.begun, rel=0.1)


def test_february_of_the_sample_laboratory_names_the_change_of_lots() -> None:
    february = report_month(gather_record(), "2026-02")
    assert february.notices[0] == (
        "VD-1, VD-2: Reference oil thick went over to lot K-2512 on 2026-02-16; the new lot has a chart of its own; "
        "beneath the instrument's charts it is compared with the lot before, by the days on which both were measured."
    )
    assert not any(one.urgent for one in february.actions)
