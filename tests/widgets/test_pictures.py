"""The pictures of the page: numbers as the evidence has them, what is off the axis at its end, texts never as HTML."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape

import numpy as np
import pytest

from labcalc.figures import Picture, problem_pictures, show_explanations
from labcalc.figures.causes.pictures import WHAT_IF, one_above_others, reach_of
from labcalc.widgets import Added, Problem, WhatIfSettings
from tests.figures.drawn import checked


def pictures(problem: Problem) -> list[Picture]:
    drawn = problem_pictures(problem.judgement, problem.evidence, problem.earlier, problem.what)
    return [one for one in drawn if isinstance(one, Picture)]


def test_deviations_are_measured_less_usual_in_standard_deviations(residue: Problem) -> None:
    """Derivation: density of the first fill at 40 °C, (843.25 - 844.9) over the root of spread and noise squared."""
    evidence, picture = residue.evidence, pictures(residue)[0]
    assert evidence is not None
    measured = next(trace for trace in checked(picture).data if trace.name == "measured")
    row = evidence.quantity.index("density")
    sd = np.hypot(evidence.expected_sd[row], evidence.noise_sd[row])
    assert measured.x[row] == pytest.approx((evidence.measured[row] - evidence.expected[row]) / sd, rel=1e-5)
    assert "density at 40 °C −2.7" in picture.caption


def test_what_is_beyond_the_axis_lies_at_its_end(residue: Problem) -> None:
    far = residue.with_settings(WhatIfSettings(residue_percent=10.0))
    assert far.evidence is not None
    picture = pictures(far)[0]
    places = next(trace for trace in checked(picture).data if trace.name == WHAT_IF).x
    assert min(places) == pytest.approx(-reach_of(far.evidence), rel=1e-5)
    assert checked(picture).layout.xaxis.range[0] < min(places)


def test_the_telling_picture_is_large_above_the_others_and_each_name_once_in_the_legend(residue: Problem) -> None:
    figure = checked(one_above_others(pictures(residue)))
    across = [figure.layout[axis].domain for axis in ("xaxis", "xaxis2", "xaxis3")]
    up = [figure.layout[axis].domain for axis in ("yaxis", "yaxis2", "yaxis3")]
    assert across[0] == (0.0, 1.0)
    assert across[1][1] < across[2][0]
    assert across[2][1] == pytest.approx(1.0)
    assert up[1] == up[2]
    assert up[1][1] < up[0][0]
    assert figure.layout.xaxis.title.text == "Standard deviations from usual"
    named = [trace.name for trace in figure.data if trace.showlegend]
    assert len(named) == len(set(named))
    assert {trace.xaxis for trace in figure.data if trace.name == WHAT_IF} == {"x", "x2", "x3"}


def test_the_caption_tells_the_run_and_what_was_added_by_itself(residue: Problem) -> None:
    """A refill as usual, +0.1 standard deviations, doesn't draw the run's own −2.7 towards it."""
    refilled = residue.with_added([Added("refill and repeat", "density", 40.0, 844.96)])
    caption = pictures(refilled)[0].caption
    assert "density at 40 °C −2.7" in caption
    assert caption.endswith(" Added since: density at 40 °C +0.1. Grey: ±2.")


def test_names_from_an_export_are_text(residue: Problem) -> None:
    first = replace(residue.explanations[0], sentence="<script>alert(1)</script>", where="<b>", caution="a & b")
    html = show_explanations([first]).html
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "a &amp; b" in html


def test_a_sure_cause_comes_with_its_repair_the_figures_of_the_trade_and_one_caution(residue: Problem) -> None:
    first, *others = residue.explanations
    sure = show_explanations([replace(first, probability=0.951), *others]).html
    assert "<b>Now:</b> Clean and dry the cell, and fill twice from the same bottle" in sure
    assert sure.count("at least 1.5 mL") == 1
    assert show_explanations([replace(first, probability=0.951)]).html.count("Cleaning solvents burn") == 1
    unsure = show_explanations([replace(first, probability=0.949), *others]).html
    assert "<b>Now:</b>" not in unsure
    assert first.next_measurement is not None
    assert f"<b>Next:</b> {escape(first.next_measurement.sentence)}" in unsure


def test_where_nothing_fits_no_probability_is_printed(residue: Problem) -> None:
    first, *others = residue.explanations
    html = show_explanations([replace(first, probability=0.99, misfit=1e4), *others]).html
    assert "None of the listed causes fits these numbers; the nearest comes first." in html
    assert "<b>fits not</b>" in html
    assert "<b>Now:</b>" not in html
    assert not re.search(r"<b>[^<]*\d %</b>", html)
