"""Actions as a QA person types them, beside the sample laboratory's findings: in a file, and in a record."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labcalc.cli import main
from labcalc.judgement import gather, gather_record, judge, report_month
from labcalc.lab import checked_decisions, load_laboratory, verify_record
from labcalc.shipped import sample_lab


def call(lab: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["record", *words, "--lab", str(lab)])


@pytest.fixture(params=["file", "record"])
def lab(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    folder = Path(sample_lab()).parent
    shutil.copytree(folder / "exports", tmp_path / "exports")
    for name in ("lab.toml", "decisions.jsonl"):
        shutil.copy(folder / name, tmp_path)
    lab = tmp_path / "lab.toml"
    if request.param == "record":
        lab.write_text(lab.read_text("utf-8") + '\n[record]\nfile = "record.sqlite"\n', encoding="utf-8")
        assert call(lab, "add", str(tmp_path / "exports"), "--by", "Inês").exit_code == 1  # some rows are refused
    return lab


def test_a_finding_is_given_to_somebody_carried_and_closed(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABCALC_NOW", "2026-04-15T22:00:00+00:00")
    found = json.loads(call(lab, "open", "--month", "2026-03", "--json").stdout)
    key, about = next((one["finding"], one["about"]) for one in found if one["about"].startswith("VD-2"))
    assert f"finding {key}, about {about}, found " in call(lab, "open", "--month", "2026-03").stdout
    words = ("act", "--month", "2026-03", "--owner", "Ines Falk", "--by", "Q. Reis", "--due", "2026-04-15")
    wrong = call(lab, *words, "--finding", key[:-2])
    assert (wrong.exit_code, f"did you mean '{key}'?" in wrong.stderr) == (2, True)
    past = call(lab, *words[:-1], "2026-04-14", "--finding", key)
    told = "labcalc: --due: 2026-04-14 is past; today (2026-04-15) or a later day is expected\n"
    assert (past.exit_code, past.stderr) == (2, told)
    done = call(lab, *words, "--finding", key)
    assert done.exit_code == 0, done.output
    (assigned,) = checked_decisions(load_laboratory(lab)).assignments
    number = assigned.action.number
    assert done.stdout.startswith(f"Action {number}, Ines Falk, due 2026-04-15: {about}. ")
    assert assigned.action.why.startswith(f"{about}: ")
    (bias,) = (one for one in report_month(gather_record(lab), "2026-03").actions if one.key == key)
    assert bias.followed == f"action {number}, Ines Falk, due 2026-04-15"
    monkeypatch.setenv("LABCALC_NOW", "2026-05-15T08:00:00+00:00")
    listed = json.loads(call(lab, "open", "--json").stdout)
    assert [(one["action"], one["owner"], one["finding"], "overdue" in one) for one in listed] == [
        (number, "Ines Falk", key, True),  # a month later
    ]
    later = call(lab, *words[:-1], "2027-04-15", "--finding", key, "--corrects", str(number))
    (assigned,) = checked_decisions(load_laboratory(lab)).assignments
    assert (later.exit_code, str(assigned.action.due)) == (0, "2027-04-15")
    number = assigned.action.number
    vague = call(lab, "close", str(number), "--effect", "fine now", "--by", "Ines Falk")
    assert (vague.exit_code, vague.stderr) == (
        2, "labcalc: --effect: 'fine now': what was measured since, with its figures, is expected\n"
    )  # fmt: skip
    closed = call(lab, "close", str(number), "--effect", "adjusted; bias 0.02 % ± 0.10", "--by", "Ines Falk")
    assert (closed.exit_code, f": {number} is closed by Ines Falk. " in closed.stdout) == (0, True)
    again = call(lab, "close", str(number), "--effect", "adjusted; 0.02", "--by", "Ines Falk")
    assert (again.exit_code, f"{number} is no open action" in again.stderr) == (2, True)
    assert call(lab, "open").stdout == "nothing is open\n"
    (bias,) = (one for one in report_month(gather_record(lab), "2026-03").actions if one.key == key)
    assert "by Ines Falk: adjusted; bias 0.02" in bias.followed
    if "[record]" in lab.read_text("utf-8"):
        assert verify_record(load_laboratory(lab))[1] is None
        assert call(lab, "show", "--kind", "decision").exit_code == 0


def test_limits_that_are_due_are_signed_and_hold_from_their_day(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = report_month(gather_record(lab), "2026-03")
    due = [one for one in before.checks.due if one.chart.instrument == "VD-1"]
    (told,) = (one for one in before.actions if one.about == "Limits due")
    assert told.finding.startswith(f"{len(before.checks.due)} charts (VD-1 {len(due)}, ")
    monkeypatch.setenv("LABCALC_NOW", "2026-03-31T18:00:00+00:00")
    words = ("limits", "--month", "2026-03", "--by", "Q. Reis", "--why", "pooled", "--instrument", "vd-1", "--from")
    early = call(lab, *words, "2026-03-01")
    told = "labcalc: --from: 2026-03-01: the day on which they are signed (2026-03-31) or a later one is expected"
    assert (early.exit_code, early.stderr.startswith(told)) == (2, True)
    done = call(lab, *words, "2026-04-01")
    assert done.exit_code == 0, done.output
    signed = [one for one in checked_decisions(load_laboratory(lab)).decisions if one.what == "limits"]
    proposed = [one.proposed for one in due if one.proposed is not None]
    assert [(one.centre, one.sigma, one.results) for one in signed] == [
        (one.centre, one.sigma, one.number) for one in proposed
    ]
    again = call(lab, *words, "2026-04-01")
    assert (again.exit_code, "proposes no such limits that nobody has signed" in again.stderr) == (2, True)
    after = report_month(gather_record(lab), "2026-03")
    assert [one.status for one in after.oils] == [one.status for one in before.oils], "March stays judged"
    asked = [one.finding for one in after.actions if one.about == "Limits due"]
    assert not any("VD-1" in one for one in asked)


def test_a_second_person_confirms_before_a_decision_is_applied(lab: Path) -> None:
    lab.write_text("[decisions]\nsecond_person = 2026-04-01\n\n" + lab.read_text("utf-8"), encoding="utf-8")
    run = report_month(gather_record(lab), "2026-03").duplicates.beyond[0].runs.split(", ")[0]
    decide = ("decide", "--what", "exclude", "--run", run, "--why", "bubble in the cell", "--by", "Ines Falk")
    assert call(lab, *decide).exit_code == 0
    decided = checked_decisions(load_laboratory(lab))
    assert [one.what for one in decided.decisions] == ["conclusion"], "that of before the day holds"
    (waiting,) = decided.waiting
    exports = [path for path in sorted((lab.parent / "exports").iterdir()) if path.suffix == ".csv"]
    checks = [one for one in judge(gather(exports, lab).dossier(run)).checks if one.name.startswith("Decision")]
    assert [(one.name, one.state) for one in checks] == [(f"Decision {waiting.number}", "doubtful")]
    assert "bubble in the cell: waits until another person confirms it" in checks[0].finding
    told = [one for one in report_month(gather_record(lab), "2026-03").actions if one.key.startswith("waiting-")]
    assert [one.about for one in told] == [f"Decision {waiting.number}"]
    assert f"decision {waiting.number}, waits for a second person exclude, by Ines Falk" in call(lab, "open").stdout
    alone = call(lab, "confirm", str(waiting.number), "--by", "ines  falk")
    assert (alone.exit_code, "another person is expected" in alone.stderr) == (2, True)
    assert call(lab, "confirm", str(waiting.number), "--by", "Q. Reis").exit_code == 0
    decided = checked_decisions(load_laboratory(lab))
    assert ([one.what for one in decided.decisions], decided.waiting) == (["conclusion", "exclude"], ())
    checks = [one for one in judge(gather(exports, lab).dossier(run)).checks if one.name == "Decision"]
    assert [one.state for one in checks] == ["not met"]


@pytest.mark.parametrize("lab", ["file"], indirect=True)
def test_an_edited_line_of_the_file_is_told_in_the_month_and_on_the_run_and_stops_nothing(lab: Path) -> None:
    words = ("--why", "cell cleaned", "--by", "Ines Falk", "--instrument", "VD-1")
    for _ in range(2):
        assert call(lab, "decide", "--what", "corrective action", *words).exit_code == 0
    file = lab.parent / "decisions.jsonl"
    assert call(lab, "verify").exit_code == 0
    file.write_bytes(file.read_bytes().replace(b"cell cleaned", b"cell as new", 1))
    told = call(lab, "verify")
    assert (told.exit_code, "line 3: a line before it, from 2 on, was changed" in told.stderr) == (1, True)
    material = gather_record(lab)
    assert len(material.decisions) == 3
    told = [one for one in report_month(material, "2026-03").actions if "was changed" in one.finding]
    assert [(one.about, one.urgent) for one in told] == [("Decisions, line 3", True)]
    dossier = material.dossier(material.first_sample)
    from labcalc.figures import show_provenance

    assert "Of the decisions, line 3 is not sound: a line before it" in show_provenance(judge(dossier)).html
