"""Pictures and tables of a monthly report: numbers beside every figure, signals by shape, text of people stays text."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from labcalc import figures
from labcalc.figures import Fragment, Picture
from labcalc.judgement import Action, MonthReport, gather_record, report_month
from tests.figures.drawn import checked
from tests.figures.test_run_pictures import HOSTILE, PLOTLY, bundle
from tests.judgement.conftest import HEADER, LAB
from tests.judgement.test_month import around, references

TABLES = (
    *(figures.show_month_header, figures.show_month_verdict, figures.show_actions, figures.show_notices),
    *(figures.show_decisions, figures.show_oils, figures.show_limits),
    *(figures.show_carry_over, figures.show_month_refusals, figures.show_operators, figures.show_month_provenance),
)


@pytest.fixture(scope="module")
def march() -> MonthReport:
    return report_month(gather_record(), "2026-03")


def pictures(report: MonthReport) -> list[Picture]:
    return [one for one in figures.instrument_pages(report) if isinstance(one, Picture)]


def large(report: MonthReport) -> list[Picture]:
    return [one for one in pictures(report) if "Moving range" in str(checked(one).layout.annotations)]


def test_what_is_typed_looks_typed(march: MonthReport) -> None:
    """Seen on the page of a month: the backticks themselves stood there."""
    shown = figures.show_actions(march).html
    assert "`" not in shown
    assert "<code>labcalc record limits --month 2026-03 --from DATE --why TEXT</code>" in shown


def test_an_instrument_is_a_sheet_and_large_charts_stand_where_something_moved(march: MonthReport) -> None:
    heads = [one.caption.split(":")[0] for one in pictures(march)]
    assert heads[:2] == ["VD-1, the twelve months to 2026-03", "VD-2, the twelve months to 2026-03"]
    moved = [one.name for cause in march.checks.moved for one in cause.touched]
    assert len(moved) == 4
    assert sorted(heads[2:]) == sorted(f"VD-2, {name}" for name in moved)
    assert [bool(one.folded) for one in pictures(march)] == [False, False, False, False, True, True]


def test_a_sheet_holds_every_chart_and_all_together(march: MonthReport) -> None:
    sheet = pictures(march)[0]
    data, words = bundle(sheet)
    drawn = data[PLOTLY]
    titles = [one["text"] for one in drawn["layout"]["annotations"]]  # type: ignore[index]
    assert titles == [
        *("thick, 40 °C, ν %", "thick, 40 °C, ρ kg/m³", "thick, 100 °C, ν %", "thick, 100 °C, ρ kg/m³"),
        *("thin, 40 °C, ν %", "thin, 40 °C, ρ kg/m³", "thin, 100 °C, ν %", "thin, 100 °C, ρ kg/m³"),
        *("All together, ν %", "All together, ρ kg/m³"),
    ]
    first = [one for one in drawn["data"] if one["yaxis"] == "y"]  # type: ignore[index]
    limits = [one for one in first if one["mode"] == "lines" and one["line"]["dash"] == "solid" and len(one["y"]) == 6]
    assert len(limits) == 2, "two lots, each with its own limits"
    assert limits[0]["x"][1] <= limits[1]["x"][0]
    marks = [one for one in first if one["mode"] == "markers"]
    assert sum(len(one["x"]) for one in marks if one["name"] in ("baseline", "result")) == 31 + 32, "of two lots"
    assert {one["marker"]["symbol"] for one in marks} >= {"circle-open", "triangle-up", "triangle-up-open"}
    table = words["table"]
    assert isinstance(table, dict)
    assert len(table["rows"]) == 8 * 22, "the month's results"


def test_a_signal_is_told_by_its_shape(march: MonthReport) -> None:
    picture = next(one for one in large(march) if "thin lot T-2511, kinematic viscosity at 40 °C" in one.caption)
    data, _ = bundle(picture)
    traces = data[PLOTLY]["data"]  # type: ignore[index]
    symbols = {one["name"]: one["marker"]["symbol"] for one in traces if one.get("name") and "marker" in one}
    assert symbols == {
        "baseline": "circle-open",
        "result": "circle",
        "signal of a result": "diamond-open",
        "signal of the EWMA": "square-open",
        "range": "circle",
    }
    assert any("1 beyond 3 s" in row[6] for row in picture.rows)


def test_only_twelve_months_are_drawn_and_the_rest_is_a_line(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (tmp_path / "record").mkdir()
    rows = "".join(references(month, around(20, seed=n)) for n, month in enumerate(("2024-12", "2025-02", "2026-01")))
    (tmp_path / "record" / "all.csv").write_text(HEADER + rows, encoding="utf-8")
    sheet = pictures(report_month(gather_record(tmp_path / "lab.toml"), "2026-01"))[0]
    assert "Before 2025-02-01, since 2024-12-01: 40 results on 2 charts, 0 signals." in sheet.caption
    traces = bundle(sheet)[0][PLOTLY]["data"]  # type: ignore[index]
    assert min(one["x"][0] for one in traces) == "2025-02-01"


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
    chart = next(one.chart for one in report.oils if one.chart.quantity == "kinematic viscosity")
    picture = figures.draw_control_chart(chart, report.month)
    assert picture.rows[20][5:] == (
        "excluded",
        "",
        f"D1 exclude, {HOSTILE}, 2026-02-22: bubble {HOSTILE}",
    )
    assert ["D1"] in [list(one.text) for one in checked(picture).data if one.text is not None]
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
    report = report_month(gather_record(tmp_path / "lab.toml"))
    charts = sorted((one.chart for one in report.oils), key=lambda one: one.quantity == "density")
    viscosity, density = (figures.draw_control_chart(one, report.month) for one in charts)
    assert "Upright and dotted: corrective action, 2026-02-12." in pictures(report)[0].caption
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
    assert list(figures.instrument_pages(report)) == []
    assert figures.show_oils(report).text == "The record holds no reference-oil result in 2026-07."
    assert all(show(report).text for show in TABLES[:-1])


def test_a_list_that_a_sentence_cuts_short_is_folded_beneath_it(march: MonthReport) -> None:
    action = next(one for one in march.actions if one.about == "VD-1, carry-over")
    assert action.finding.startswith("10 results moved by more than the repeatability, the most +0.73 % (")
    assert len(action.details) == 10
    html = figures.show_actions(march).html
    assert "<summary>All 10</summary>" in html
    assert all(f"<li>{one}</li>" in html for one in action.details)
    assert max(len(one.finding) for one in march.actions) < 300


def test_samples_and_signals_beneath_a_finding_are_counted_apart(march: MonthReport) -> None:
    action = Action("V", "moved", "", details=("further signal: x", "R1: a", "R2: b"), facts={"runs": "R1, R2"})
    html = figures.show_actions(replace(march, actions=(action,))).html
    assert "<summary>All 2 samples, and 1 further signal</summary>" in html


def test_the_summary_says_month_and_verdict(march: MonthReport) -> None:
    facts = figures.summarise_month(march).facts
    assert json.loads(json.dumps(facts)) == facts
    assert (facts["month"], facts["verdict"], facts["verdict_rank"]) == ("2026-03", "needs action", 2)


def test_the_page_says_what_the_charts_can_see(march: MonthReport) -> None:
    text = figures.show_oils(march).text
    assert text.startswith("Limits from 15 results (16 charts): 0.")
    assert " false alarms begin in 100 results, in one chart of ten more than " in text
    assert "a shift of one standard deviation is found within " in text
