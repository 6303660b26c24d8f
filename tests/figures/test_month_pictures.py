"""Pictures and tables of a monthly report: numbers beside every figure, signals by shape, text of people stays text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from labcalc import figures
from labcalc.figures import Fragment, Picture
from labcalc.judgement import MonthReport, gather_record, report_month
from tests.figures.test_run_pictures import HOSTILE, PLOTLY, bundle
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.test_month import around, references

TABLES = (
    *(figures.show_month_header, figures.show_month_verdict, figures.show_actions, figures.show_notices),
    *(figures.show_decisions, figures.show_oils, figures.show_changes, figures.show_limits),
    *(figures.show_carry_over, figures.show_month_refusals, figures.show_operators, figures.show_month_provenance),
)


@pytest.fixture(scope="module")
def march() -> MonthReport:
    return report_month(gather_record(), "2026-03")


def test_every_control_chart_gives_its_numbers(march: MonthReport) -> None:
    pictures = figures.control_pictures(march)
    assert len(pictures) == len(march.oils) == 16
    for picture in pictures:
        _, words = bundle(picture)
        table = words["table"]
        assert isinstance(table, dict)
        assert len(table["rows"]) == 32
        assert {len(row) for row in table["rows"]} == {len(table["columns"])}
    assert pictures[0].caption.startswith(
        "VD-2, Reference oil thick lot K-2512, kinematic viscosity at 40 °C: 22 results"
    )


def test_a_signal_is_told_by_its_shape(march: MonthReport) -> None:
    picture = figures.control_pictures(march)[1]
    data, _ = bundle(picture)
    traces = data[PLOTLY]["data"]  # type: ignore[index]
    symbols = {one["name"]: one["marker"]["symbol"] for one in traces if one.get("name") and "marker" in one}
    assert symbols == {
        "baseline": "circle-open",
        "result": "circle",
        "signal of a result": "diamond-open",
        "signal of the EWMA": "square-open",
    }
    assert any("1 beyond 3 s" in row[6] for row in picture.rows)


def test_a_decision_stands_at_its_point(tmp_path: Path) -> None:
    decision = {
        "who": HOSTILE,
        "when": "2026-02-22T10:00:00+00:00",
        "what": "exclude",
        "why": f"bubble {HOSTILE}",
        "run": "2026-02-21VD",
    }
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (tmp_path / "record").mkdir()
    values = [*around(20), 50.5, *around(4, seed=9)]
    (tmp_path / "record" / "all.csv").write_text(HEADER + references("2026-02", values), encoding="utf-8")
    (tmp_path / "decisions.jsonl").write_text(json.dumps(decision) + "\n", encoding="utf-8")
    report = report_month(gather_record(tmp_path / "lab.toml"))
    picture = next(one for one in figures.control_pictures(report) if "viscosity" in one.caption)
    assert picture.rows[20][5:] == (
        "excluded",
        "",
        f"D1 exclude, {HOSTILE}, 2026-02-22: bubble {HOSTILE}",
    )
    assert "D1" in [one.text for one in picture.figure.layout.annotations]
    shown = figures.show_decisions(report)
    assert "<script>" not in shown.html
    assert "&lt;script&gt;" in shown.html


def test_a_corrective_action_stands_at_its_time(tmp_path: Path) -> None:
    action = {
        "who": "M. Rocha",
        "when": "2026-02-12T15:00:00+00:00",
        "what": "corrective action",
        "why": "bath thermometer exchanged",
        "instrument": "VD",
        "quantity": "kinematic viscosity",
    }
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / "all.csv").write_text(HEADER + references("2026-02", around(25)), encoding="utf-8")
    (tmp_path / "decisions.jsonl").write_text(json.dumps(action) + "\n", encoding="utf-8")
    viscosity, density = sorted(
        figures.control_pictures(report_month(gather_record(tmp_path / "lab.toml"))),
        key=lambda one: "density" in one.caption,
    )
    said = "D1 corrective action, M. Rocha, 2026-02-12: bath thermometer exchanged"
    assert viscosity.rows[-1] == ("2026-02-12 15:00", "", "–", "–", "–", "instrument", "", said)
    assert not any("D1" in row[-1] for row in density.rows)


def test_no_text_of_people_becomes_markup(march: MonthReport) -> None:
    for show in TABLES:
        fragment = show(march)
        assert isinstance(fragment, Fragment)
        assert fragment.text
        assert "<script" not in fragment.html


def test_an_empty_month_is_said_in_words() -> None:
    report = report_month(gather_record(), "2026-07")
    assert figures.control_pictures(report) == ()
    assert figures.show_oils(report).text == "The record holds no reference-oil result in 2026-07."
    assert isinstance(figures.workload_picture(report), Fragment)
    assert all(show(report).text for show in TABLES[:-1])


def test_the_workload_adds_up(march: MonthReport) -> None:
    picture = figures.workload_picture(march)
    assert isinstance(picture, Picture)
    assert picture.caption.startswith("320 runs on 22 days (")
    assert sum(int(count) for row in picture.rows for count in row[1:]) == march.runs + march.reference_runs


def test_the_summary_carries_the_action_list(march: MonthReport) -> None:
    facts = figures.summarise_month(march).facts
    assert json.loads(json.dumps(facts)) == facts
    assert (facts["month"], facts["verdict"], facts["verdict_rank"]) == ("2026-03", "needs action", 2)
    assert facts["actions"][0]["rank"] == 1


def test_the_page_says_what_the_charts_can_see(march: MonthReport) -> None:
    text = figures.show_limits(march).text
    assert text.startswith("Limits from 15 results (16 charts): 0.")
    assert " false alarms begin in 100 results, in one chart of ten more than " in text
    assert "a shift of one standard deviation is found within " in text
