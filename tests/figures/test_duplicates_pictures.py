"""Pictures and tables of repeats: every number beside its figure, faults visible, text of people stays text."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labcalc import figures
from labcalc.figures import Picture
from labcalc.judgement import DuplicateReport, gather_record, report_duplicates
from tests.figures.drawn import checked
from tests.figures.test_run_pictures import HOSTILE, PLOTLY, bundle
from tests.judgement.test_duplicates import report, result

TABLES = (
    *(figures.show_duplicate_header, figures.show_duplicate_verdict, figures.show_duplicate_summaries),
    *(figures.show_duplicates_beyond, figures.show_duplicate_biases, figures.show_spreads, figures.show_pairing_rule),
    figures.show_duplicate_provenance,
)


@pytest.fixture(scope="module")
def quarter() -> DuplicateReport:
    return report_duplicates(gather_record())


def traces(picture: Picture) -> dict[str, dict[str, list[float]]]:
    data, _ = bundle(picture)
    return {one["name"]: one for one in data[PLOTLY]["data"]}  # type: ignore[index]


def test_every_set_stands_in_the_table_of_its_picture(quarter: DuplicateReport) -> None:
    pictures = figures.duplicate_pictures(quarter)
    assert sum(len(picture.rows) for picture in pictures) == len(quarter.sets)
    for picture in pictures:
        assert {len(row) for row in picture.rows} == {len(picture.columns)}
        assert len([name for name in traces(picture) if name]) >= 2


def test_what_is_far_beyond_stands_at_the_edge_with_its_number(quarter: DuplicateReport) -> None:
    viscosity, density = figures.duplicate_pictures(quarter)
    assert "3 of 155 sets of repeats lie beyond their limit" in density.caption
    assert "HX68-26-0512 at 40 °C on 2026-03-16, 19 times" in density.caption
    assert min(traces(density)["beyond its limit"]["y"]) == pytest.approx(-2.4)
    assert [one.text for one in checked(density).layout.annotations] == ["−19", "−6, −5"]
    assert [one.text for one in checked(viscosity).layout.annotations] == ["−27, −13"]
    assert any(row[1] == "HX68-26-0512" and row[-1] == "−19.00" for row in density.rows)


def test_every_summary_and_every_set_beyond_has_its_row(quarter: DuplicateReport) -> None:
    shown = figures.show_duplicate_summaries(quarter)
    assert shown.html.count('<th scope="row">') == len(quarter.summaries)
    assert '<details class="fold"><summary>Intermediate precision</summary>' in shown.html
    assert "1 of 22 beyond r</span><br><small>1 expected: HX68-26-0512</small>" in shown.html
    assert "Tails are heavy and intervals too short: by the middle of the pairs 2.77 s is " in shown.html
    assert shown.text.count("\n") + 1 == len(quarter.summaries)
    beyond = figures.show_duplicates_beyond(quarter)
    assert beyond.html.count('<th scope="row">') == len(quarter.beyond)
    assert "Measure 2 more: report the mean of four within 0.262 kg/m³" in beyond.html


def test_no_text_of_people_becomes_markup() -> None:
    rows = [
        result(
            HOSTILE, f"02 08:{n}0", run=HOSTILE, replicate=n, operator=HOSTILE, product=HOSTILE, density_kg_m3=858.0 + n
        )
        for n in range(2)
    ]
    named = [row | {"product": "Oil 46"} for row in rows]
    for found in (report(rows), report(named), replace(report(named), only={"operator": HOSTILE})):
        for show in TABLES:
            assert "<script" not in show(found).html
            assert show(found).text
    assert "&lt;script&gt;" in figures.show_duplicates_beyond(report(named)).html


def test_where_nothing_repeats_or_has_a_limit_it_is_said_in_words() -> None:
    empty = report([result()])
    assert figures.duplicate_pictures(empty) == ()
    assert figures.show_duplicate_summaries(empty).text == (
        "No sample of 2026-02-02 to 2026-02-02 was measured twice at the same temperature."
    )
    assert figures.show_duplicate_verdict(empty).text == "as it should be: no sample was measured twice"
    unlimited = report([result("X-1"), result("X-1", "02 09:00")])
    assert figures.duplicate_pictures(unlimited) == ()
    assert "no precision statement" in figures.show_duplicate_summaries(unlimited).html
    assert figures.show_duplicates_beyond(unlimited).text == "No repeats lie further apart than their limit."


def test_the_summary_says_the_verdict(quarter: DuplicateReport) -> None:
    facts = figures.summarise_duplicates(quarter).facts
    assert (facts["verdict"], facts["verdict_rank"]) == ("needs action", 2)
    assert facts["line"].startswith("measure BH-26-0584, HX68-26-0512 again; ")
