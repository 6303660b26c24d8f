"""Pictures and tables of a run report: what is drawn stands in the table too; text of an export stays text."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from labcalc import figures
from labcalc.figures import Fragment, Picture
from labcalc.judgement import Judgement
from tests.figures.drawn import checked
from tests.judgement.conftest import GOOD, REFERENCE, Judge
from tests.judgement.test_uncertainty import BUDGET

PLOTLY = "application/vnd.plotly.v1+json"

HOSTILE = '<script>alert("x")</script>'


def numbers(values: object) -> list[float]:
    """Return a trace's axis."""
    assert isinstance(values, list)
    return values


def bundle(picture: Picture | Fragment) -> tuple[dict[str, object], dict[str, object]]:
    assert isinstance(picture, Picture)
    data, metadata = picture._repr_mimebundle_()
    json.dumps([data, metadata], allow_nan=False)
    checked(picture)
    return data, metadata["labcalc"]


def pictures(judgement: Judgement) -> list[Picture | Fragment]:
    return [
        figures.viscosity_picture(judgement),
        figures.density_picture(judgement),
        figures.reference_picture(judgement),
    ]


def test_each_picture_has_a_caption_with_numbers_and_a_table(judged: Judge) -> None:
    for picture in pictures(judged()):
        data, words = bundle(picture)
        assert data["text/plain"] == words["caption"]
        assert re.search(r"\d", str(words["caption"]))
        table = words["table"]
        assert isinstance(table, dict)
        assert table["rows"]
        assert {len(row) for row in table["rows"]} == {len(table["columns"])}


def test_the_viscosity_chart_is_straight_where_the_standard_says_so(judged: Judge) -> None:
    """ASTM D341: log log Z over log T. What is drawn as the line has one slope, through both measured points.

    Places have seven figures, and of a step of 0.008 across a slope is known to 1.2e-4 either way.
    """
    data, _ = bundle(figures.viscosity_picture(judged()))
    traces = {trace.get("name"): trace for trace in data[PLOTLY]["data"]}  # type: ignore[index]
    line = np.array([numbers(traces["line"]["x"]), numbers(traces["line"]["y"])])
    slopes = np.diff(line[1]) / np.diff(line[0])
    assert np.ptp(slopes) < 3e-4 * abs(slopes[0])
    points = np.array([numbers(traces["measured"]["x"]), numbers(traces["measured"]["y"])])
    np.testing.assert_allclose((points[1, 1] - points[1, 0]) / (points[0, 1] - points[0, 0]), slopes.mean(), rtol=3e-5)


def test_the_band_is_widest_far_from_the_measured_temperatures(judged: Judge) -> None:
    _, words = bundle(figures.viscosity_picture(judged()))
    rows = words["table"]["rows"]  # type: ignore[index]
    relative = [float(row[2]) / float(row[1]) for row in rows if row[2] not in ("", "–")]
    assert relative[0] == max(relative)
    assert min(relative) < 0.02


def test_one_temperature_gives_points_and_no_line(judged: Judge) -> None:
    _, words = bundle(figures.viscosity_picture(judged(GOOD.splitlines(keepends=True)[0])))
    assert "One temperature alone gives no line" in str(words["caption"])
    assert len(words["table"]["rows"]) == 1  # type: ignore[index]


@pytest.mark.parametrize("kv", [("0.25", "0.21"), ("19000000", "5"), ("5.2", "46.1")])
def test_odd_oils_are_drawn_all_the_same(judged: Judge, kv: tuple[str, str]) -> None:
    judgement = judged(GOOD.replace("46.12", kv[0]).replace("6.870", kv[1]))
    assert isinstance(figures.viscosity_picture(judgement), Picture)


def test_without_reference_results_a_sentence_stands_in_the_place(judged: Judge) -> None:
    picture = figures.reference_picture(judged(record=REFERENCE.replace("VD", "elsewhere")))
    assert isinstance(picture, Fragment)
    assert "no reference-oil result of this instrument" in picture.text


def test_text_of_an_export_is_escaped(judged: Judge) -> None:
    judgement = judged(GOOD.replace("S-1", '"' + HOSTILE.replace('"', '""') + '"'))
    shown = [
        figures.show_head(judgement, named=True),
        figures.show_verdict(judgement),
        figures.show_checks(judgement.checks),
        figures.show_reported(judgement),
        figures.show_record(judgement, issued=HOSTILE, replaces=HOSTILE, changed=HOSTILE),
        figures.show_provenance(judgement),
        figures.show_refusals(judgement),
    ]
    pages = [fragment._repr_html_() for fragment in shown]
    assert not [page for page in pages if "<script" in page]
    assert "&lt;script&gt;" in pages[0]


def test_full_precision_is_under_the_rounded_figure(judged: Judge) -> None:
    page = figures.show_reported(judged(GOOD.replace("46.12", "46.12345")))._repr_html_()
    assert '<span title="46.12345">46.12</span>' in page


def test_every_column_header_has_a_scope(judged: Judge) -> None:
    page = figures.show_checks(judged().checks)._repr_html_()
    assert page.count("<th") - page.count("<thead") == page.count('<th scope="')


def test_the_budget_tells_shares_sources_and_what_is_not_known(judged: Judge) -> None:
    whole = figures.show_budget(judged(lab=BUDGET))
    row = next(line for line in whole.text.splitlines() if line.startswith("Density at 40 °C"))
    shares = [0.0 if word == "<1" else float(word) for word in row.split("kg/m³ ")[1].split()[:5]]
    assert sum(shares) == pytest.approx(100.0, abs=3.0)
    assert "RO-1 lot A, U = 0.1 kg/m³ (k = 2) at 40 °C" in whole.html
    lacking = figures.show_budget(judged(lab=BUDGET.replace("temperature_K = 0.02\n", "")))
    assert "temperature, lab.toml gives no [uncertainty] temperature_K" in lacking.html
    assert lacking.text.startswith("The uncertainty of these results is unknown")
    assert "<table" not in lacking.html
    partly = figures.show_budget(judged(lab=BUDGET.replace("adjustment_percent = 0.1\n", "")))
    assert "unknown" in next(line for line in partly.text.splitlines() if line.startswith("Kinematic viscosity at 40"))


def test_a_precision_statement_from_memory_is_named_where_the_numbers_came_from(judged: Judge) -> None:
    html = figures.show_provenance(judged()).html
    assert '"row">From memory</th><td>ASTM D445, edition 2015 to 2024, formulated oils<br>ISO 12185' in html
    assert html.count("memory") == 1
    assert "kinematic viscosity: the method is assumed; [[instrument]] methods of lab.toml names none" in html
