"""One account of a run: what its reason is about decides what the page says to do. The oil is invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from labcalc.figures import show_causes
from labcalc.judgement import gather_record, next_steps, report_month
from labcalc.judgement.causes import Evidence, explanation
from labcalc.judgement.causes.ranking import weigh
from tests.judgement.conftest import GOOD, HEADER, LAB, REFERENCE, Judge

ODD = GOOD.replace("858.1", "854.0")
"""Eight standard deviations below the typical density."""


def test_odd_numbers_are_explained_once(judged: Judge) -> None:
    judgement = judged(ODD)
    assert judgement.leading is not None
    assert judgement.reason.count("Most likely") == 1
    assert f". {judgement.leading.sentence}" in judgement.reason
    shown = show_causes(judgement)
    assert shown is not None
    assert "What could explain it" in shown.html
    assert "What to do now" not in shown.html, "nothing is wrong with the instrument"


def test_odd_numbers_are_weighed_once(judged: Judge, monkeypatch: pytest.MonkeyPatch) -> None:
    """A check asks for the leading cause, the verdict again, the page for all causes."""
    weighed: list[Evidence] = []
    monkeypatch.setattr(explanation, "weigh", lambda one: weighed.append(one) or weigh(one))
    judgement = judged(ODD, record=REFERENCE + GOOD.replace("S1", "S0").replace("2026-03", "2026-02"))
    assert judgement.leading is not None
    assert judgement.explanations
    assert weighed == [judgement.evidence]


def test_an_instrument_in_doubt_asks_for_its_reference_oil_not_for_causes(judged: Judge) -> None:
    off = judged(record=REFERENCE.replace("50.05", "50.80"))
    assert off.verdict == "not releasable"
    assert (off.evidence, off.leading) == (None, None)
    assert show_causes(off) is None
    assert next_steps(off)[0].startswith(
        "Repeat the reference oil, fresh from the bottle; once it is within its limits"
    )
    assert "Most likely" not in off.reason
    none = next_steps(judged(record=REFERENCE.replace("VD", "OTHER")))
    assert none == ("Measure a reference oil that lab.toml names, with its certificate, on this instrument.",)


OFF = REFERENCE.replace("50.05", "50.80")
"""0.80 above the certified 50.00, beyond its limit."""


@pytest.mark.parametrize(
    ("others", "suspected"),
    [
        ("Q1,RO-1,2026-03-02 06:00,VE,40,50.70,850.05\n", "VE +0.70 mm²/s, 1 check"),
        (
            "Q1,RO-1,2026-02-20 06:00,VE,40,50.40,\nQ2,RO-1,2026-02-27 06:00,VE,40,50.41,\n"
            "Q3,RO-1,2026-03-02 06:00,VE,40,50.42,\nQ4,RO-1,2026-03-02 06:00,VF,40,50.60,\n",
            "VE +0.41 mm²/s, 3 checks; VF +0.60 mm²/s, 1 check",
        ),
        ("", ""),
        ("Q1,RO-1,2026-03-02 06:00,VE,40,50.10,850.05\n", ""),  # hardly off
        ("Q1,RO-1,2026-03-02 06:00,VE,40,49.20,850.05\n", ""),  # to the other side
        ("Q1,RO-1,2026-03-02 06:00,VE,40,50.70,\nQ2,RO-1,2026-03-02 06:00,VF,40,50.02,\n", ""),  # one is right
        ("Q1,RO-1,2026-01-20 06:00,VE,40,50.70,850.05\n", ""),  # more than 30 days before
        ("Q1,RO-1,2026-03-02 09:00,VE,40,50.70,850.05\n", ""),  # later than the run
    ],
)
def test_a_lot_that_reads_the_same_elsewhere_is_suspected_before_the_instrument(
    judged: Judge, others: str, suspected: str
) -> None:
    judgement = judged(record=others + OFF)
    assert judgement.verdict == "not releasable"
    same = f"lot A reads the same on the others ({suspected})"
    assert judgement.reason.endswith(f"{same}: its certificate or bottle is suspected before the instrument") is bool(
        suspected
    )
    first = next_steps(judgement)[0]
    if suspected:
        assert first == (
            f"Don't adjust: {same}, so its certificate or bottle is suspected before the instrument. "
            "Compare with another lot; once it is within its limits, measure this sample again."
        )
    else:
        assert first.startswith("Repeat the reference oil, fresh from the bottle; once it is within its limits")


def test_a_plain_cause_of_the_sample_is_told_beside_an_instrument_in_doubt(judged: Judge) -> None:
    """885.1 for 858.1 is a slip, whatever the reference oil says; 46 120 mm²/s nothing explains."""
    own, *steps = next_steps(judged(GOOD.replace("858.1", "885.1"), record=OFF))
    assert own == "Look the value up in the original record."
    assert tuple(steps) == next_steps(judged(record=OFF))
    assert next_steps(judged(GOOD.replace("46.12", "46120"), record=OFF)) == tuple(steps)


TWO_DAYS = GOOD + GOOD.replace("S1", "S2").replace("2026-03-02", "2026-03-03")


@pytest.mark.parametrize(
    ("refused_at", "of"), [("2026-03-03 08:20", ["S2"]), ("2026-03-02 12:00", []), ("2026-03-33 08:20", ["S1", "S2"])]
)
def test_a_refused_row_is_of_the_run_of_its_time(judged: Judge, refused_at: str, of: list[str]) -> None:
    export = f"{TWO_DAYS}S,S-1,{refused_at},VD,40,46.O,858.1\n"
    found = {run: judged(export, run=run) for run in ("S1", "S2")}
    assert [run for run, one in found.items() if one.dossier.own_refusals] == of
    step = "Mend the export (today.csv, line 6), or measure again: no decision makes a value of what can't be read."
    assert [run for run, one in found.items() if step in next_steps(one)] == of
    assert not any("record decide" in step for one in found.values() for step in next_steps(one))


def test_a_refused_row_is_of_the_month_of_its_time(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (tmp_path / "record").mkdir()
    rows = GOOD + GOOD.replace("S1", "S2").replace("2026-03-02", "2026-02-27")
    bad = "S3,S-3,2026-03-03 08:00,VD,40,46.O,858.1\nS4,S-4,2026-03-33 08:00,VD,40,46.1,858.1\n"
    (tmp_path / "record" / "both.csv").write_text(HEADER + rows + bad, encoding="utf-8")
    record = gather_record(tmp_path / "lab.toml")
    lines = {month: [one.line for one in report_month(record, month).refusals] for month in ("2026-02", "2026-03")}
    assert lines == {"2026-02": [7], "2026-03": [6, 7]}, "the one of no time is of both"


def test_one_density_alone_is_too_little_to_tell(judged: Judge) -> None:
    header = "Run,Sample,Date,Instrument,Temperature (°C),Density (kg/m³)\n"
    alone = judged("S1,S-1,2026-03-02 08:00,VD,40,854.0\n", header=header)
    assert alone.leading is None
    shown = show_causes(alone)
    assert shown is not None
    assert shown.text.startswith("One result alone is too little to tell causes apart")


def test_a_second_look_never_begins_with_nothing_wrong(judged: Judge) -> None:
    """Three and a half standard deviations: far for a check, nearer than any cause by its odds."""
    just = judged(GOOD.replace("858.1", "859.6"))
    assert just.verdict == "needs a second look"
    shown = show_causes(just)
    assert shown is not None
    assert not shown.text.startswith("Nothing wrong")
    if just.leading is not None and just.leading.cause == "noise":
        assert shown.text.startswith("Noise and the usual spread alone explain these numbers")
        assert "a fresh fill decides" in shown.text
