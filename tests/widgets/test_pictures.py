"""The pictures of the page: numbers as the evidence has them, what is off the axis at its end, texts never as HTML."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from labcalc.figures import Picture, problem_pictures, show_explanations
from labcalc.figures.causes.hypothetical import WHAT_IF, reach_of
from labcalc.figures.causes.problem_sample import side_by_side
from labcalc.widgets import Problem, WhatIfSettings


def pictures(problem: Problem) -> list[Picture]:
    drawn = problem_pictures(problem.judgement, problem.evidence, problem.earlier, problem.what)
    return [one for one in drawn if isinstance(one, Picture)]


def test_deviations_are_measured_less_usual_in_standard_deviations(residue: Problem) -> None:
    """Derivation: density of the first fill at 40 °C, (843.25 - 844.9) over the root of spread and noise squared."""
    evidence, picture = residue.evidence, pictures(residue)[-1]
    assert evidence is not None
    measured = next(trace for trace in picture.figure.data if trace.name == "measured")
    row = evidence.quantity.index("density")
    sd = np.hypot(evidence.expected_sd[row], evidence.noise_sd[row])
    assert measured.x[row] == pytest.approx((evidence.measured[row] - evidence.expected[row]) / sd)
    assert "density at 40 °C −2.7" in picture.caption


def test_what_is_beyond_the_axis_lies_at_its_end(residue: Problem) -> None:
    far = residue.with_settings(WhatIfSettings(residue_percent=10.0))
    assert far.evidence is not None
    picture = pictures(far)[-1]
    places = next(trace for trace in picture.figure.data if trace.name == WHAT_IF).x
    assert min(places) == -reach_of(far.evidence)
    assert picture.figure.layout.xaxis.range[0] < min(places)


def test_panels_stand_side_by_side_and_each_name_once_in_the_legend(residue: Problem) -> None:
    figure = side_by_side(pictures(residue))
    domains = [figure.layout[axis].domain for axis in ("xaxis", "xaxis2", "xaxis3")]
    assert all(left[1] < right[0] for left, right in pairwise(domains))
    assert domains[-1][1] == pytest.approx(1.0)
    named = [trace.name for trace in figure.data if trace.showlegend]
    assert len(named) == len(set(named))
    assert {trace.xaxis for trace in figure.data if trace.name == WHAT_IF} == {"x", "x2", "x3"}


def test_names_from_an_export_are_text(residue: Problem) -> None:
    first = replace(residue.explanations[0], sentence="<script>alert(1)</script>", where="<b>", caution="a & b")
    html = show_explanations([first]).html
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "a &amp; b" in html
