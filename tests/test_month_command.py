"""``labcalc month``: the report, the action list for other programs, exit codes, plain words for what can't be done."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from labcalc.lab import add_decision, load_laboratory
from labcalc.shipped import sample_lab, workbook_file
from labcalc.workbooks import render_workbook
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.invented_laboratory import STORIES, write_laboratory
from tests.judgement.test_month import QUIET
from tests.lab.record.test_verifying import change
from tests.test_commands import run


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "all.csv").write_text(HEADER + QUIET, encoding="utf-8")
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    return tmp_path / "lab.toml"


def test_a_quiet_month_is_exit_0_and_the_actions_come_as_json(lab: Path, tmp_path: Path) -> None:
    result = run("month", "2026-02", "--lab", lab, "--out", tmp_path / "out", "--json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    assert (answer["period"], answer["verdict"]) == ("2026-02", "to be watched")
    told = {"rank", "severity", "about", "finding", "what_to_do", "key", "size", "followed", "overdue", "details"}
    assert told <= set(answer["actions"][0])
    page = (tmp_path / "out" / "month-2026-02.html").read_text("utf-8")
    assert "Monthly quality report, 2026-02" in page
    assert 'href="month-2026-02.html"' in (tmp_path / "out" / "index.html").read_text("utf-8")


def test_runs_lead_to_their_reports_where_those_stand_beside_the_page(lab: Path, tmp_path: Path) -> None:
    with (tmp_path / "record" / "all.csv").open("a", encoding="utf-8") as file:
        file.write("far/off,RO-1,2026-02-28 12:00,VD,40,60.0,858.1\n")
    out, page = tmp_path / "out", tmp_path / "out" / "month-2026-02.html"
    run("month", "2026-02", "--lab", lab, "--out", out)
    alone = page.read_text("utf-8")
    assert "far/off: 2026-02-28, RO-1" in alone
    assert 'href="far-off.html"' not in alone, "there is no such report"
    run("report", tmp_path / "record" / "all.csv", "--lab", lab, "--out", out, "--run", "far/off")
    run("month", "2026-02", "--lab", lab, "--out", out)
    linked = page.read_bytes()
    assert '<a href="far-off.html">far/off</a>: 2026-02-28, RO-1' in linked.decode()
    (out / "far-off.html").unlink()
    run("month", "2026-02", "--lab", lab, "--out", out)
    assert page.read_text("utf-8") == alone, "bytes follow from record and folder"


def test_a_month_with_refused_rows_is_exit_1_and_each_is_named(lab: Path, tmp_path: Path) -> None:
    with (tmp_path / "record" / "all.csv").open("a", encoding="utf-8") as file:
        file.write("S9,S-9,2026-02-28 09:00,VD,40,abc,858.1\n")
    result = run("month", "2026-02", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "refused: all.csv, line 58" in result.stderr
    assert "2026-02: to be watched, 3 actions in 0 sample runs." in result.stdout
    assert result.stdout.strip().endswith("month-2026-02.html")


def test_an_empty_month_still_gets_its_page(lab: Path, tmp_path: Path) -> None:
    result = run("month", "2027-01", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert "Record: no run in 2027-01" in result.stdout
    assert (tmp_path / "out" / "month-2027-01.html").is_file()


def test_a_wrong_month_is_exit_2_and_nothing_is_written(lab: Path, tmp_path: Path) -> None:
    result = run("month", "2026-00", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stderr == "labcalc: '2026-00' is no month; year and month are expected, such as 2026-03\n"
    assert not (tmp_path / "out").exists()


def test_without_a_record_it_says_what_is_missing(lab: Path, tmp_path: Path) -> None:
    lab.write_text(LAB.replace('earlier_exports = ["record/*.csv"]', ""), encoding="utf-8")
    result = run("month", "2026-02", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stderr == (
        f"labcalc: {lab}: laboratory.earlier_exports is missing: it says which exports make up the record\n"
    )
    result = run("month", "2026-02", "--out", tmp_path / "out")
    assert (result.exit_code, result.stderr) == (
        2,
        "labcalc: lab.toml: there is no such file\n",
    )


def test_a_torn_decision_is_exit_1_named_and_urgent(lab: Path, tmp_path: Path) -> None:
    (tmp_path / "decisions.jsonl").write_text('{"who": "I.', encoding="utf-8")
    result = run("month", "2026-02", "--lab", lab, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr.startswith(f"labcalc: {tmp_path / 'decisions.jsonl'}: line 1: the line has no end: ")


def test_a_changed_record_is_told_first(lab: Path, tmp_path: Path) -> None:
    """Somebody who drops the triggers and puts them back changes a reason; an action is overdue beside it."""
    lab.write_text(f'{LAB}\n[record]\nfile = "record.sqlite"\n', encoding="utf-8")
    out = ("--lab", lab, "--out", tmp_path / "out")
    assert run("record", "add", tmp_path / "record", "--lab", lab).exit_code == 0
    decided = add_decision(load_laboratory(lab), who="Ida", what="conclusion", why="seen", instrument="VD")
    assert run("month", "2026-02", *out).exit_code == 0
    given = {"finding": "x", "month": "2026-02", "owner": "Ida", "due": date(2026, 2, 3)}
    add_decision(load_laboratory(lab), who="Ida", what="action", why="found", **given)
    change(
        load_laboratory(lab), f"UPDATE entries SET content = replace(content, 'seen', 'so') WHERE n = {decided.number}"
    )
    told = f"entry {decided.number}: its text is not the one that was digested"
    result = run("month", "2026-02", *out)
    assert result.exit_code == 1
    assert result.stderr.startswith(f"labcalc: the record was changed since it was written: {told}; restore its backup")
    assert f"\n1. Record: changed since it was written: {told}\n2. Action" in result.stdout
    page = (tmp_path / "out" / "month-2026-02.html").read_text("utf-8")
    assert "Restore the backup of the record; <code>labcalc record verify</code>" in page
    assert told in page.split("Action ")[0]
    assert run("year", "2026", *out).stderr.startswith("labcalc: the record was changed")


@pytest.mark.slow
def test_march_of_the_sample_laboratory_comes_out_the_same_twice(tmp_path: Path) -> None:
    words = {"month": "2026-03", "lab": str(sample_lab())}
    pages = [
        render_workbook(workbook_file("monthly_quality"), words, tmp_path / name, title="March")
        for name in ("one.html", "two.html")
    ]
    assert pages[0].digest == pages[1].digest
    assert pages[0].figures == 6
    assert pages[0].summary["line"].startswith("VD-2, kinematic viscosity: ")


def test_what_is_in_doubt_or_comes_again_is_named_at_once(lab: Path, tmp_path: Path) -> None:
    rows = (tmp_path / "record" / "all.csv").read_text("utf-8").splitlines()
    bad = [*rows[:13], rows[-1].replace("2026-02-28", "2015-02-28").replace("2026-02-28VD", "2015-02-28VD")]
    (tmp_path / "record" / "copy.csv").write_text("\n".join(bad) + "\n", encoding="utf-8")
    result = run("month", "2026-02", "--lab", lab, "--out", tmp_path / "out")
    assert "labcalc: copy.csv: 12 determinations of all.csv, counted once\n" in result.stderr
    assert "in doubt: copy.csv, line 14, run " in result.stderr
    assert "\n1. copy.csv: line 14, run " in result.stdout
    page = (tmp_path / "out" / "month-2026-02.html").read_text("utf-8")
    assert "lies far from the file" in page
    assert "counted once" not in page, "the rows are of January"
    run("month", "2026-01", "--lab", lab, "--out", tmp_path / "out")
    page = (tmp_path / "out" / "month-2026-01.html").read_text("utf-8")
    assert "copy.csv: 12 determinations of all.csv, counted once." in page


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_a_whole_laboratory_s_list_names_what_is_planted(seed: int, tmp_path: Path) -> None:
    """72 charts, five months; one action a cause, what touches most results first; what is beyond is counted."""
    lab = write_laboratory(tmp_path / "lab", seed)
    result = run("month", "2026-05", "--lab", lab, "--out", tmp_path / "out", "--json")
    assert result.exit_code == 0, result.output
    actions = json.loads(result.stdout)["actions"]
    about = [one["about"] for one in actions]
    assert set(STORIES) <= set(about)
    assert len(set(about)) == len(about), "one action a cause"
    assert set(about[:3]) == {"V1, kinematic viscosity", "V2, temperature of the cell", "V3, kinematic viscosity"}
    urgent = [one["severity"] == "now" for one in actions]
    assert urgent == sorted(urgent, reverse=True)
    assert len(set(about) - set(STORIES) - {"Resolution", "Control limits"}) <= 2, about
    causes = {one["about"]: one["cause"] for one in actions}
    assert causes["V2, temperature of the cell"] == "temperature"
    assert causes["V1, kinematic viscosity"] == causes["V3, kinematic viscosity"] == "instrument"
    assert (causes["MID lot A"], causes["THIN lot A"]) == ("oil", "certificate")
    quiet = run("month", "2026-04", "--lab", lab, "--out", tmp_path / "out", "--json")
    told = {one["about"] for one in json.loads(quiet.stdout)["actions"] if one["severity"] == "now"}
    assert len(told) <= 1, "six instruments without fault"
